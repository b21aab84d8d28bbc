"""What a return was compared with, and since when something is usual: a night screens again only what changed."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('surveys', '0022_counts_are_measured'),
    ]

    operations = [
        migrations.AddField(
            model_name='return',
            name='compared_with',
            field=models.BigIntegerField(db_default=0, default=0),
        ),
        migrations.AddField(
            model_name='usualcatch',
            name='since',
            field=models.BigIntegerField(db_default=0, default=0),
        ),
        migrations.AddField(
            model_name='usualcatch',
            name='trap_nights',
            field=models.FloatField(db_default=0, default=0),
        ),
    ]
