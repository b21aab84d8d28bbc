"""Live data for researchers: usable returns as a release would tell them, as they stand at this moment.

A page is one statement and so of one moment: returns in the order of their ids, with their counts and findings. It is
entered through the index ``usable_returns_by_id``, and looks at so many returns at most: where a filter leaves few of
them, a page is short, and the next one goes on behind it.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from time import time as time_now
from typing import Any
from uuid import UUID

from django.db.backends.utils import CursorWrapper

from surveys.methods.disclosure import FEWEST_SITES
from surveys.models import Season
from surveys.queries.live_filters import LiveFilter
from surveys.queries.released_columns import (
    AGREED,
    JOINS_OF_A_COUNT,
    JOINS_OF_A_RETURN,
    LEFT_OUT,
    select_list,
)
from surveys.queries.replica import research_connection
from surveys.release_files.tables import COUNTS, RETURNS, Table
from surveys.vocabulary import USABLE_STATES, ExportTable

#: Returns that one page looks at, at most: a quarter of a second where a filter fits none of them, on a busy machine
#: with two cores. Own choice, from tests/benchmarks/live_pages.py.
MOST_LOOKED_AT = 5_000
TABLES: dict[ExportTable, Table] = {ExportTable.RETURNS: RETURNS, ExportTable.COUNTS: COUNTS}

#: Written out as in the condition of the index, or PostgreSQL does not see that it fits.
_USABLE = "r.season_id = %(season)s AND r.state IN ({})".format(
    ", ".join(f"'{state}'" for state in sorted(one.value for one in USABLE_STATES))
)
#: What may be told of the place of a site: its region where enough gardens are in it, and of its cell what a release
#: that is still published has told. Live data are read again and again: who reads them before and after a garden
#: joins would learn from a cell of their own which one it is. A withdrawn release may have told too much.
_PLACE = """
JOIN LATERAL (
    SELECT (
        SELECT told.cell_code FROM surveys_releasedsite told JOIN surveys_release e ON e.id = told.release_id
        WHERE told.public_id = s.public_id AND told.cell_code <> '' AND e.state = 'published' LIMIT 1
    ) AS cell
) place ON s.region_id = ANY(%(regions)s::bigint[])
"""
#: Inside, ``r`` and its neighbours are those of an earlier return of the same sender.
_FIRST_RETURN = f"""CASE WHEN r.sender_id IS NOT NULL AND ({LEFT_OUT}) IS NULL AND NOT EXISTS (
    SELECT FROM (SELECT r.id, r.sender_id) mine CROSS JOIN LATERAL (
        SELECT FROM surveys_return r
        JOIN surveys_trap t ON t.id = r.trap_id
        JOIN surveys_site s ON s.id = t.site_id
        JOIN surveys_household h ON h.id = s.household_id
        JOIN surveys_season z ON z.id = r.season_id
        LEFT JOIN surveys_window w ON w.season_id = r.season_id AND r.night BETWEEN w.first_day AND w.last_day
        {_PLACE}
        WHERE r.sender_id = mine.sender_id AND r.id < mine.id AND {_USABLE} AND {AGREED} AND ({LEFT_OUT}) IS NULL
    ) earlier
) THEN 'true' ELSE 'false' END"""  # noqa: S608
_COLUMNS = select_list(RETURNS, {"first_return": _FIRST_RETURN})
_COUNT_COLUMNS = ", ".join(f'n."{name}"' for name in COUNTS.names[1:])
_FINDINGS = """ARRAY(
    SELECT DISTINCT k.check_id COLLATE "C" FROM surveys_found k WHERE k.report_id = r.id ORDER BY 1
)"""

_SITES = f"""
SELECT s.id::text, s.region_id, s.cell_code, s.household_id FROM surveys_site s
JOIN surveys_household h ON h.id = s.household_id
JOIN surveys_season z ON z.id = %(season)s
WHERE {AGREED} AND EXISTS (
    SELECT FROM surveys_trap t JOIN surveys_return r ON r.trap_id = t.id WHERE t.site_id = s.id AND {_USABLE}
)
"""  # noqa: S608


@dataclass(frozen=True, slots=True)
class LivePlaces:
    """Which places of a season may be told of: regions with enough gardens."""

    regions: tuple[int, ...]

    @property
    def parameters(self) -> dict[str, Any]:
        """The parameters of every statement that tells of places."""
        return {"regions": list(self.regions)}


def live_places(season: Season) -> LivePlaces:
    """Return which places of a season may be told of now. One query over all its sites, at most once a minute."""
    return _live_places(season, int(time_now() // 60))


@lru_cache(maxsize=16)
def _live_places(season: Season, minute: int) -> LivePlaces:
    with research_connection().cursor() as cursor:
        return read_places(season, cursor)


def read_places(season: Season, cursor: CursorWrapper) -> LivePlaces:
    """Settle which places of a season may be told of: regions of five gardens or more. One query over all its sites."""
    cursor.execute(_SITES, {"season": season.pk})
    households: dict[int, set[int]] = {}
    for _, region, _, household in cursor.fetchall():
        households.setdefault(region, set()).add(household)
    return LivePlaces(tuple(sorted(region for region, those in households.items() if len(those) >= FEWEST_SITES)))


def live_page(
    season: Season, wanted: LiveFilter, after: UUID | None, limit: int
) -> tuple[list[dict[str, Any]], UUID | None]:
    """Return up to ``limit`` returns behind an id, and the id behind which the next page begins; None at the end.

    One query, whatever the filter; the places are read once a minute. A page may be short, even empty, before the end.
    """
    rows = _read_page(season, wanted, after, limit + 1)
    items = [item for _, key, *item in rows if key is not None]
    if len(items) > limit:
        return [_shown(one) for one in items[:limit]], rows[limit - 1][1]
    return [_shown(one) for one in items], _between(*rows[0][0]) if rows[0][0] else None


def _between(last: UUID, following: UUID) -> UUID:
    """Return a point behind an id that was looked at and before the next one.

    The id itself may be that of a return which is not shown.
    """
    return UUID(int=last.int + secrets.randbelow(following.int - last.int))


def _read_page(season: Season, wanted: LiveFilter, after: UUID | None, rows: int) -> list[tuple[Any, ...]]:
    parameters = {
        **parameters_of(season, wanted, live_places(season)),
        "after": after,
        "rows": rows,
        "looked_at": MOST_LOOKED_AT,
    }
    with research_connection().cursor() as cursor:
        cursor.execute(_page_statement(wanted, begins=after is None), parameters)
        return list(cursor.fetchall())


def _page_statement(wanted: LiveFilter, *, begins: bool) -> str:
    behind = f"{_USABLE} {'' if begins else 'AND r.uuid > %(after)s'} ORDER BY r.uuid"
    return f"""
        WITH page AS MATERIALIZED (
            SELECT r.uuid AS live_key, {_COLUMNS}, {_counts(wanted)} AS counts, {_FINDINGS} AS findings
            FROM (SELECT * FROM surveys_return r WHERE {behind} LIMIT %(looked_at)s) r
            {JOINS_OF_A_RETURN} {_PLACE}
            WHERE {AGREED} {wanted.conditions}
            ORDER BY r.uuid LIMIT %(rows)s
        )
        SELECT (
            SELECT CASE WHEN count(*) = 2 THEN array_agg(ends.uuid ORDER BY ends.uuid) END FROM (
                SELECT r.uuid FROM surveys_return r
                WHERE (SELECT count(*) FROM page) < %(rows)s AND {behind} OFFSET %(looked_at)s - 1 LIMIT 2
            ) ends
        ), page.* FROM (SELECT) once LEFT JOIN page ON true ORDER BY page.live_key
    """  # noqa: S608


def _counts(wanted: LiveFilter) -> str:
    """Return the counts of a return as one value: an array for each group, in the order of their codes."""
    return f"""(
        SELECT coalesce(json_agg(json_build_array({_COUNT_COLUMNS}) ORDER BY n."group" COLLATE "C"), '[]') FROM (
            SELECT {select_list(COUNTS)} FROM surveys_catch c {JOINS_OF_A_COUNT}
            WHERE c.report_id = r.id {wanted.of_a_catch}
        ) n
    )"""  # noqa: S608


def _shown(values: list[Any]) -> dict[str, Any]:
    *columns, counts, findings = values
    return {
        **_typed(RETURNS, RETURNS.names, columns),
        "counts": [_typed(COUNTS, COUNTS.names[1:], one) for one in counts],
        "findings": findings,
    }


def _typed(table: Table, names: tuple[str, ...], values: list[Any]) -> dict[str, Any]:
    return {
        name: value == "true" if name in _BOOLEANS[table.name] and value is not None else value
        for name, value in zip(names, values, strict=True)
    }


_BOOLEANS: Mapping[str, frozenset[str]] = {
    table.name: frozenset(column.name for column in table.columns if column.kind == "boolean")
    for table in (RETURNS, COUNTS)
}


def parameters_of(season: Season, wanted: LiveFilter, places: LivePlaces) -> dict[str, Any]:
    """Return the parameters of a statement over the live data. No query."""
    return {"season": season.pk, **places.parameters, **wanted.given}


def export_statement(table: ExportTable, wanted: LiveFilter) -> str:
    """Return the statement whose rows an export holds, in the order of the released table. No query."""
    if table == ExportTable.RETURNS:
        return f"SELECT {_COLUMNS} {_entering(wanted)} ORDER BY r.uuid"
    return f"""
        SELECT {select_list(COUNTS)}
        FROM surveys_return r {JOINS_OF_A_RETURN} {_PLACE}
        JOIN surveys_catch c ON c.report_id = r.id {JOINS_OF_A_COUNT}
        WHERE {_USABLE} AND {AGREED} {wanted.conditions} {wanted.of_a_catch}
        ORDER BY r.uuid, g.code COLLATE "C"
    """  # noqa: S608


def count_statement(wanted: LiveFilter) -> str:
    """Return the statement that counts the returns of an export. No query."""
    return f"SELECT count(*) {_entering(wanted)}"


def _entering(wanted: LiveFilter) -> str:
    return f"""FROM surveys_return r {JOINS_OF_A_RETURN} {_PLACE}
        WHERE {_USABLE} AND {AGREED} {wanted.conditions}"""
