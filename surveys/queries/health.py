"""What the readiness page asks of the database."""

from __future__ import annotations

from django.db import connection
from django.db.migrations.executor import MigrationExecutor

#: With any of these off, a power cut can lose or tear what was already confirmed to its sender.
#: Source: PostgreSQL manual, "Write Ahead Log" settings.
LASTING = ("fsync", "full_page_writes", "synchronous_commit")


def settings_that_lose_writes() -> list[str]:
    """Return the names of durability settings that are off. One query."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT name, setting FROM pg_settings WHERE name = ANY(%s)", [list(LASTING)])
        found = dict(cursor.fetchall())
    # synchronous_commit has stronger words than "on"; only "off" acknowledges what is not yet on disk.
    return [name for name in LASTING if found.get(name, "off") == "off"]


def migrations_to_apply() -> list[str]:
    """Return the migrations that the code has and the database has not. One or two queries."""
    executor = MigrationExecutor(connection)
    plan = executor.migration_plan(executor.loader.graph.leaf_nodes())
    return [f"{migration.app_label}.{migration.name}" for migration, _ in plan]
