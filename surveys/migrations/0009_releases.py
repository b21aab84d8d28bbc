"""Releases, exports and tokens for some uses; a published release is never changed, only withdrawn."""

import django.contrib.postgres.fields
import django.db.models.deletion
import django.utils.timezone
import uuid
from django.conf import settings
from django.db import migrations, models

FREEZE = """
CREATE FUNCTION refuse_change_of_release() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    moved surveys_release;
BEGIN
    IF TG_OP = 'UPDATE' THEN
        moved := OLD;
        moved.state := NEW.state;
        moved.withdrawn_at := NEW.withdrawn_at;
        moved.withdrawn_because := NEW.withdrawn_because;
        -- Who made it is forgotten when that account goes.
        moved.by_id := NEW.by_id;
        IF moved IS NOT DISTINCT FROM NEW AND (
            (OLD.state = 'published' AND NEW.state IN ('published', 'withdrawn'))
            OR (OLD.state = NEW.state AND OLD.withdrawn_because = NEW.withdrawn_because)
        ) AND (NEW.by_id IS NULL OR NEW.by_id = OLD.by_id) THEN
            RETURN NEW;
        END IF;
    END IF;
    RAISE EXCEPTION 'release % is published for ever: it can be withdrawn with a reason, and a new one made', OLD.version
        USING ERRCODE = 'restrict_violation';
END $$;

CREATE TRIGGER a_release_is_for_ever BEFORE UPDATE OR DELETE ON surveys_release
    FOR EACH ROW EXECUTE FUNCTION refuse_change_of_release();
CREATE TRIGGER released_sites_only_grow BEFORE UPDATE OR DELETE ON surveys_releasedsite
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER released_cells_only_grow BEFORE UPDATE OR DELETE ON surveys_releasedcell
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
"""

THAW = """
DROP TRIGGER released_cells_only_grow ON surveys_releasedcell;
DROP TRIGGER released_sites_only_grow ON surveys_releasedsite;
DROP TRIGGER a_release_is_for_ever ON surveys_release;
DROP FUNCTION refuse_change_of_release();
"""


