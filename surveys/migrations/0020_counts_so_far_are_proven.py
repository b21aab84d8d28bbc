"""Reads all counts once, beside the work, to prove what 0019 says of them."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("surveys", "0019_counts_so_far")]

    operations = [migrations.RunSQL("ALTER TABLE surveys_catch VALIDATE CONSTRAINT counts_so_far", migrations.RunSQL.noop)]
