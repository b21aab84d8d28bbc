"""SQL expressions of the released columns, over the aliases that a statement gives to the tables it joins.

``r`` surveys_return, ``t`` surveys_trap, ``s`` surveys_site, ``h`` surveys_household, ``z`` surveys_season, ``p``
surveys_region, ``b`` surveys_habitat and ``w`` surveys_window (both by LEFT JOIN), ``x`` the corrections of columns
in force (LEFT JOIN), ``c`` surveys_catch, ``g`` surveys_group, ``f`` the correction of an answer in force (LEFT
JOIN). ``place.cell`` is the cell that may be shown, or NULL.

Texts, numbers and words go out as PostgreSQL writes them; booleans as true and false, instants in UTC with a Z.
"""

from __future__ import annotations

from collections.abc import Mapping

from surveys.release_files.tables import COUNTS, RETURNS, Table

#: Every reported column that a coordinator may correct and that is released, with its type in PostgreSQL.
_CORRECTED = {"mouth_mm": "float8", "traps_pooled": "int", "trap_state": "text", "liquid": "text"}


def _instant(expression: str) -> str:
    """Write an instant to the nearest quarter of an hour, in UTC."""
    nearest = f"date_bin('15 minutes', {expression} + interval '450 seconds', timestamptz '2000-01-01 00:00:00+00')"
    return f"to_char({nearest} AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS\"Z\"')"


def _boolean(expression: str) -> str:
    return f"CASE {expression} WHEN true THEN 'true' WHEN false THEN 'false' END"


def _text(expression: str) -> str:
    """Return a word as text, NULL where nothing was told."""
    return f"nullif({expression}, '')"


def _corrected(column: str) -> str:
    """Return a column as it counts now: corrected where a correction is in force, else as it was sent."""
    kind = _CORRECTED[column]
    sent = f"nullif(r.{column}, '')" if kind == "text" else f"r.{column}"
    return f"coalesce((x.columns->>'{column}')::{kind}, {sent})"


_EXPOSURE_H = "(round((r.exposure_h * 4)::numeric) / 4)::float8"
#: Why a return enters no index; the first reason that fits. The night reads the same (queries.season_returns).
LEFT_OUT = """CASE WHEN r.standing = 'off_protocol' THEN 'off_protocol'
    WHEN r.trap_nights IS NULL THEN 'no_effort'
    WHEN w.id IS NULL THEN 'no_window'
    WHEN NOT EXISTS (
        SELECT FROM surveys_seasonhabitat a WHERE a.season_id = r.season_id AND a.habitat_id = r.habitat_id
    ) THEN 'no_habitat' END"""

_OF_A_RETURN: dict[str, str] = {
    "return_id": "r.uuid::text",
    "season": "z.code",
    "region": "p.code",
    "cell": "place.cell",
    "cell_latitude": "CASE WHEN place.cell IS NOT NULL THEN s.cell_latitude END",
    "cell_longitude": "CASE WHEN place.cell IS NOT NULL THEN s.cell_longitude END",
    "cell_uncertainty_m": "CASE WHEN place.cell IS NOT NULL THEN s.cell_uncertainty_m END",
    "site_id": "s.public_id::text",
    "trap_number": "t.number",
    "habitat": "b.code",
    "window": "w.code",
    "night": "to_char(r.night, 'YYYY-MM-DD')",
    "set_at": _instant("coalesce((x.columns->>'set_at')::timestamptz, r.set_at)"),
    "emptied_at": _instant("coalesce((x.columns->>'emptied_at')::timestamptz, r.emptied_at)"),
    "exposure_hours": _EXPOSURE_H,
    "traps_pooled": _corrected("traps_pooled"),
    "trap_nights": f"CASE WHEN r.trap_nights IS NOT NULL AND {_EXPOSURE_H} > 0 "
    f"THEN {_EXPOSURE_H} / 24 * {_corrected('traps_pooled')} END",
    "mouth_mm": _corrected("mouth_mm"),
    "rim_ratio": "r.rim_ratio",
    "fresh": _boolean("r.fresh"),
    "school": _boolean("(h.kind = 'school')"),
    "temp_min_c": "r.temp_min_c",
    "temp_max_c": "r.temp_max_c",
    "trap_state": _corrected("trap_state"),
    "liquid": _corrected("liquid"),
    "standing": "r.standing",
    "state": "r.state",
    "query_reason": _text("r.reason"),
    "verdict_reason": """(SELECT v.reason FROM surveys_verdict v WHERE v.report_id = r.id
        AND NOT EXISTS (SELECT FROM surveys_undo n WHERE n.verdict_id = v.id) ORDER BY v.id DESC LIMIT 1)""",
    "left_out": LEFT_OUT,
}

