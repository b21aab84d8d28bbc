"""A coordinator may turn the letter of the morning off."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('surveys', '0006_the_desk'),
    ]

    operations = [
        migrations.AddField(
            model_name='account',
            name='morning_letter',
            field=models.BooleanField(default=True),
        ),
    ]
