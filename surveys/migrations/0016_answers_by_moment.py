"""What households answered since yesterday, for the morning letter."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations, models


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("surveys", "0015_jobs_of_a_kind")]

    operations = [AddIndexConcurrently("question", models.Index(condition=models.Q(('answered_at__isnull', False)), fields=['answered_at'], name='answers_by_moment'))]