_OF_A_COUNT: dict[str, str] = {
    "return_id": "r.uuid::text",
    "group": "g.code",
    "answer": "coalesce(f.answer, c.answer)",
    "count_min": "CASE WHEN f.report_id IS NULL THEN c.low ELSE f.low END",
    "count_max": "CASE WHEN f.report_id IS NULL THEN c.high ELSE f.high END",
    "detected": _boolean("((CASE WHEN f.report_id IS NULL THEN c.low ELSE f.low END) > 0)"),
    "corrected": _boolean("(f.report_id IS NOT NULL)"),
    "sent_answer": "CASE WHEN f.report_id IS NOT NULL THEN c.answer END",
    "sent_count_min": "CASE WHEN f.report_id IS NOT NULL THEN c.low END",
    "sent_count_max": "CASE WHEN f.report_id IS NOT NULL THEN c.high END",
}

#: Joins behind ``surveys_return r`` that every expression of a return leans on; ``place`` is joined by the statement.
JOINS_OF_A_RETURN = """
JOIN surveys_trap t ON t.id = r.trap_id
JOIN surveys_site s ON s.id = t.site_id
JOIN surveys_household h ON h.id = s.household_id
JOIN surveys_season z ON z.id = r.season_id
JOIN surveys_region p ON p.id = r.region_id
LEFT JOIN surveys_habitat b ON b.id = r.habitat_id
LEFT JOIN surveys_window w ON w.season_id = r.season_id AND r.night BETWEEN w.first_day AND w.last_day
LEFT JOIN LATERAL (
    SELECT jsonb_object_agg(y."column", y.value) AS columns FROM (
        SELECT DISTINCT ON (k."column") k."column", k.value FROM surveys_correction k
        WHERE r.state = 'corrected' AND k.report_id = r.id AND k."column" <> ''
            AND NOT EXISTS (SELECT FROM surveys_undo n WHERE n.verdict_id = k.verdict_id)
        ORDER BY k."column", k.id DESC
    ) y
) x ON true
"""

#: The correction of an answer in force, behind ``surveys_catch c`` and ``surveys_return r``: for some returns.
JOINS_OF_A_COUNT = """
JOIN surveys_group g ON g.id = c.group_id
LEFT JOIN LATERAL (
    SELECT k.report_id, k.answer, k.low, k.high FROM surveys_correction k
    WHERE r.state = 'corrected' AND k.report_id = c.report_id AND k.group_id = c.group_id
        AND NOT EXISTS (SELECT FROM surveys_undo n WHERE n.verdict_id = k.verdict_id)
    ORDER BY k.id DESC LIMIT 1
) f ON true
"""

#: The same for all returns: the corrections in force are few, and looked up in one go.
JOINS_OF_ALL_COUNTS = """
JOIN surveys_group g ON g.id = c.group_id
LEFT JOIN (
    SELECT DISTINCT ON (k.report_id, k.group_id) k.report_id, k.group_id, k.answer, k.low, k.high
    FROM surveys_correction k JOIN surveys_return q ON q.id = k.report_id AND q.state = 'corrected'
    WHERE k.group_id IS NOT NULL AND NOT EXISTS (SELECT FROM surveys_undo n WHERE n.verdict_id = k.verdict_id)
    ORDER BY k.report_id, k.group_id, k.id DESC
) f ON f.report_id = c.report_id AND f.group_id = c.group_id
"""

#: That somebody who kept a household at the time agreed to the licence of the return's season. Nobody keeps a
#: household after an erasure: what had not been agreed to was withdrawn in that moment.
AGREED = """(h.keeper_id IS NULL OR EXISTS (
    SELECT FROM surveys_consent a
    WHERE a.account_id = h.keeper_id AND a.licence = z.licence AND a.withdrawn_at IS NULL
))"""


def select_list(table: Table, more: Mapping[str, str] | None = None) -> str:
    """Return the columns of a table as a SELECT list, in order, each under its name.

    ``more`` gives expressions of columns that only the statement knows. Raises KeyError for a column without any.
    """
    known = {**(_OF_A_COUNT if table is COUNTS else _OF_A_RETURN), **(more or {})}
    return ", ".join(f'{known.get(name) or _as_reported(table, name)} AS "{name}"' for name in table.names)


def _as_reported(table: Table, name: str) -> str:
    """Return a reported column that goes out as it was sent."""
    column = next(one for one in table.columns if one.name == name)
    if table is not RETURNS or column.stored != (f"return.{name}",):
        raise KeyError(f"Nothing says how the column {name!r} of {table.name} is read.")
    return _text(f"r.{name}") if column.kind == "string" else f"r.{name}"
