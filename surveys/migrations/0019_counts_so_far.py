"""The counts so far are those of returns below a thousand million: what lets the table become a part unread (0021)."""

from django.db import migrations

BOUND = "ALTER TABLE surveys_catch ADD CONSTRAINT counts_so_far CHECK (report_id < 1000000000) NOT VALID"


class Migration(migrations.Migration):
    dependencies = [("surveys", "0018_known_findings")]

    operations = [migrations.RunSQL(BOUND, "ALTER TABLE surveys_catch DROP CONSTRAINT counts_so_far")]
