"""What a return costs as the database grows: room, taking in, screening, packing, the night, and pages of lists.

``python -m tests.benchmarks.slopes`` fills a database for each size (``--sizes``; each is dropped again unless
``--keep``) and prints one row for each. Every size is measured by a process of its own, so that its largest memory is
its own. What is *a return* is divided by the number of returns and should stay level; a *page* is a time as it is.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
from datetime import date
from statistics import median
from time import perf_counter
from typing import Any

from tests.benchmarks import large_season

SIZES = (10_000, 100_000, 1_000_000, 3_000_000)
NIGHT = date(2026, 11, 1)
#: A garden sends about so many returns in a season.
RETURNS_OF_A_GARDEN = 25
#: Tables that grow with returns.
GROWING = ("surveys_return", "surveys_catch", "surveys_knownfinding", "surveys_keptanswer", "surveys_event")


def name_of(size: int, groups: int) -> str:
    """Return the name of the database of one size."""
    return f"trapnight_slope_{size}_{groups}"


def measure(size: int, groups: int) -> dict[str, float]:
    """Fill a database where that was not done yet; return each figure by its name."""
    large_season.NAME = name_of(size, groups)
    os.environ.setdefault("API_REQUESTS_PER_MINUTE", "1000000000")
    from project import embedded

    embedded.provide_services(broker=True)
    large_season.use_large_database()
    begun = perf_counter()
    season = large_season.build(size, max(size // RETURNS_OF_A_GARDEN, 40), groups)
    found: dict[str, float] = {"filling s": perf_counter() - begun}
    from django.test.utils import setup_test_environment

    setup_test_environment()
    found |= {"room, bytes a return": room(size)}
    found |= taking_in(season)
    found |= night(season, size)
    found |= pages(season)
    found["peak MiB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**10
    found["load"] = os.getloadavg()[0]
    return found


def asked_of(statement: str, *values: Any) -> Any:
    """Return the one value that a statement answers."""
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute(statement, values)
        return cursor.fetchone()[0]


def room(size: int) -> float:
    """Return the bytes of tables and their indexes for each return."""
    with_parts = (
        "SELECT pg_total_relation_size(%s) + coalesce(sum(pg_total_relation_size(relid)), 0)"
        " FROM pg_partition_tree(%s) WHERE isleaf"
    )
    return sum(int(asked_of(with_parts, table, table)) for table in GROWING) / size


def timed(work: Any) -> float:
    """Return the seconds of some work."""
    begun = perf_counter()
    work()
    return perf_counter() - begun


def taking_in(season: Any) -> dict[str, float]:
    """Send returns of one household, singly and many at once, and screen them; milliseconds for each return."""
    from surveys.models import Account, Household, Trap
    from surveys.services.screening import screen_received
    from tests.benchmarks.ingest import Sender
    from tests.factories import make_account

    asked_of("SELECT setval(pg_get_serial_sequence('surveys_return', 'id'), (SELECT max(id) FROM surveys_return))")
    keeper: Account = make_account()
    homes = list(Household.objects.order_by("pk")[:10])
    Household.objects.filter(pk__in=[home.pk for home in homes]).update(keeper=keeper)
    traps = list(Trap.objects.filter(site__household__in=homes).order_by("pk"))
    codes = tuple(season.seasongroup_set.order_by("position").values_list("group__code", flat=True))
    sender = Sender(keeper=keeper, traps=traps, groups=codes)
    sender.ours(sender.bodies(1)[0])
    singly = sender.bodies(100)
    found = {"single ms": 10 * timed(lambda: [sender.ours(body) for body in singly])}
    sendings = [{"returns": sender.bodies(500)} for _ in range(3)]
    found["of 500 ms"] = median(timed(lambda s=s: sender.ours(s, "/api/v1/returns/batch")) for s in sendings) * 2  # type: ignore[misc]
    screen_received(most=1)  # what is read once
    found["screening ms"] = timed(lambda: screen_received(most=500)) * 2
    return found


def night(season: Any, size: int) -> dict[str, float]:
    """Pack, and compute all indices of a night; microseconds for each return."""
    from surveys.services.packing import pack_catches
    from surveys.services.usual import learn_what_is_usual
    from tests.benchmarks.night_of_a_million import night_of

    each = 1e6 / size
    return {
        "packing µs": each * timed(lambda: pack_catches(season=season, still_ours=lambda: None)),
        "usual µs": each * timed(lambda: learn_what_is_usual(season=season, generation=1)),
        "indices µs": each * timed(lambda: night_of(season, NIGHT)),
    }


def pages(season: Any) -> dict[str, float]:
    """Ask for the first page of the longest lists: one's own returns, the queue, live data; milliseconds."""
    from surveys.models import Account, Household
    from tests.factories import ApiClient, make_coordinator, make_researcher

    own = ApiClient(Account.objects.get(pk=Household.objects.order_by("pk").values_list("keeper", flat=True)[0]))
    desk, reader = ApiClient(make_coordinator()), ApiClient(make_researcher())
    asked = {
        "own page ms": (own, "/api/v1/returns"),
        "queue page ms": (desk, "/api/v1/queue"),
        "data page ms": (reader, f"/api/v1/data/returns?season={season.code}"),
    }
    found = {}
    for name, (client, address) in asked.items():
        answer = client.get(address)
        assert answer.status_code == 200, (address, answer.status_code, answer.content[:300])
        found[name] = 1000 * median(timed(lambda c=client, a=address: c.get(a)) for _ in range(15))  # type: ignore[misc]
    return found


def main() -> None:
    """Measure each size, print its row, and last how much the largest costs beside the smallest."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="*", default=SIZES)
    parser.add_argument("--groups", type=int, default=8)
    parser.add_argument("--keep", action="store_true", help="leave the databases for the next time")
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        print(json.dumps(measure(asked.one, asked.groups)))
        return
    rows: dict[int, dict[str, float]] = {}
    for size in asked.sizes:
        program = [sys.executable, "-m", "tests.benchmarks.slopes", "--one", str(size), "--groups", str(asked.groups)]
        done = subprocess.run(program, stdout=subprocess.PIPE, text=True, check=True)
        rows[size] = json.loads(done.stdout.strip().rsplit("\n", 1)[-1])
        print(f"{size:>9,}", "  ".join(f"{name} {value:,.2f}" for name, value in rows[size].items()), flush=True)
        if not asked.keep:
            drop(name_of(size, asked.groups))
    first, last = rows[asked.sizes[0]], rows[asked.sizes[-1]]
    print(
        "largest beside smallest:", "  ".join(f"{name} {last[name] / first[name]:.2f}" for name in first if first[name])
    )


def drop(name: str) -> None:
    """Drop a database that has been measured."""
    import psycopg

    from project import embedded

    embedded.provide_services(broker=False)
    with psycopg.connect(os.environ["DATABASE_URL"], autocommit=True) as server:
        server.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")


if __name__ == "__main__":
    main()
