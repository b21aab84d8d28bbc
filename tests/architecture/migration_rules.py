"""What a migration may do while the release before it still runs: squawk's rules, and three that it cannot see.

Outside judge: squawk, a linter of PostgreSQL migrations, for version 18. Its rules about taste (types of columns and the
like) are left out, and so are those about timeouts: whoever migrates sets them for the whole session (DEVELOPERS.md).
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

from django.db import connection
from django.db.migrations import Migration
from django.db.migrations.executor import MigrationExecutor
from django.db.migrations.operations import RunPython
from django.db.migrations.state import ProjectState

#: Migrations up to this one are the base line: they ran before anybody used the service.
BASE_LINE = "0009_releases"
LEFT_OUT = (
    "prefer-bigint-over-int", "prefer-bigint-over-smallint", "prefer-identity", "prefer-text-field", "prefer-timestamptz",
    "prefer-robust-stmts", "require-timeout-settings", "require-statement-timeout", "require-lock-timeout",
    "ban-char-field", "transaction-nesting",
)  # fmt: skip


def faults_in(sql: str, *, folder: Path) -> set[str]:
    """Return the names of the rules that the SQL of one migration breaks."""
    return _by_squawk(sql, folder) | _old_code_cannot_insert(sql)


def faults_of(migration: Migration, state: ProjectState, *, folder: Path) -> set[str]:
    """Return the names of the rules that one migration breaks, as it would run on ``state``."""
    with connection.schema_editor(collect_sql=True, atomic=migration.atomic) as editor:
        migration.apply(state.clone(), editor, collect_sql=True)
    sql = "\n".join(editor.collected_sql)
    if migration.atomic:
        sql = f"BEGIN;\n{sql}\nCOMMIT;"
    return faults_in(sql, folder=folder) | _backfill_beside_a_change(migration, sql)


def later_migrations() -> list[tuple[Migration, ProjectState]]:
    """Return the migrations after the base line, each with the state that it runs on."""
    loader = MigrationExecutor(connection).loader
    plan = [loader.graph.nodes[key] for key in loader.graph.forwards_plan(loader.graph.leaf_nodes("surveys")[0])]
    later = [one for one in plan if one.app_label == "surveys" and one.name > BASE_LINE]
    return [(one, loader.project_state((one.app_label, one.name), at_end=False)) for one in later]


def _by_squawk(sql: str, folder: Path) -> set[str]:
    file = folder / "migration.sql"
    file.write_text(sql, encoding="utf-8")
    answer = subprocess.run(
        [
            Path(sys.executable).parent / "squawk", "--pg-version", "18", "--reporter", "json",
            "--exclude", ",".join(LEFT_OUT), file,
        ],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert answer.returncode in (0, 1), answer.stderr
    return {found["rule_name"] for found in json.loads(answer.stdout or "[]")}


def _old_code_cannot_insert(sql: str) -> set[str]:
    """Find new columns without NULL or a lasting default: the release before does not know them and would fail."""
    new_tables = set(re.findall(r'CREATE TABLE "?(\w+)"?', sql))
    added = re.findall(r'ALTER TABLE "?(\w+)"? ADD COLUMN "?(\w+)"? ([^;]*);', sql)
    dropped = set(re.findall(r'ALTER TABLE "?(\w+)"? ALTER COLUMN "?(\w+)"? DROP DEFAULT', sql))
    wrong = [
        column
        for table, column, words in added
        if table not in new_tables and "NOT NULL" in words and ("DEFAULT" not in words or (table, column) in dropped)
        if "GENERATED" not in words
    ]
    return {"old-code-cannot-insert"} if wrong else set()


def _backfill_beside_a_change(migration: Migration, sql: str) -> set[str]:
    """Find rows written in the transaction that also changes a table: its lock would last as long as they take."""
    fills = any(isinstance(one, RunPython) for one in migration.operations) or re.search(r"(?m)^\s*UPDATE ", sql)
    new_tables = set(re.findall(r'CREATE TABLE "?(\w+)"?', sql))
    changes = [table for table in re.findall(r'ALTER TABLE "?(\w+)"?', sql) if table not in new_tables]
    return {"backfill-beside-a-change"} if migration.atomic and fills and changes else set()
