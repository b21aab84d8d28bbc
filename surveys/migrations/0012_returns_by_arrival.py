"""What came in since yesterday: for the morning letter and the desk of releases."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations, models


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("surveys", "0011_only_a_test_is_wiped")]

    operations = [AddIndexConcurrently("return", models.Index(fields=['received_at'], name='returns_by_arrival'))]
