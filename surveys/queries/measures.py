"""What the one who runs the service measures: how much waits, how old it is, how full the database is."""

from __future__ import annotations

from typing import Any

from django.db import connection

from surveys.vocabulary import JobKind, JobState

_ONE_ROW = """
SELECT
    (SELECT coalesce(extract(epoch FROM clock_timestamp() - min(created_at)), 0) FROM surveys_job
      WHERE state = 'queued' OR (state = 'running' AND lease_until < clock_timestamp())) AS oldest_waiting_job_seconds,
    extract(epoch FROM clock_timestamp() - night.finished_at) AS last_night_age_seconds,
    extract(epoch FROM night.finished_at - night.started_at) AS last_night_duration_seconds,
    (SELECT extract(epoch FROM clock_timestamp() - max(finished_at)) FROM surveys_job
      WHERE kind = 'canary' AND state = 'done') AS worker_silent_seconds,
    (SELECT count(*) FROM surveys_return WHERE state = 'received') AS returns_to_screen,
    (SELECT count(*) FROM surveys_return WHERE state = 'queried') AS returns_held,
    (SELECT count(*) FROM surveys_letter WHERE sent_at IS NULL AND dropped_at IS NULL
      AND due_at < clock_timestamp() - interval '10 minutes') AS letters_overdue,
    (SELECT coalesce(max(id), 0) FROM surveys_event) AS log_events,
    (SELECT extract(epoch FROM clock_timestamp() - at) FROM surveys_event ORDER BY id DESC LIMIT 1) AS log_lag_seconds,
    pg_database_size(current_database()) AS database_bytes,
    current_setting('max_connections')::int AS connections_most
FROM (SELECT 1) AS one
LEFT JOIN (
    SELECT started_at, finished_at FROM surveys_job
    WHERE kind = 'night' AND state = 'done' ORDER BY finished_at DESC LIMIT 1
) AS night ON true
"""


def measures() -> dict[str, Any]:
    """Return each measure: a number (None where there is nothing yet), or numbers by label. Four queries."""
    with connection.cursor() as cursor:
        cursor.execute(_ONE_ROW)
        assert cursor.description is not None
        row = cursor.fetchone()
        assert row is not None
        names = [column.name for column in cursor.description]
        found: dict[str, Any] = {
            name: None if value is None else float(value) for name, value in zip(names, row, strict=True)
        }
        # Every kind and state is told, so that a measure does not come and go.
        found["jobs"] = {(kind.value, state.value): 0.0 for kind in JobKind for state in JobState}
        cursor.execute("SELECT kind, state, count(*) FROM surveys_job GROUP BY kind, state")
        found["jobs"] |= {(kind, state): float(number) for kind, state, number in cursor.fetchall()}
        cursor.execute(
            "SELECT slot_name, active, pg_wal_lsn_diff(pg_current_wal_lsn(), restart_lsn)"
            " FROM pg_replication_slots WHERE slot_type = 'physical'"
        )
        slots = cursor.fetchall()
        found["archive_running"] = {(name,): float(active) for name, active, _ in slots}
        found["archive_lag_bytes"] = {(name,): float(lag) for name, _, lag in slots if lag is not None}
        cursor.execute(
            "SELECT coalesce(state, 'other'), count(*) FROM pg_stat_activity"
            " WHERE datname = current_database() GROUP BY 1"
        )
        found["connections"] = {(state,): float(number) for state, number in cursor.fetchall()}
    return found
