"""Migrations after the base line lock nothing for long and leave the release before them working; planted ones do not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.contrib.postgres.operations import AddConstraintNotValid, AddIndexConcurrently, ValidateConstraint
from django.db import connection, migrations, models
from django.db.migrations import Migration
from django.db.migrations.executor import MigrationExecutor
from django.db.migrations.state import ProjectState

from tests.architecture.migration_rules import faults_in, faults_of, later_migrations

# An index is built beside the work outside any transaction only, also where its SQL is merely collected.
pytestmark = pytest.mark.django_db(transaction=True)

#: What a migration may do in spite of a rule, and why: (migration, rule) -> reason.
ACCEPTED: dict[tuple[str, str], str] = {
    ("0021_counts_in_parts", rule): "the old table becomes a part of a new one, which has its name before anybody looks"
    for rule in ("renaming-table", "renaming-object", "ban-drop-constraint", "ban-alter-identity")
}


def test_every_migration_after_the_base_line_keeps_the_rules(tmp_path: Path) -> None:
    broken = {
        (migration.name, rule)
        for migration, state in later_migrations()
        for rule in faults_of(migration, state, folder=tmp_path)
    }
    assert broken - set(ACCEPTED) == set(), "see DEVELOPERS.md, 'Changing tables while people use them'"
    assert set(ACCEPTED) - broken == set(), "an exception that is not needed any more"


def newest() -> ProjectState:
    """Return the tables as the newest migration leaves them."""
    state: ProjectState = MigrationExecutor(connection).loader.project_state()
    return state


CHECK = models.CheckConstraint(condition=models.Q(attempts__lte=100), name="a_job_is_tried_a_hundred_times")
INDEX = models.Index(fields=["attempts"], name="jobs_by_attempts")

#: Planted: what it does -> (operations, in one transaction, the rule that must be found).
PLANTED: dict[str, tuple[list[Any], bool, str]] = {
    "an index that stops writers": ([migrations.AddIndex("job", INDEX)], True, "require-concurrent-index-creation"),
    "a constraint that reads the table under a lock": ([migrations.AddConstraint("job", CHECK)], True, "constraint-missing-not-valid"),
    "a column that goes": ([migrations.RemoveField("job", "problem")], True, "ban-drop-column"),
    "a column with another name": ([migrations.RenameField("job", "problem", "trouble")], True, "renaming-column"),
    "a table with another name": ([migrations.RenameModel("Lease", "Hold")], True, "renaming-table"),
    "a table that goes": ([migrations.DeleteModel("Lease")], True, "ban-drop-table"),
    "a column of another type": ([migrations.AlterField("job", "attempts", models.BigIntegerField(default=0))], True, "changing-column-type"),
    "a column that the old code does not fill": ([migrations.AddField("job", "place", models.CharField(max_length=9, default=""))], True, "old-code-cannot-insert"),
    "a column that becomes needed": ([migrations.AlterField("job", "started_at", models.DateTimeField())], True, "adding-not-nullable-field"),
    "rows filled under the lock of a change": (
        [migrations.AddField("job", "place", models.CharField(max_length=9, null=True)), migrations.RunSQL("UPDATE surveys_job SET place = 'a'")],
        True, "backfill-beside-a-change",
    ),
    "rows filled by Python under the lock of a change": (
        [migrations.AddField("job", "place", models.CharField(max_length=9, null=True)), migrations.RunPython(migrations.RunPython.noop)],
        True, "backfill-beside-a-change",
    ),
}  # fmt: skip


def migration_of(operations: list[Any], *, atomic: bool) -> Migration:
    found = Migration("9999_planted", "surveys")
    found.operations, found.atomic = operations, atomic
    return found


def test_every_planted_fault_is_found(tmp_path: Path) -> None:
    state = newest()
    for case, (operations, atomic, rule) in PLANTED.items():
        found = faults_of(migration_of(operations, atomic=atomic), state, folder=tmp_path)
        assert rule in found, (case, found)


#: How the same is done without standing in anybody's way.
RIGHT: dict[str, tuple[list[Any], bool]] = {
    "an index beside the work": ([AddIndexConcurrently("job", INDEX)], False),
    "a constraint for new rows": ([AddConstraintNotValid("job", CHECK)], True),
    "a constraint is proven": ([migrations.SeparateDatabaseAndState(state_operations=[migrations.AddConstraint("job", CHECK)]), ValidateConstraint("job", CHECK.name)], True),
    "a column that may be empty": ([migrations.AddField("job", "place", models.CharField(max_length=9, null=True))], True),
    "a column that the database fills": ([migrations.AddField("job", "place", models.CharField(max_length=9, db_default=""))], True),
    "a new table": ([migrations.CreateModel("Place", [("id", models.BigAutoField(primary_key=True)), ("name", models.CharField(max_length=9))])], True),
    "rows filled apart": ([migrations.RunSQL("UPDATE surveys_job SET problem = '' WHERE problem IS NULL")], True),
}  # fmt: skip


def test_the_right_way_is_let_through(tmp_path: Path) -> None:
    state = newest()
    for case, (operations, atomic) in RIGHT.items():
        found = faults_of(migration_of(operations, atomic=atomic), state, folder=tmp_path)
        assert found == set(), (case, found)


def test_sql_that_is_none_is_not_let_through(tmp_path: Path) -> None:
    assert faults_in("ALTER TABEL surveys_job;", folder=tmp_path)
