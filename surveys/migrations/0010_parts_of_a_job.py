"""Parts of a night that any worker may do, and the columns that they are computed from.

Columns are numbers in few bytes each: PostgreSQL need not try to press them together.
"""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('surveys', '0009_releases'),
    ]

    operations = [
        migrations.CreateModel(
            name='JobColumn',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('fence', models.PositiveIntegerField()),
                ('name', models.CharField(max_length=120)),
                ('kind', models.CharField(max_length=8)),
                ('content', models.BinaryField()),
                ('job', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='columns', to='surveys.job')),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('job', 'fence', 'name'), name='a_claim_of_a_job_has_each_column_once')],
            },
        ),
        migrations.CreateModel(
            name='JobPart',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('fence', models.PositiveIntegerField()),
                ('kind', models.CharField(choices=[('screening', 'screening some returns again'), ('level', 'the level of a group under one rim exponent'), ('change', 'the change of a group'), ('groups_seen', 'the groups seen of all regions')], max_length=24)),
                ('number', models.PositiveIntegerField()),
                ('alike', models.CharField(max_length=64)),
                ('state', models.CharField(choices=[('queued', 'queued'), ('running', 'running'), ('done', 'done'), ('failed', 'failed'), ('cancelled', 'cancelled')], default='queued', max_length=24)),
                ('claims', models.PositiveSmallIntegerField(default=0)),
                ('lease_until', models.DateTimeField(null=True)),
                ('worker', models.CharField(blank=True, default='', max_length=120)),
                ('given', models.TextField()),
                ('result', models.TextField(blank=True, default='')),
                ('problem', models.TextField(blank=True, default='')),
                ('job', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='parts', to='surveys.job')),
            ],
            options={
                'indexes': [models.Index(condition=models.Q(('state__in', ['queued', 'running'])), fields=['job', 'id'], name='parts_to_do')],
                'constraints': [models.CheckConstraint(condition=models.Q(('kind__in', ['screening', 'level', 'change', 'groups_seen'])), name='a_part_is_of_a_known_kind'), models.CheckConstraint(condition=models.Q(('state__in', ['queued', 'running', 'done', 'failed', 'cancelled'])), name='a_part_is_in_a_known_state'), models.UniqueConstraint(fields=('job', 'fence', 'kind', 'number'), name='a_job_has_each_part_once'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'running'), _negated=True), ('lease_until__isnull', False), _connector='OR'), name='a_running_part_has_a_lease'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'done'), _negated=True), models.Q(('result', ''), _negated=True), _connector='OR'), name='a_part_that_is_done_has_a_result')],
            },
        ),
        migrations.RunSQL(
            "ALTER TABLE surveys_jobcolumn ALTER COLUMN content SET STORAGE EXTERNAL", migrations.RunSQL.noop
        ),
    ]
