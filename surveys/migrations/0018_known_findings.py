"""What a check can find is kept once, and a return holds the keys of what was found in it; both forms are read by a view.

The rows of surveys_finding stay as they are, and the release before may go on writing them.
"""

import django.contrib.postgres.fields
import django.db.models.deletion
from django.db import migrations, models

VIEW = """
CREATE VIEW surveys_found AS
SELECT told.place AS id, r.id AS report_id, known.check_id, known.outcome, known.marks, known.sentence
FROM surveys_return r
CROSS JOIN LATERAL unnest(r.known_findings) WITH ORDINALITY AS told (key, place)
JOIN surveys_knownfinding known ON known.id = told.key
UNION ALL
SELECT id, report_id, check_id, outcome, marks, sentence FROM surveys_finding;
"""

GUARDS = """
CREATE TRIGGER what_was_found_is_never_edited
    BEFORE UPDATE OF known_findings ON surveys_return
    FOR EACH ROW EXECUTE FUNCTION refuse_edit_of_what_was_sent();
CREATE TRIGGER known_findings_only_grow BEFORE UPDATE OR DELETE ON surveys_knownfinding
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER known_findings_are_never_emptied BEFORE TRUNCATE ON surveys_knownfinding
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
"""

UNGUARD = """
DROP TRIGGER known_findings_are_never_emptied ON surveys_knownfinding;
DROP TRIGGER known_findings_only_grow ON surveys_knownfinding;
DROP TRIGGER what_was_found_is_never_edited ON surveys_return;
"""


OUTCOMES = [('fine', 'as asked'), ('note', 'noted'), ('offset', 'carried by the effort'), ('covariate', 'carried by the model'), ('hold', 'a coordinator looks first'), ('out', 'kept, not in the indices')]


class Migration(migrations.Migration):
    dependencies = [("surveys", "0017_events_by_actor")]

    operations = [
        migrations.CreateModel(
            name="KnownFinding",
            fields=[
                ("id", models.AutoField(primary_key=True, serialize=False)),
                ("check_id", models.CharField(max_length=40)),
                ("outcome", models.CharField(choices=OUTCOMES, max_length=24)),
                ("marks", django.contrib.postgres.fields.ArrayField(base_field=models.CharField(max_length=12), default=list, size=None)),
                ("sentence", models.CharField(max_length=400)),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("outcome__in", [word for word, _ in OUTCOMES])),
                        name="a_known_finding_has_a_known_outcome",
                    ),
                    models.UniqueConstraint(
                        fields=("check_id", "outcome", "marks", "sentence"), name="a_finding_is_known_once"
                    ),
                ],
            },
        ),
        migrations.AddField(
            model_name="return",
            name="known_findings",
            field=django.contrib.postgres.fields.ArrayField(base_field=models.IntegerField(), null=True, size=None),
        ),
        migrations.SeparateDatabaseAndState(
            state_operations=[
                migrations.RenameModel("Finding", "FindingRow"),
                migrations.AlterModelTable("FindingRow", "surveys_finding"),
                migrations.AlterField(
                    "FindingRow",
                    "report",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="+", to="surveys.return"
                    ),
                ),
            ]
        ),
        migrations.CreateModel(
            name="Finding",
            fields=[
                ("id", models.BigIntegerField(primary_key=True, serialize=False)),
                ("check_id", models.CharField(max_length=40)),
                ("outcome", models.CharField(choices=OUTCOMES, max_length=24)),
                ("marks", django.contrib.postgres.fields.ArrayField(base_field=models.CharField(max_length=12), size=None)),
                ("sentence", models.CharField(max_length=400)),
            ],
            options={"db_table": "surveys_found", "managed": False},
        ),
        migrations.RunSQL(VIEW, "DROP VIEW surveys_found"),
        migrations.RunSQL(GUARDS, UNGUARD),
    ]
