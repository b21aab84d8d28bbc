"""Live data at a million returns: how long a page takes, how many queries, and whether page 10,000 is slower.

``python -m tests.benchmarks.live_pages`` fills a database of its own by SQL (some minutes), then reads pages through
the API as a researcher. Prints median, 95th percentile and queries of each kind of page, beside a bare view with one
SELECT (the peer in the same run, behind the same middleware); with ``--exports`` what an export of the whole season
takes beside PostgreSQL's COPY of the same statement into nothing. Pages near the beginning and deep
inside are asked for in turn, each another one, so that load from elsewhere is shared by both.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from itertools import islice
from statistics import median, quantiles
from time import perf_counter
from typing import Any
from urllib.parse import urlencode

from tests.benchmarks import large_season

NAME = "trapnight_live"
CODE = "merrow-live"
PAGE = 50
#: Statements that fill an empty season: gardens with an account each, four traps, returns, answers, findings.
FILL = (
    """INSERT INTO surveys_account (id, email, password, adult_confirmed_at, created_at, is_active, language, ledger_id,
                                    morning_letter)
       SELECT n, n || '@live.example', '!', now(), now(), true, 'en', md5('a' || n)::uuid, false
       FROM generate_series(1, %(gardens)s) n""",
    """INSERT INTO surveys_consent (account_id, version, licence, given_at)
       SELECT n, '1', %(licence)s, now() FROM generate_series(1, %(gardens)s) n WHERE n %% 20 <> 0""",
    """INSERT INTO surveys_household (id, public_id, keeper_id, kind, alias, created_at)
       SELECT n, md5('h' || n)::uuid, n, CASE WHEN n %% 15 = 0 THEN 'school' ELSE 'household' END, 'live ' || n, now()
       FROM generate_series(1, %(gardens)s) n""",
    """INSERT INTO surveys_site (id, public_id, household_id, number, region_id, cell_code, cell_latitude,
                                 cell_longitude, cell_uncertainty_m, created_at)
       SELECT n, md5('s' || n)::uuid, n, 1, (%(regions)s::bigint[])[1 + n %% %(n_regions)s],
              'L' || (n / %(n_regions)s) %% 61, 51.5, -18, 707, now() FROM generate_series(1, %(gardens)s) n""",
    """INSERT INTO surveys_trap (id, public_id, site_id, number, habitat_id, code, plan_square, created_at)
       SELECT n, md5('t' || n)::uuid, (n - 1) / 4 + 1, (n - 1) %% 4 + 1,
              (%(habitats)s::bigint[])[1 + n %% %(n_habitats)s], lpad(to_hex(n), 8, '0'), '', now()
       FROM generate_series(1, 4 * %(gardens)s) n""",
    """INSERT INTO surveys_knownfinding (check_id, outcome, marks, sentence)
       SELECT told, 'note', '{}', 'Invented.' FROM unnest(ARRAY['rain', 'looks', 'cover']) told""",
    """INSERT INTO surveys_return (id, uuid, season_id, trap_id, sender_id, received_at, fingerprint, set_at, emptied_at,
           night, habitat_id, traps_pooled, mouth_mm, material, rim, trap_state, looked_for_all, note, state, version,
           moved_at, standing, exposure_h, whole_nights, trap_nights, rim_ratio, fresh, probability, damage, rank,
           urgent, certain, screened_with, region_id, known_findings)
       SELECT n, md5('r' || n)::uuid, %(season)s, t.id, t.site_id, now(), 'live', d + interval '17 hours', d + interval '41 hours',
              d, t.habitat_id, 1, 75, 'plastic', 'flush', 'intact', 'yes', '',
              CASE WHEN n %% 100 = 7 THEN 'corrected' WHEN n %% 20 = 3 THEN 'queried' WHEN n %% 25 = 4 THEN 'upheld'
                   ELSE 'standing' END,
              2, now(), CASE WHEN n %% 30 = 1 THEN 'off_protocol' WHEN n %% 4 = 2 THEN 'adjusted' ELSE 'to_protocol' END,
              24, 1, CASE WHEN n %% 40 <> 5 THEN 1 END, 1, n %% 2 = 0, 0, 0, 0, false, false, 1, s.region_id,
              ARRAY(SELECT k.id FROM surveys_knownfinding k
                    WHERE k.sentence = 'Invented.' AND (n %% 3 <> 1 OR n %% 30 = 1)
                    AND k.check_id = CASE n %% 3 WHEN 0 THEN 'rain' WHEN 1 THEN 'looks' ELSE 'cover' END)
       FROM generate_series(1, %(returns)s) n
       CROSS JOIN LATERAL (SELECT (%(opens)s::date + (n::bigint * 7919 %% 200)::int) AS d) days
       JOIN surveys_trap t ON t.id = 1 + (n::bigint * 104729) %% (4 * %(gardens)s)
       JOIN surveys_site s ON s.id = t.site_id""",
    """INSERT INTO surveys_catch (report_id, group_id, answer, low, high)
       SELECT n, g, CASE WHEN (n * 31 + g * 17) %% 5 < 3 THEN 'none_seen' ELSE 'number' END,
              CASE WHEN (n * 31 + g * 17) %% 5 < 3 THEN 0 ELSE 1 + (n * 7 + g) %% 19 END,
              CASE WHEN (n * 31 + g * 17) %% 5 < 3 THEN 0 ELSE 1 + (n * 7 + g) %% 19 END
       FROM generate_series(1, %(returns)s) n CROSS JOIN unnest(%(groups)s::bigint[]) g""",
    """INSERT INTO surveys_verdict (id, report_id, decision, reason, note, decided_at, report_version)
       SELECT id, id, 'corrected', 'count_slip', '', now(), 1 FROM surveys_return
       WHERE season_id = %(season)s AND state = 'corrected'""",
    """INSERT INTO surveys_correction (verdict_id, report_id, group_id, answer, low, high, "column", made_at)
       SELECT id, id, (%(groups)s::bigint[])[1], 'number', 2, 2, '', now() FROM surveys_return
       WHERE season_id = %(season)s AND state = 'corrected'""",
)


def build(returns: int, gardens: int, groups: int) -> Any:
    """Fill the database with a season of invented returns, once."""
    from django.core.management import call_command
    from django.db import connection

    from project.demonstration.world import read
    from surveys.models import Season
    from surveys.services.seasons import install_reference, install_season

    call_command("migrate", verbosity=0)
    found = Season.objects.filter(code=CODE).first()
    if found is not None and found.returns.count() == returns:
        return found
    if found is not None:
        raise SystemExit(f"{NAME} holds {found.returns.count():,} returns. Ask for it --afresh.")
    listed, habitats = read("reference/groups.json"), read("reference/habitats.json")
    plan = read("demo/season.json")
    plan["code"], plan["groups"] = CODE, [group["code"] for group in listed][:groups]
    install_reference(by=None, groups=listed, habitats=habitats, protocol=read("reference/protocol-1.json"))
    season = install_season(by=None, plan=plan, boundaries=read("demo/merrow.geojson"))
    regions = list(season.regions.order_by("position").values_list("pk", flat=True))
    grounds = list(season.seasonhabitat_set.values_list("habitat_id", flat=True))
    parameters = {
        "season": season.pk, "licence": season.licence, "opens": season.opens_on, "returns": returns,
        "gardens": gardens, "regions": regions, "n_regions": len(regions), "habitats": grounds,
        "n_habitats": len(grounds), "groups": list(season.seasongroup_set.values_list("group_id", flat=True)),
    }  # fmt: skip
    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        cursor.execute("SET synchronous_commit = off")
        for statement in FILL:
            begun = perf_counter()
            cursor.execute(statement, parameters)
            print(
                f"    {statement.split()[2]:24} {cursor.rowcount:>12,} rows {perf_counter() - begun:7.1f} s", flush=True
            )
        cursor.execute("SET session_replication_role = origin")
        for table in ("account", "household", "site", "trap", "return", "verdict"):
            cursor.execute(f"SELECT setval('surveys_{table}_id_seq', (SELECT max(id) FROM surveys_{table}))")
        cursor.execute("VACUUM ANALYZE")
    return season


def researcher() -> Any:
    """Return a client of the API with a new researcher's token."""
    from uuid import uuid4

    from surveys.services.people import appoint
    from surveys.vocabulary import Role
    from tests.factories import ApiClient, make_account

    account = make_account(email=f"{uuid4()}@merrow.example")
    appoint(by=None, account=account, role=Role.RESEARCHER)
    return ApiClient(account)


