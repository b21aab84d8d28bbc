"""The latest jobs of one kind, such as releases in the making."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations, models


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("surveys", "0014_households_by_alias")]

    operations = [AddIndexConcurrently("job", models.Index(fields=['kind', '-id'], name='jobs_of_a_kind'))]