class Migration(migrations.Migration):

    dependencies = [
        ('surveys', '0008_an_open_season_is_frozen'),
        ('knox', '0009_extend_authtoken_field'),
    ]

    operations = [
        migrations.CreateModel(
            name='Export',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('table', models.CharField(choices=[('returns', 'returns'), ('counts', 'counts')], max_length=24)),
                ('kind', models.CharField(choices=[('csv', 'CSV'), ('parquet', 'Parquet')], max_length=24)),
                ('filters', models.JSONField(default=dict)),
                ('asked_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('expires_at', models.DateTimeField()),
                ('rows', models.PositiveBigIntegerField(null=True)),
                ('size_bytes', models.PositiveBigIntegerField(null=True)),
                ('sha256', models.CharField(blank=True, default='', max_length=64)),
                ('written_at', models.DateTimeField(null=True)),
            ],
        ),
        migrations.CreateModel(
            name='ReleasedCell',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('cell_code', models.CharField(max_length=24)),
                ('cell_latitude', models.FloatField()),
                ('cell_longitude', models.FloatField()),
                ('cell_uncertainty_m', models.PositiveIntegerField()),
                ('sites', models.PositiveIntegerField()),
                ('returns', models.PositiveIntegerField()),
                ('trap_nights', models.FloatField()),
            ],
        ),
        migrations.CreateModel(
            name='ReleasedSite',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField()),
                ('cell_code', models.CharField(blank=True, default='', max_length=24)),
            ],
        ),
        migrations.CreateModel(
            name='Token',
            fields=[
                ('digest', models.CharField(max_length=128, primary_key=True, serialize=False)),
                ('token_key', models.CharField(db_index=True, max_length=25)),
                ('created', models.DateTimeField(auto_now_add=True)),
                ('expiry', models.DateTimeField(blank=True, null=True)),
                ('name', models.CharField(blank=True, default='', max_length=80)),
                ('scopes', django.contrib.postgres.fields.ArrayField(base_field=models.CharField(max_length=20), default=list, size=None)),
                ('last_used_at', models.DateTimeField(null=True)),
            ],
        ),
        migrations.RemoveConstraint(
            model_name='job',
            name='a_job_is_of_a_known_kind',
        ),
        migrations.RemoveConstraint(
            model_name='release',
            name='a_release_number_has_three_parts',
        ),
        migrations.RemoveConstraint(
            model_name='release',
            name='a_withdrawn_release_says_why',
        ),
        migrations.RemoveIndex(
            model_name='return',
            name='returns_in_the_queue',
        ),
        migrations.AddField(
            model_name='release',
            name='because',
            field=models.CharField(blank=True, default='', max_length=300),
        ),
        migrations.AddField(
            model_name='release',
            name='by',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='release',
            name='frozen_at',
            field=models.DateTimeField(default=django.utils.timezone.now),
            preserve_default=False,
        ),
        migrations.AddField(
            model_name='release',
            name='job',
            field=models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='release', to='surveys.job'),
        ),
        migrations.AddField(
            model_name='release',
            name='number',
            field=models.BigIntegerField(default=0, unique=True),
            preserve_default=False,
        ),
        migrations.AddField(
            model_name='release',
            name='replaces',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='replaced_by', to='surveys.release'),
        ),
        migrations.AddField(
            model_name='release',
            name='summary',
            field=models.JSONField(default=dict),
        ),
        migrations.AddField(
            model_name='release',
            name='withdrawn_at',
            field=models.DateTimeField(null=True),
        ),
        migrations.AddField(
            model_name='season',
            name='invented',
            field=models.BooleanField(default=False, help_text='A demonstration: its returns are invented and enter no release of another season.'),
        ),
        migrations.AlterField(
            model_name='job',
            name='kind',
            field=models.CharField(choices=[('night', 'nightly computation'), ('canary', 'sign of life'), ('sheet', 'reading a spreadsheet'), ('preview', 'trying a protocol on last season'), ('release', 'making a release'), ('export', 'writing an export')], max_length=24),
        ),
        migrations.AddIndex(
            model_name='return',
            index=models.Index(condition=models.Q(('state__in', ['corrected', 'standing', 'upheld'])), fields=['season', 'uuid'], name='usable_returns_by_id'),
        ),
        migrations.AddConstraint(
            model_name='job',
            constraint=models.CheckConstraint(condition=models.Q(('kind__in', ['night', 'canary', 'sheet', 'preview', 'release', 'export'])), name='a_job_is_of_a_known_kind'),
        ),
        migrations.AddConstraint(
            model_name='release',
            constraint=models.CheckConstraint(condition=models.Q(('version__regex', '^(0|[1-9][0-9]{0,3})\\.(0|[1-9][0-9]{0,3})\\.(0|[1-9][0-9]{0,3})$')), name='a_release_number_has_three_parts'),
        ),
        migrations.AddConstraint(
            model_name='release',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('state', 'published'), ('withdrawn_at__isnull', True), ('withdrawn_because', '')), models.Q(('state', 'withdrawn'), ('withdrawn_at__isnull', False), models.Q(('withdrawn_because', ''), _negated=True)), _connector='OR'), name='a_withdrawn_release_says_why'),
        ),
        migrations.AddField(
            model_name='export',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='exports', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='export',
            name='job',
            field=models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='export', to='surveys.job'),
        ),
        migrations.AddField(
            model_name='export',
            name='season',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='surveys.season'),
        ),
        migrations.AddField(
            model_name='releasedcell',
            name='region',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='surveys.region'),
        ),
        migrations.AddField(
            model_name='releasedcell',
            name='release',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='cells', to='surveys.release'),
        ),
        migrations.AddField(
            model_name='releasedcell',
            name='season',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='surveys.season'),
        ),
        migrations.AddField(
            model_name='releasedsite',
            name='region',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='surveys.region'),
        ),
        migrations.AddField(
            model_name='releasedsite',
            name='release',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='new_sites', to='surveys.release'),
        ),
        migrations.AddField(
            model_name='token',
            name='user',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='auth_token_set', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddIndex(
            model_name='export',
            index=models.Index(fields=['by', '-asked_at'], name='exports_of_an_account'),
        ),
        migrations.AddConstraint(
            model_name='export',
            constraint=models.CheckConstraint(condition=models.Q(('table__in', ['returns', 'counts'])), name='an_export_is_of_a_known_table'),
        ),
        migrations.AddConstraint(
            model_name='export',
            constraint=models.CheckConstraint(condition=models.Q(('kind__in', ['csv', 'parquet'])), name='an_export_is_of_a_known_kind'),
        ),
        migrations.AddConstraint(
            model_name='export',
            constraint=models.CheckConstraint(condition=models.Q(('expires_at__gt', models.F('asked_at'))), name='an_export_ends_after_it_was_asked'),
        ),
        migrations.AddConstraint(
            model_name='export',
            constraint=models.CheckConstraint(condition=models.Q(('written_at__isnull', True), models.Q(('rows__isnull', False), ('size_bytes__isnull', False), models.Q(('sha256', ''), _negated=True)), _connector='OR'), name='a_written_export_says_what_it_is'),
        ),
        migrations.AddConstraint(
            model_name='releasedcell',
            constraint=models.UniqueConstraint(fields=('release', 'season', 'region', 'cell_code'), name='a_release_tells_of_a_cell_once'),
        ),
        migrations.AddConstraint(
            model_name='releasedcell',
            constraint=models.CheckConstraint(condition=models.Q(('sites__gte', 5)), name='a_cell_stands_for_five_gardens_or_more'),
        ),
        migrations.AddConstraint(
            model_name='releasedsite',
            constraint=models.UniqueConstraint(fields=('public_id', 'cell_code'), name='a_place_of_a_site_is_told_once'),
        ),
        migrations.AddConstraint(
            model_name='token',
            constraint=models.CheckConstraint(condition=models.Q(('scopes__contained_by', ['send', 'read_data', 'desk'])), name='a_token_is_for_known_uses'),
        ),
        migrations.RunSQL(FREEZE, THAW),
        # Tokens stand in a table of this project now; a script signs in once more.
        migrations.RunSQL("DROP TABLE IF EXISTS knox_authtoken", migrations.RunSQL.noop),
    ]