def pages(client: Any, address: str) -> Iterator[tuple[float, Any]]:
    """Yield how many milliseconds each page of a walk took, and the page."""
    following: str | None = address
    while following:
        begun = perf_counter()
        answer = client.get(following)
        took = 1000 * (perf_counter() - begun)
        assert answer.status_code == 200, answer.content[:300]
        page = answer.json()
        yield took, page
        following = page["next"]


def told(name: str, took: list[float], beside: str = "") -> float:
    """Print median and 95th percentile, and return the median."""
    print(f"{name:44} median {median(took):8.1f} ms   p95 {quantiles(took, n=20)[-1]:8.1f} ms   {beside}", flush=True)
    return median(took)


def queries_of(client: Any, address: str) -> int:
    """Count the queries of one request."""
    from django.db import connection

    asked: list[str] = []

    def count(execute: Any, sql: str, *rest: Any) -> Any:
        asked.append(sql)
        return execute(sql, *rest)

    with connection.execute_wrapper(count):
        client.get(address)
    return len(asked)


def address_of(**asked: Any) -> str:
    """Return the address of a first page."""
    return f"/api/v1/data/returns?{urlencode({'season': CODE, 'limit': PAGE, **asked})}"


def deep_address(client: Any, page: int) -> str:
    """Walk in steps of ten pages, and return the address of a page of 50."""
    walk = pages(client, address_of(limit=10 * PAGE))
    for number, (_, answer) in enumerate(walk, start=1):
        if number * 10 >= page - 1:
            return str(answer["next"]).replace(f"limit={10 * PAGE}", f"limit={PAGE}")
    raise SystemExit("The season is shorter than that.")


