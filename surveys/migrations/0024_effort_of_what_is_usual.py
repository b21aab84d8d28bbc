"""Gives what is usual now an effort near enough until the next night learns it: a return is about one trap-night."""

from django.db import migrations

EFFORT = "UPDATE surveys_usualcatch SET trap_nights = returns WHERE trap_nights = 0"


class Migration(migrations.Migration):
    dependencies = [("surveys", "0023_what_it_was_compared_with")]

    operations = [migrations.RunSQL(EFFORT, migrations.RunSQL.noop)]
