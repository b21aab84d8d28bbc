"""Reads all counts once, beside the work, to prove what 0020 says of them."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("surveys", "0020_counts_so_far")]

    operations = [migrations.RunSQL("ALTER TABLE surveys_catch VALIDATE CONSTRAINT counts_so_far", migrations.RunSQL.noop)]