def time_export(season: Any, table: str) -> None:
    """Write an export of a whole table and print what it took."""
    from pathlib import Path
    from tempfile import TemporaryDirectory

    from surveys.queries.live_filters import LiveFilter
    from surveys.services.export_files import write_table_file
    from surveys.vocabulary import ExportTable, FileKind

    for kind in FileKind:
        with TemporaryDirectory() as folder:
            begun = perf_counter()
            written = write_table_file(
                season=season, wanted=LiveFilter(), table=ExportTable(table), kind=kind, folder=Path(folder),
                tell=lambda done, total: None,
            )  # fmt: skip
            took = perf_counter() - begun
        bare = copied_into_nothing(season, ExportTable(table))
        print(
            f"export of {table}, {kind.label}: {written.rows:,} rows, {written.size_bytes / 2**20:.0f} MiB, {took:.1f} s;"
            f" COPY of the same into nothing {bare:.1f} s, ratio of the rates {bare / took:.2f}",
            flush=True,
        )


def copied_into_nothing(season: Any, table: Any) -> float:
    """Return the seconds that PostgreSQL's COPY of the statement of an export takes, read and thrown away."""
    from surveys.queries.live_data import export_statement, parameters_of, read_places
    from surveys.queries.live_filters import LiveFilter
    from surveys.services.export_files import _one_moment

    with _one_moment() as cursor:
        parameters = parameters_of(season, LiveFilter(), read_places(season, cursor))
        begun = perf_counter()
        with cursor.copy(f"COPY ({export_statement(table, LiveFilter())}) TO STDOUT (FORMAT csv)", parameters) as copy:
            for _ in copy:
                pass
        return perf_counter() - begun


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--returns", type=int, default=1_000_000)
    parser.add_argument("--gardens", type=int, default=20_000)
    parser.add_argument("--groups", type=int, default=6)
    parser.add_argument("--times", type=int, default=60)
    parser.add_argument("--deep", type=int, default=10_000)
    parser.add_argument("--exports", action="store_true")
    parser.add_argument("--afresh", action="store_true")
    asked = parser.parse_args()
    large_season.NAME = NAME
    large_season.use_large_database(afresh=asked.afresh)
    from django.conf import settings

    settings.ALLOWED_HOSTS, settings.SECURE_SSL_REDIRECT = ["testserver"], False
    settings.API_REQUESTS_PER_MINUTE = 10**9
    season = build(asked.returns, asked.gardens, asked.groups)
    from surveys.queries import live_data

    client = researcher()
    begun = perf_counter()
    places = live_data._live_places.__wrapped__(season, 0)
    print(f"places, once a minute: {len(places.regions)} regions, {1000 * (perf_counter() - begun):.0f} ms")
    live_data.time_now = lambda: 0.0  # from here on they are known
    live_data.live_places(season)
    settings.ROOT_URLCONF = "tests.benchmarks.bare_urls"
    peer = told("peer: a bare view, 50 returns", [time_of(client, "/bare-page") for _ in range(asked.times)])
    deep = pages(client, deep_address(client, asked.deep))
    first = pages(client, address_of())
    took: tuple[list[float], list[float]] = ([], [])
    for _ in range(asked.times):
        took[0].append(next(first)[0])
        took[1].append(next(deep)[0])
    top = told(f"pages from 1, {PAGE} returns", took[0], f"{queries_of(client, address_of())} queries")
    late = told(f"pages from {asked.deep:,}", took[1])
    print(f"    page {asked.deep:,} takes {late / top:.2f} times page 1; page 1 takes {top / peer:.1f} times the peer")
    for filters in (
        {"region": "cawder"},
        {"night_from": "2026-05-02", "night_to": "2026-05-02"},
        {"finding": "cover"},
        {"finding": "mouth_width"},  # which there is none of
    ):
        walk = islice(pages(client, address_of(**filters)), asked.times // 3)
        told(f"pages of {filters}", [took for took, _ in walk])
    if asked.exports:
        for table in ("returns", "counts"):
            time_export(season, table)


def time_of(client: Any, address: str) -> float:
    """Return how many milliseconds a request takes."""
    begun = perf_counter()
    client.get(address)
    return 1000 * (perf_counter() - begun)


if __name__ == "__main__":
    main()
