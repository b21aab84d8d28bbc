"""The queue and one record at a million returns: how long they take, how many queries, and whether page 1,000 is slower.

``python -m tests.benchmarks.queue_pages`` on the database that ``tests.benchmarks.large_season`` fills. One return in
twenty is held first. Prints the median, the 95th percentile and the queries of each page, for a coordinator of all
regions and of one, beside a bare page of the same service (the peer in the same run).
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from statistics import median, quantiles
from time import perf_counter
from typing import Any
from uuid import uuid4

from tests.benchmarks.large_season import build, use_large_database

HELD_SHARE = 0.05
REASONS = ("ten_times", "unusually_many", "look_alikes", "row_slip", "traps_pooled", "round_numbers")


def hold_some(season: Any) -> int:
    """Let one return in twenty wait, with a reason and evidence, by statements that no service would give."""
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        cursor.execute(
            """UPDATE surveys_return SET state = 'queried', version = 3, probability = 0.5,
                   rank = (id * 7919 %% 100003) / 1000003.0, urgent = id %% 4000 = 0, screened_with = 1,
                   reason = (%(reasons)s::text[])[1 + (id / %(every)s) %% %(kinds)s]
               WHERE season_id = %(season)s AND id %% %(every)s = 0 AND reason IS NULL""",
            {"reasons": list(REASONS), "kinds": len(REASONS), "every": int(1 / HELD_SHARE), "season": season.pk},
        )
        cursor.execute(
            """INSERT INTO surveys_query (report_id, kind, reason, position, probability, sentence, gentle_sentence,
                                          evidence, raised_at)
               SELECT id, 'statistical', reason, 0, 0.5, 'Woodlice: 40 sent, where such a trap catches up to 6.',
                      'Look at your woodlice again.',
                      '{"numbers": [{"group": "woodlice", "low": 40, "high": 40, "quantiles": {"0.9": 6, "0.999": 15}}],
                        "alternative": {"group": "woodlice", "count": 4}}', now()
               FROM surveys_return r WHERE season_id = %s AND state = 'queried' AND reason IS NOT NULL
                 AND NOT EXISTS (SELECT FROM surveys_query q WHERE q.report_id = r.id)""",
            [season.pk],
        )
        cursor.execute("SET session_replication_role = origin")
        cursor.execute("VACUUM ANALYZE surveys_return")
        cursor.execute("ANALYZE surveys_query")
        cursor.execute("SELECT count(*) FROM surveys_return WHERE state = 'queried'")
        return int(cursor.fetchone()[0])


def coordinator_of(region: Any) -> Any:
    """Return a browser in which a new coordinator of a region, or of all of them, is signed in."""
    from surveys.services.people import appoint
    from surveys.vocabulary import Role
    from tests.factories import client_of, make_account

    account = make_account(email=f"{uuid4()}@merrow.example")
    appoint(by=None, account=account, role=Role.COORDINATOR, region=region)
    return client_of(account)


def time_page(name: str, ask: Callable[[], Any], times: int) -> float:
    """Ask for a page so often; print median, 95th percentile and queries; return the percentile in milliseconds."""
    from django.db import connection

    asked: list[str] = []

    def count(execute: Any, sql: str, *rest: Any) -> Any:
        asked.append(sql)
        return execute(sql, *rest)

    answer = ask()
    assert answer.status_code == 200, (name, answer.status_code)
    with connection.execute_wrapper(count):
        ask()
    took = []
    for _ in range(times):
        begun = perf_counter()
        ask()
        took.append(1000 * (perf_counter() - begun))
    late = quantiles(took, n=20)[-1]
    print(f"{name:46} median {median(took):7.1f} ms   p95 {late:7.1f} ms   {len(asked)} queries", flush=True)
    return late


def page_address(client: Any, pages: int) -> str:
    """Walk down the queue and return the address of the page after so many."""
    address = "/queue/"
    for _ in range(pages):
        found = re.search(r'href="(\?after=[^"]+)"', client.get(address).content.decode())
        if found is None:
            raise SystemExit("The queue is shorter than that.")
        address = "/queue/" + found.group(1).replace("&amp;", "&")
    return address


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--returns", type=int, default=1_000_000)
    parser.add_argument("--gardens", type=int, default=20_000)
    parser.add_argument("--times", type=int, default=40)
    parser.add_argument("--deep", type=int, default=1000)
    asked = parser.parse_args()
    use_large_database()
    from django.conf import settings

    settings.ALLOWED_HOSTS, settings.SECURE_SSL_REDIRECT = ["testserver"], False
    from surveys.services.packing import pack_catches

    season = build(asked.returns, asked.gardens)
    pack_catches(season=season, still_ours=lambda: None)  # as the night does before anything else
    print(f"{hold_some(season):,} returns wait")
    from surveys.models import Return

    everywhere, in_one = coordinator_of(None), coordinator_of(season.regions.order_by("position")[0])
    peer = time_page("peer: the codebook, no list", lambda: everywhere.get("/codebook/"), asked.times)
    for whose, client in (("all regions", everywhere), ("one region", in_one)):
        top = time_page(f"queue, page 1, {whose}", lambda c=client: c.get("/queue/"), asked.times)
        print(f"    {top / peer:.1f} times the peer")
        time_page(f"queue, one reason, {whose}", lambda c=client: c.get("/queue/?reason=row_slip"), asked.times)
    deep = page_address(everywhere, asked.deep)
    late = time_page(f"queue, page {asked.deep}, all regions", lambda: everywhere.get(deep), asked.times)
    top = time_page("queue, page 1 again", lambda: everywhere.get("/queue/"), asked.times)
    print(f"    page {asked.deep} takes {late / top:.2f} times page 1")
    waiting = iter(Return.objects.filter(state="queried").order_by("-pressing", "id")[: 3 * asked.times + 9])
    time_page("record, each another one", lambda: everywhere.get(f"/queue/{next(waiting).uuid}/"), asked.times)
    beside = lambda: everywhere.get(f"/queue/{next(waiting).uuid}/beside?part")  # noqa: E731
    time_page("what is drawn beside it, each another one", beside, asked.times)


if __name__ == "__main__":
    main()
