"""What a night costs at a million returns and thirty groups: the first of all, and one after an ordinary day.

``python -m tests.benchmarks.night_of_a_million`` on the database that ``tests.benchmarks.large_season`` fills. A night
is all its steps by one worker. In an ordinary day a hundredth of the returns arrive and all that waits is decided.
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


def whole_night(season: Any, night: date) -> Any:
    """Run a night with all its steps in this process, and print how long each took."""
    from surveys.models import Run
    from surveys.services.night import ask_for_night, run_night

    asked, new = ask_for_night(season=season, night=night)
    if not new:
        raise SystemExit(f"The night of {night} has been computed before. Choose another with --night.")
    started, ended = perf_counter(), {0: 0.0}

    def note(step: int, _: int) -> None:
        ended.setdefault(step, perf_counter() - started)

    run = run_night(job_id=asked.pk, progress=note)
    assert isinstance(run, Run)
    print(
        f"    packing and what is usual {ended[1]:.1f} s, screening again {ended[2] - ended[1]:.1f} s,"
        f" indices {perf_counter() - started - ended[2]:.1f} s: {run.timings}\n"
        f"    {run.parameters['usual']}, {run.parameters['screening']},"
        f" shared parts from {run.parameters['shared_parts_from_night']}",
        flush=True,
    )
    return run


def print_beside_reading(name: str, timed_as: str) -> None:
    """Print how many times the bare read some work took."""
    print(f"{name}: {TOOK[timed_as]:.0f} s, {TOOK[timed_as] / TOOK[BARE]:.1f} times the bare read", flush=True)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--returns", type=int, default=1_000_000)
    parser.add_argument("--gardens", type=int, default=40_000)
    parser.add_argument("--groups", type=int, default=30)
    parser.add_argument("--days", type=int, default=3, help="ordinary days and nights after the first")
    parser.add_argument("--whole", action="store_true", help="not in parts, as a small night is done")
    parser.add_argument("--night", type=date.fromisoformat, default=date(2026, 11, 1))
    asked = parser.parse_args()
    use_large_database()
    season = build(asked.returns, asked.gardens, asked.groups)
    from django.conf import settings

    from surveys.queries.night import night_input
    from surveys.services.screening import screen_received
    from tests.benchmarks.ordinary_day import arrive, decide

    settings.NIGHT_HELPERS = 0  # nobody is there to be woken
    if asked.whole:
        settings.NIGHT_PARTS_FROM = 10**15
    print(f"{timed('PostgreSQL counts all catches', count_rows):,} catches")
    print(f"{timed(BARE, read_bare):,} rows")
    timed("reading the season", lambda: night_input(season))
    first = "the first night, all that was not packed or screened"
    timed(first, lambda: whole_night(season, asked.night))
    print_beside_reading(first, first)
    for day in range(1, asked.days + 1):
        decided = decide(season)  # on the first day on all that a season's months brought
        # By the night, so that days which are measured another time bring other returns.
        came = arrive(season, asked.returns, (asked.night + timedelta(days=day)).toordinal())
        print(f"day {day}: {came:,} returns arrive, {decided:,} verdicts fall")
        took = timed("screening what arrives", lambda: sum(iter(lambda: screen_received(most=200), 0)))
        print(f"    {1000 * TOOK['screening what arrives'] / max(took, 1):.2f} ms a return")
        timed(BARE, read_bare)
        name = f"night {day} after that"
        timed(name, lambda n=day: whole_night(season, asked.night + timedelta(days=n)))  # type: ignore[misc]
        print_beside_reading(name, name)


if __name__ == "__main__":
    main()
