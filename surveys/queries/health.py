"""Is the service able to work? What an operator's monitor asks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.core.cache import cache
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.utils import timezone

from surveys.queries.jobs import last_sign_of_life

#: A commit that was answered must survive a crash: PostgreSQL, "Reliability", section 28.
DURABLE_SETTINGS = ("fsync", "full_page_writes", "synchronous_commit")
#: Workers show a sign of life each minute; three missed ones are a fault.
LONGEST_SILENCE = timedelta(minutes=3)


@dataclass(frozen=True, slots=True)
class Health:
    """What was found: each check with "ok" or a sentence, and when a worker last did real work."""

    checks: dict[str, str]
    worker_last_seen: datetime | None

    @property
    def ready(self) -> bool:
        """Say whether every check is fine."""
        return all(word == "ok" for word in self.checks.values())


def health() -> Health:
    """Return the state of database, migrations, cache and worker. Four queries."""
    try:
        checks = {"database": "ok", "durability": _durability(), "migrations": _migrations()}
        seen = last_sign_of_life()
    except DatabaseError:
        return Health({"database": "The database does not answer."}, None)
    checks["cache"] = _cache()
    checks["worker"] = _worker(seen)
    return Health(checks, seen)


def _durability() -> str:
    with connection.cursor() as cursor:
        cursor.execute("SELECT name, setting FROM pg_settings WHERE name = ANY(%s)", [list(DURABLE_SETTINGS)])
        off = [name for name, setting in cursor.fetchall() if setting == "off"]
    return f"{', '.join(off)} is off: an answered return could be lost in a crash." if off else "ok"


def _migrations() -> str:
    executor = MigrationExecutor(connection)
    missing = executor.migration_plan(executor.loader.graph.leaf_nodes())
    return f"{len(missing)} migrations are not applied." if missing else "ok"


def _cache() -> str:
    try:
        cache.set("health", "ok", timeout=5)
        return "ok" if cache.get("health") == "ok" else "The cache forgets what it is told."
    except Exception:  # any backend, any way of being away
        return "The cache does not answer."


def _worker(seen: datetime | None) -> str:
    if seen is None:
        return "No worker has shown a sign of life yet."
    if timezone.now() - seen > LONGEST_SILENCE:
        return "No worker has shown a sign of life for more than three minutes."
    return "ok"
