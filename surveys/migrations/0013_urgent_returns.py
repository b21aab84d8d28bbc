"""Urgent returns are few; the page of cases finds those that were looked at from them."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations, models


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("surveys", "0012_returns_by_arrival")]

    operations = [AddIndexConcurrently("return", models.Index(condition=models.Q(('urgent', True)), fields=['region', 'id'], name='urgent_returns_of_a_region'))]
