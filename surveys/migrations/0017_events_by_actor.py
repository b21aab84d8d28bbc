"""What somebody did, for their own download."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations, models


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("surveys", "0016_answers_by_moment")]

    operations = [AddIndexConcurrently("event", models.Index(condition=models.Q(('actor__isnull', False)), fields=['actor', 'id'], name='events_by_actor'))]
