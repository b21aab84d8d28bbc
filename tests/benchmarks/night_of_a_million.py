"""What a night costs at a million returns and thirty groups: packing, reading, computing, and a night of few changes.

``python -m tests.benchmarks.night_of_a_million`` on the database that ``tests.benchmarks.large_season`` fills.
Prints seconds, seconds of this process on the processor (all threads), its largest memory, and each part beside two
peers: PostgreSQL alone counting the same rows, and ADBC reading the same columns for nobody.
"""

from __future__ import annotations

import argparse
import resource
from collections.abc import Callable
from datetime import date, timedelta
from time import perf_counter, process_time
from typing import Any

from tests.benchmarks.large_season import build, use_large_database

CHANGED_SHARE = 0.01
#: Seconds of each piece of work, by its name.
TOOK: dict[str, float] = {}
BARE = "the same columns read by ADBC, bare"


def timed(name: str, work: Callable[[], Any]) -> Any:
    """Do the work and print how long it took and how much memory the process has needed so far."""
    started, used = perf_counter(), process_time()
    result = work()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    took, used = perf_counter() - started, process_time() - used
    print(f"{name:54} {took:7.1f} s   own processor {used:6.1f} s   peak {peak:5.2f} GiB", flush=True)
    TOOK[name] = took
    return result


def count_rows() -> int:
    """Let PostgreSQL alone go through the catches: the peer of everything else here."""
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute("SELECT count(low), sum(low) FROM surveys_catch")
        row = cursor.fetchone()
    return int(row[0])


def read_bare() -> int:
    """Read the columns that a night needs into Arrow tables by ADBC, and do nothing with them: the peer of a night."""
    import os

    import adbc_driver_postgresql.dbapi as adbc

    with adbc.connect(os.environ["DATABASE_URL"]) as line, line.cursor() as cursor:
        cursor.execute(
            "SELECT r.id, r.trap_id, t.site_id, r.region_id, r.habitat_id, r.night, r.exposure_h, r.trap_nights,"
            " r.rim_ratio, r.fresh, r.state, r.standing FROM surveys_return r JOIN surveys_trap t ON t.id = r.trap_id"
        )
        returns = cursor.fetch_arrow_table()
        cursor.execute("SELECT report_id, group_id, low, high FROM surveys_catch")
        return int(returns.num_rows + cursor.fetch_arrow_table().num_rows)


def night_of(season: Any, night: date) -> Any:
    """Compute every index of a season as a night does, under a job of its own."""
    from surveys.services.indices import compute_indices
    from surveys.services.jobs import claim_job, finish_job
    from surveys.services.night import ask_for_night

    asked, _ = ask_for_night(season=season, night=night)
    job = claim_job(job_id=asked.pk)
    if job is None:
        raise SystemExit(f"The night of {night} has been computed before. Choose another with --night.")
    run = compute_indices(job=job, season=season, night=night, parameters={}, progress=lambda done, total: None)
    finish_job(job=job, result={"run": run.pk})
    return run


def change_some(season: Any, night: date) -> int:
    """Let a hundredth of the returns be discounted, or stand again, and make their versions tell."""
    from django.db import connection

    from surveys.models import Return

    keep = int(1 / CHANGED_SHARE)
    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        cursor.execute(
            "UPDATE surveys_return SET version = version + 1, moved_at = now(),"
            " state = CASE state WHEN 'standing' THEN 'discounted' ELSE 'standing' END"
            " WHERE season_id = %s AND id %% %s = %s",
            [season.pk, keep, night.toordinal() % keep],
        )
        changed = int(cursor.rowcount)
        cursor.execute("SET session_replication_role = origin")
    print(f"{changed:,} of {Return.objects.filter(season=season).count():,} returns changed")
    return changed


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--returns", type=int, default=1_000_000)
    parser.add_argument("--gardens", type=int, default=40_000)
    parser.add_argument("--groups", type=int, default=30)
    parser.add_argument("--night", type=date.fromisoformat, default=date(2026, 11, 1))
    asked = parser.parse_args()
    use_large_database()
    season = build(asked.returns, asked.gardens, asked.groups)
    from surveys.queries.night import night_input
    from surveys.services.packing import pack_catches
    from surveys.services.screening import learn_what_is_usual

    print(f"{timed('PostgreSQL counts all catches', count_rows):,} catches")
    print(f"{timed(BARE, read_bare):,} rows")
    timed("packing what is not packed yet", lambda: pack_catches(season=season, still_ours=lambda: None))
    timed("reading the season", lambda: night_input(season))
    run = timed("whole night of indices, all groups, reading included", lambda: night_of(season, asked.night))
    print(run.timings, {name: run.counts[name] for name in ("returns", "in_indices")})
    timed("what is usual, reading included", lambda: learn_what_is_usual(season=season, generation=run.pk))
    pieces = list(TOOK)[list(TOOK).index(BARE) + 1 :]
    without_reading = sum(TOOK[name] for name in pieces if name != "reading the season")
    print(f"a whole night, with everything packed anew and what is usual learned: {without_reading:.0f} s, "
          f"{without_reading / TOOK[BARE]:.1f} times the bare read")  # fmt: skip
    change_some(season, asked.night)
    night = asked.night + timedelta(days=1)
    timed("packing what is not packed yet", lambda: pack_catches(season=season, still_ours=lambda: None))
    run = timed("night after 1 % changed, shared parts held", lambda: night_of(season, night))
    print(run.timings, "shared parts from", run.parameters["shared_parts_from_night"])


if __name__ == "__main__":
    main()
