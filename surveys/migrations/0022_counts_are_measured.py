"""What the planner knows of all counts together, before the first night says it anew. Apart: it holds no lock of 0021."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("surveys", "0021_counts_in_parts")]

    operations = [migrations.RunSQL("SELECT measure_counts()", migrations.RunSQL.noop)]
