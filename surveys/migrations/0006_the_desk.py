"""The desk: leases, undone verdicts, second looks, invitations, tray photos, plans of seasons, and one order of the queue."""

import django.db.models.deletion
import django.db.models.expressions
import django.utils.timezone
import uuid
from django.conf import settings
from django.db import migrations, models


#: A return lies in the region of its site, and waits for the first of its reasons. The constraints are checked here,
#: so that none is left to check when the table is changed further on.
FILL_WHAT_WAITS = """
UPDATE surveys_return r SET
    region_id = s.region_id,
    reason = (SELECT q.reason FROM surveys_query q WHERE q.report_id = r.id ORDER BY q.position, q.id LIMIT 1)
FROM surveys_trap t JOIN surveys_site s ON s.id = t.site_id
WHERE t.id = r.trap_id;
SET CONSTRAINTS ALL IMMEDIATE;
SET CONSTRAINTS ALL DEFERRED;
"""


class Migration(migrations.Migration):

    dependencies = [
        ('surveys', '0005_families_and_schools'),
    ]

    operations = [
        migrations.CreateModel(
            name='Invitation',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('email', models.EmailField(blank=True, max_length=254)),
                ('role', models.CharField(choices=[('coordinator', 'coordinator'), ('researcher', 'researcher'), ('operator', 'operator')], max_length=24)),
                ('digest', models.CharField(max_length=64, unique=True)),
                ('made_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('expires_at', models.DateTimeField()),
                ('taken_up_at', models.DateTimeField(null=True)),
                ('called_back_at', models.DateTimeField(null=True)),
            ],
        ),
        migrations.CreateModel(
            name='Lease',
            fields=[
                ('report', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, primary_key=True, related_name='lease', serialize=False, to='surveys.return')),
                ('taken_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('until', models.DateTimeField()),
            ],
        ),
        migrations.CreateModel(
            name='SeasonPlan',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('plan', models.JSONField(default=dict)),
                ('boundaries', models.JSONField(default=dict)),
                ('limits', models.JSONField(default=dict, help_text='Ranges of a new protocol version; empty for one that exists.')),
                ('version', models.PositiveIntegerField(default=1)),
                ('made_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('changed_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('dropped_at', models.DateTimeField(null=True)),
            ],
        ),
        migrations.CreateModel(
            name='SecondLook',
            fields=[
                ('report', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, primary_key=True, related_name='second_look', serialize=False, to='surveys.return')),
                ('drawn_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('state', models.CharField(choices=[('received', 'received'), ('standing', 'standing'), ('queried', 'queried'), ('upheld', 'upheld'), ('corrected', 'corrected'), ('discounted', 'discounted'), ('withdrawn', 'withdrawn')], max_length=24)),
                ('opinion', models.CharField(blank=True, choices=[('upheld', 'let it stand'), ('corrected', 'correct it'), ('discounted', 'set it aside')], max_length=24, null=True)),
                ('reason', models.CharField(blank=True, choices=[('sender_confirmed', 'the household confirmed it'), ('tray_photo_agrees', 'the tray photo agrees'), ('plausible_night', 'unusual, but plausible for that night'), ('count_slip', 'a slip in a number'), ('wrong_row', 'counts written one row off'), ('groups_swapped', 'look-alike groups swapped'), ('date_slip', 'a slip in a date or a time'), ('place_slip', 'a slip in the place'), ('sent_twice', 'the same night sent twice'), ('traps_pooled', 'several traps in one return'), ('trap_lost', 'the trap was lost, flooded or dug up'), ('liquid_used', 'liquid or bait in the cup'), ('not_explained', 'wrong, and could not be explained')], max_length=24, null=True)),
                ('looked_at', models.DateTimeField(null=True)),
            ],
        ),
        migrations.CreateModel(
            name='TrayPhoto',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('picture', models.BinaryField()),
                ('width', models.PositiveSmallIntegerField()),
                ('height', models.PositiveSmallIntegerField()),
                ('received_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('cropped_at', models.DateTimeField(null=True)),
            ],
        ),
        migrations.CreateModel(
            name='Undo',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('undone_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('note', models.CharField(blank=True, default='', max_length=500)),
            ],
        ),
        migrations.RemoveConstraint(
            model_name='letter',
            name='a_letter_is_of_a_known_kind',
        ),
        migrations.AddField(
            model_name='return',
            name='region',
            field=models.ForeignKey(db_index=False, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='surveys.region'),
        ),
        migrations.AddField(
            model_name='return',
            name='reason',
            field=models.CharField(blank=True, choices=[('safety', 'liquid, bait or a danger to people or pets'), ('welfare', "an animal's welfare"), ('protocol_hold', 'a protocol answer that a person must read'), ('date_off_by_days', 'the dates are a whole day or more apart from one night'), ('twelve_hours_off', 'morning and evening may be swapped'), ('day_month_swapped', 'day and month may be swapped'), ('in_the_future', 'the night is not over yet'), ('place_signs', 'the coordinates may be swapped or lack a sign'), ('place_minutes', 'degrees and minutes may be typed as decimals, or a comma misplaced'), ('place_outside', 'the place is outside its region'), ('sent_twice', 'the same night of the same trap came before'), ('same_as_sibling', 'the same counts as another trap of that night'), ('same_elsewhere', 'the same counts as a trap of another household'), ('copied_from_earlier', 'the same counts as an earlier night'), ('traps_pooled', 'several traps may be counted as one'), ('lost_trap_zeros', 'a lost or flooded trap entered as empty'), ('liquid_words', 'the note speaks of liquid or bait'), ('row_slip', 'the counts read better one row up or down'), ('impossible_count', 'more animals than a cup holds'), ('ten_times', 'a number looks ten times too high, doubled or turned round'), ('look_alikes', 'two look-alike groups may be swapped'), ('round_numbers', 'most numbers are round: they may be guesses'), ('wrong_habitat', 'the habitat does not fit the catch or the plants around the trap'), ('small_missed', 'the small animals may not have been looked for'), ('unusually_many', 'far more than such a trap catches'), ('not_screened', 'screening could not read it'), ('second_look', 'chosen for a blind second look')], max_length=24, null=True),
        ),
        migrations.RunSQL(FILL_WHAT_WAITS, migrations.RunSQL.noop),
        migrations.AlterField(
            model_name='return',
            name='region',
            field=models.ForeignKey(db_index=False, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='surveys.region'),
        ),
        migrations.AddField(
            model_name='season',
            name='tray_photos',
            field=models.BooleanField(default=False, help_text='Whether households may send a photo of the tray.'),
        ),
        migrations.AddField(
            model_name='season',
            name='welcome',
            field=models.TextField(blank=True, default='', max_length=2000),
        ),
        migrations.AddField(
            model_name='verdict',
            name='together',
            field=models.UUIDField(db_index=True, null=True),
        ),
        migrations.AlterField(
            model_name='letter',
            name='kind',
            field=models.CharField(choices=[('look_at_dusk', 'look at the trap at dusk'), ('look_at_dawn', 'look at the trap in the early morning'), ('empty_now', 'empty the trap'), ('overdue', 'a trap is still open'), ('overdue_region', 'a trap of the region is still open'), ('question', 'a question about a return'), ('dormant', 'an account that is not used'), ('invitation', 'an invitation to a role'), ('morning', 'what waits this morning')], max_length=24),
        ),
        migrations.AddField(
            model_name='return',
            name='pressing',
            field=models.GeneratedField(db_persist=True, expression=django.db.models.expressions.CombinedExpression(models.Case(models.When(then=models.Value(1000000.0), urgent=True), default=models.Value(0.0)), '+', models.F('rank')), output_field=models.FloatField()),
        ),
        migrations.AddIndex(
            model_name='return',
            index=models.Index(models.OrderBy(models.F('pressing'), descending=True), models.F('id'), condition=models.Q(('state', 'queried')), name='queue_of_all_regions'),
        ),
        migrations.AddIndex(
            model_name='return',
            index=models.Index(models.F('region'), models.OrderBy(models.F('pressing'), descending=True), models.F('id'), condition=models.Q(('state', 'queried')), name='queue_of_a_region'),
        ),
        migrations.AddIndex(
            model_name='return',
            index=models.Index(models.F('reason'), models.OrderBy(models.F('pressing'), descending=True), models.F('id'), condition=models.Q(('state', 'queried')), name='queue_by_reason'),
        ),
        migrations.AddConstraint(
            model_name='letter',
            constraint=models.CheckConstraint(condition=models.Q(('kind__in', ['look_at_dusk', 'look_at_dawn', 'empty_now', 'overdue', 'overdue_region', 'question', 'dormant', 'invitation', 'morning'])), name='a_letter_is_of_a_known_kind'),
        ),
        migrations.AddConstraint(
            model_name='return',
            constraint=models.CheckConstraint(condition=models.Q(('reason__in', ['safety', 'welfare', 'protocol_hold', 'date_off_by_days', 'twelve_hours_off', 'day_month_swapped', 'in_the_future', 'place_signs', 'place_minutes', 'place_outside', 'sent_twice', 'same_as_sibling', 'same_elsewhere', 'copied_from_earlier', 'traps_pooled', 'lost_trap_zeros', 'liquid_words', 'row_slip', 'impossible_count', 'ten_times', 'look_alikes', 'round_numbers', 'wrong_habitat', 'small_missed', 'unusually_many', 'not_screened', 'second_look'])), name='a_return_waits_for_a_known_reason'),
        ),
        migrations.AddField(
            model_name='invitation',
            name='by',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='invitations', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='invitation',
            name='region',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, to='surveys.region'),
        ),
        migrations.AddField(
            model_name='lease',
            name='by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='leases', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='seasonplan',
            name='by',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='season_plans', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='seasonplan',
            name='opened_as',
            field=models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='made_from', to='surveys.season'),
        ),
        migrations.AddField(
            model_name='secondlook',
            name='by',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='second_looks', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='secondlook',
            name='season',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='second_looks', to='surveys.season'),
        ),
        migrations.AddField(
            model_name='trayphoto',
            name='report',
            field=models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='tray_photo', to='surveys.return'),
        ),
        migrations.AddField(
            model_name='undo',
            name='by',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='undo',
            name='verdict',
            field=models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='undo', to='surveys.verdict'),
        ),
        migrations.AddConstraint(
            model_name='invitation',
            constraint=models.CheckConstraint(condition=models.Q(('role__in', ['coordinator', 'researcher', 'operator'])), name='an_invitation_is_to_a_known_role'),
        ),
        migrations.AddConstraint(
            model_name='invitation',
            constraint=models.CheckConstraint(condition=models.Q(('expires_at__gt', models.F('made_at'))), name='an_invitation_ends_after_it_was_made'),
        ),
        migrations.AddConstraint(
            model_name='invitation',
            constraint=models.CheckConstraint(condition=models.Q(('taken_up_at__isnull', True), ('called_back_at__isnull', True), _connector='OR'), name='an_invitation_is_taken_up_or_called_back'),
        ),
        migrations.AddConstraint(
            model_name='lease',
            constraint=models.CheckConstraint(condition=models.Q(('until__gt', models.F('taken_at'))), name='a_lease_ends_after_it_began'),
        ),
        migrations.AddIndex(
            model_name='secondlook',
            index=models.Index(condition=models.Q(('looked_at__isnull', True)), fields=['report'], name='second_looks_to_give'),
        ),
        migrations.AddConstraint(
            model_name='secondlook',
            constraint=models.CheckConstraint(condition=models.Q(('state__in', ['received', 'standing', 'queried', 'upheld', 'corrected', 'discounted', 'withdrawn'])), name='a_second_look_is_at_a_known_state'),
        ),
        migrations.AddConstraint(
            model_name='secondlook',
            constraint=models.CheckConstraint(condition=models.Q(('opinion__in', ['upheld', 'corrected', 'discounted'])), name='a_second_look_has_a_known_opinion'),
        ),
        migrations.AddConstraint(
            model_name='secondlook',
            constraint=models.CheckConstraint(condition=models.Q(('reason__in', ['sender_confirmed', 'tray_photo_agrees', 'plausible_night', 'count_slip', 'wrong_row', 'groups_swapped', 'date_slip', 'place_slip', 'sent_twice', 'traps_pooled', 'trap_lost', 'liquid_used', 'not_explained'])), name='a_second_look_has_a_known_reason'),
        ),
        migrations.AddConstraint(
            model_name='secondlook',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('looked_at__isnull', True), ('opinion__isnull', True), ('reason__isnull', True)), models.Q(('looked_at__isnull', False), ('opinion__isnull', False), ('reason__isnull', False)), _connector='OR'), name='an_opinion_has_a_reason_and_a_moment'),
        ),
        migrations.AddConstraint(
            model_name='trayphoto',
            constraint=models.CheckConstraint(condition=models.Q(('width__gt', 0), ('height__gt', 0)), name='a_tray_photo_has_a_size'),
        ),
    ]
