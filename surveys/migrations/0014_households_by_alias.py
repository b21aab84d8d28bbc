"""The queue of one household, whose alias is typed in large letters or small ones."""

import django.db.models.functions.text
from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations, models


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("surveys", "0013_urgent_returns")]

    operations = [AddIndexConcurrently("household", models.Index(django.db.models.functions.text.Upper('alias'), name='households_by_alias'))]
