"""Freezing the tables of a release: every row as of one instant, straight from PostgreSQL into CSV files.

Everything is read in one snapshot of the database. Which gardens enter and which cell they show is decided once, from
all seasons of the release together, and every table is written from that decision.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from django.db import connection, transaction

from surveys.methods.disclosure_rows import Place
from surveys.models import Season
from surveys.queries.release_places import Places, release_parameters, release_places, release_seasons
from surveys.queries.released_columns import (
    AGREED,
    JOINS_OF_A_RETURN,
    JOINS_OF_ALL_COUNTS,
    LEFT_OUT,
    select_list,
)
from surveys.release_files.reading import csv_path
from surveys.release_files.tables import (
    COUNTS,
    EXCLUSIONS,
    FINDINGS,
    GROUPS,
    HABITATS,
    REGIONS,
    RETURNS,
    SEASONS,
    WINDOWS,
    Table,
)

#: Memory of one sort or join on the server: a million returns in a few rounds.
WORK_MEM = "64MB"
BUFFER_BYTES = 2**20

#: Returns that enter, with the place that each may show.
_ENTERING = f"""
FROM surveys_return r {JOINS_OF_A_RETURN}
JOIN released_place place ON place.site_id = s.id
WHERE r.season_id = ANY(%(seasons)s) AND r.state = ANY(%(states)s) AND {AGREED}
"""

_FIRST_RETURN = f"""CASE WHEN r.sender_id IS NOT NULL AND r.id = min(r.id) FILTER (WHERE ({LEFT_OUT}) IS NULL)
    OVER (PARTITION BY r.season_id, r.sender_id) THEN 'true' ELSE 'false' END"""

_STATEMENTS: dict[Table, str] = {
    SEASONS: """
        SELECT z.code AS season, z.title, z.organiser, o.version AS protocol, to_char(z.opens_on, 'YYYY-MM-DD')
            AS opens_on, to_char(z.closes_on, 'YYYY-MM-DD') AS closes_on, z.time_zone, z.licence,
            CASE WHEN z.invented THEN 'true' ELSE 'false' END AS invented
        FROM surveys_season z JOIN surveys_protocol o ON o.id = z.protocol_id
        WHERE z.id = ANY(%(seasons)s) ORDER BY z.code COLLATE "C"
    """,
    REGIONS: """
        SELECT z.code AS season, row_number() OVER (PARTITION BY z.id ORDER BY p.position, p.code) AS position,
            p.code AS region, p.name
        FROM surveys_season_regions a JOIN surveys_season z ON z.id = a.season_id
        JOIN surveys_region p ON p.id = a.region_id
        WHERE z.id = ANY(%(seasons)s) ORDER BY z.code COLLATE "C", 2
    """,
    GROUPS: """
        SELECT z.code AS season, row_number() OVER (PARTITION BY z.id ORDER BY a.position) AS position,
            g.code AS "group", g.name, g.latin AS scientific_name, g.taxon_rank
        FROM surveys_seasongroup a JOIN surveys_season z ON z.id = a.season_id JOIN surveys_group g ON g.id = a.group_id
        WHERE z.id = ANY(%(seasons)s) ORDER BY z.code COLLATE "C", 2
    """,
    HABITATS: """
        SELECT z.code AS season, row_number() OVER (PARTITION BY z.id ORDER BY b.position, b.code) AS position,
            b.code AS habitat, b.label, a.weight
        FROM surveys_seasonhabitat a JOIN surveys_season z ON z.id = a.season_id
        JOIN surveys_habitat b ON b.id = a.habitat_id
        WHERE z.id = ANY(%(seasons)s) ORDER BY z.code COLLATE "C", 2
    """,
    WINDOWS: """
        SELECT z.code AS season, row_number() OVER (PARTITION BY z.id ORDER BY w.first_day, w.code) AS position,
            w.code AS "window", w.name, to_char(w.first_day, 'YYYY-MM-DD') AS first_day,
            to_char(w.last_day, 'YYYY-MM-DD') AS last_day
        FROM surveys_window w JOIN surveys_season z ON z.id = w.season_id
        WHERE z.id = ANY(%(seasons)s) ORDER BY z.code COLLATE "C", 2
    """,
    RETURNS: f"SELECT {select_list(RETURNS, {'first_return': _FIRST_RETURN})} {_ENTERING} ORDER BY r.uuid",
    COUNTS: f"""
        SELECT {select_list(COUNTS)}
        FROM surveys_return r
        JOIN surveys_trap t ON t.id = r.trap_id JOIN surveys_site s ON s.id = t.site_id
        JOIN surveys_household h ON h.id = s.household_id JOIN surveys_season z ON z.id = r.season_id
        JOIN released_place place ON place.site_id = s.id
        JOIN surveys_catch c ON c.report_id = r.id {JOINS_OF_ALL_COUNTS}
        WHERE r.season_id = ANY(%(seasons)s) AND r.state = ANY(%(states)s) AND {AGREED}
        ORDER BY r.uuid, g.code COLLATE "C"
    """,  # noqa: S608
    FINDINGS: f"""
        SELECT r.uuid::text AS return_id, f.check_id AS "check",
            (array_agg(f.outcome ORDER BY array_position(%(weightiest)s, f.outcome)))[1] AS outcome
        FROM surveys_return r
        JOIN surveys_trap t ON t.id = r.trap_id JOIN surveys_site s ON s.id = t.site_id
        JOIN surveys_household h ON h.id = s.household_id JOIN surveys_season z ON z.id = r.season_id
        JOIN released_place place ON place.site_id = s.id
        JOIN surveys_found f ON f.report_id = r.id
        WHERE r.season_id = ANY(%(seasons)s) AND r.state = ANY(%(states)s) AND {AGREED}
        GROUP BY r.uuid, f.check_id ORDER BY r.uuid, f.check_id COLLATE "C"
    """,  # noqa: S608
    EXCLUSIONS: f"""
        SELECT season, reason, CASE WHEN sites >= %(fewest)s THEN returns END AS returns FROM (
            SELECT z.code AS season, CASE r.state
                    WHEN 'received' THEN 'not_screened' WHEN 'queried' THEN 'queried'
                    WHEN 'discounted' THEN 'discounted' WHEN 'withdrawn' THEN 'withdrawn'
                    ELSE CASE WHEN NOT {AGREED} THEN 'not_agreed' ELSE k.reason END
                END AS reason, count(*) AS returns, count(DISTINCT s.id) AS sites
            FROM surveys_return r
            JOIN surveys_trap t ON t.id = r.trap_id JOIN surveys_site s ON s.id = t.site_id
            JOIN surveys_household h ON h.id = s.household_id JOIN surveys_season z ON z.id = r.season_id
            LEFT JOIN released_place place ON place.site_id = s.id
            LEFT JOIN kept_back k ON k.site_id = s.id
            WHERE r.season_id = ANY(%(seasons)s)
                AND NOT (r.state = ANY(%(states)s) AND {AGREED} AND place.site_id IS NOT NULL)
            GROUP BY 1, 2
        ) found ORDER BY season COLLATE "C", reason COLLATE "C"
    """,  # noqa: S608
}


@dataclass(frozen=True, slots=True)
class Frozen:
    """What was frozen: the instant, the last event, how many rows each table has, and the gardens that are shown."""

    at: datetime
    event: int
    seasons: tuple[Season, ...]
    rows: Mapping[str, int]
    sites: Mapping[str, Place]


def freeze_tables(*, season: Season, folder: Path, still_ours: Callable[[], None]) -> Frozen:
    """Write the frozen tables of a release into a folder, as of one instant. Returns what was frozen.

    ``still_ours`` is called between tables; it may raise to stop.
    """
    with transaction.atomic(durable=True):
        at, event = _begin()
        seasons = release_seasons(season)
        parameters = release_parameters(seasons)
        places = _settle_sites(parameters)
        rows = {}
        for table, statement in _STATEMENTS.items():
            still_ours()
            rows[table.name] = _write(csv_path(folder, table), statement, parameters)
    return Frozen(at, event, seasons, rows, places.shown)


def _begin() -> tuple[datetime, int]:
    with connection.cursor() as cursor:
        cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        cursor.execute(f"SET LOCAL work_mem = '{WORK_MEM}'")
        cursor.execute("SELECT date_trunc('second', now()), (SELECT coalesce(max(id), 0) FROM surveys_event)")
        at, event = cursor.fetchone() or (None, 0)
    assert at is not None
    return at, int(event)


def _settle_sites(parameters: Mapping[str, Any]) -> Places:
    """Write down for this transaction which gardens enter, with which cell, and which are kept back, and why."""
    places = release_places(parameters)
    with connection.cursor() as cursor:
        cursor.execute("CREATE TEMP TABLE released_place (site_id bigint PRIMARY KEY, cell text) ON COMMIT DROP")
        cursor.execute("CREATE TEMP TABLE kept_back (site_id bigint PRIMARY KEY, reason text) ON COMMIT DROP")
        with cursor.copy("COPY released_place FROM STDIN") as rows:
            for site, place in places.shown.items():
                rows.write_row((places.numbers[site], place.cell))
        with cursor.copy("COPY kept_back FROM STDIN") as rows:
            for site, place in places.of_site.items():
                if place.reason is not None:
                    rows.write_row((places.numbers[site], place.reason.value))
        cursor.execute("ANALYZE released_place")
    return places


def _write(path: Path, statement: str, parameters: Mapping[str, Any]) -> int:
    """Write the rows of a statement as CSV (RFC 4180, UTF-8, LF, header). Returns how many there are. One query."""
    command = f"COPY ({statement}) TO STDOUT (FORMAT csv, HEADER true)"
    with connection.cursor() as cursor:
        with cursor.copy(command, parameters) as copy, path.open("wb", buffering=BUFFER_BYTES) as file:
            file.writelines(copy)
        return int(cursor.rowcount)
