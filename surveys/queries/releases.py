"""The clean table: usable returns, coarsened places, corrections beside what was sent."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any

from django.db import connection, transaction

from surveys.codebook import RELEASED
from surveys.models import Season
from surveys.vocabulary import USABLE_STATES

#: Fewer contributing sites than this in a region, and its rows are withheld; in a cell, and the
#: cell is left empty. Source: METHODS.md, section 12 (k = 5).
FEWEST_SITES = 5

_CLEAN_ROWS = """
WITH usable AS (
    SELECT r.*, s.id AS site_key, s.public_id AS site_id, s.region_id, s.cell_code, s.cell_latitude,
           s.cell_longitude, s.cell_uncertainty_m, t.number AS trap_number
    FROM surveys_return r
    JOIN surveys_trap t ON t.id = r.trap_id
    JOIN surveys_site s ON s.id = t.site_id
    WHERE r.season_id = %(season)s AND r.state = ANY(%(states)s)
),
enough_regions AS (
    SELECT region_id FROM usable GROUP BY region_id HAVING count(DISTINCT site_key) >= %(fewest)s
),
enough_cells AS (
    SELECT region_id, cell_code FROM usable GROUP BY region_id, cell_code
    HAVING count(DISTINCT site_key) >= %(fewest)s
),
in_force AS (
    SELECT DISTINCT ON (c.report_id, c.group_id) c.report_id, c.group_id, c.answer, c.low, c.high
    FROM surveys_correction c JOIN usable u ON u.id = c.report_id AND u.state = 'corrected'
    WHERE c.group_id IS NOT NULL
    ORDER BY c.report_id, c.group_id, c.id DESC
)
SELECT u.uuid::text AS return_id, g.code AS "group", z.code AS season, p.code AS region,
       CASE WHEN e.cell_code IS NOT NULL THEN u.cell_code END AS cell,
       CASE WHEN e.cell_code IS NOT NULL THEN u.cell_latitude END AS cell_latitude,
       CASE WHEN e.cell_code IS NOT NULL THEN u.cell_longitude END AS cell_longitude,
       CASE WHEN e.cell_code IS NOT NULL THEN u.cell_uncertainty_m END AS cell_uncertainty_m,
       u.site_id::text AS site_id, u.trap_number, h.code AS habitat, w.code AS "window", u.night,
       round((u.exposure_h * 4)::numeric) / 4 AS exposure_hours, u.trap_nights, u.mouth_mm, u.fresh,
       u.standing, u.state, coalesce(f.answer, c.answer) AS answer,
       CASE WHEN f.report_id IS NULL THEN c.low ELSE f.low END AS count_min,
       CASE WHEN f.report_id IS NULL THEN c.high ELSE f.high END AS count_max,
       f.report_id IS NOT NULL AS corrected, c.low AS sent_count_min, c.high AS sent_count_max
FROM usable u
JOIN enough_regions USING (region_id)
LEFT JOIN enough_cells e ON e.region_id = u.region_id AND e.cell_code = u.cell_code
JOIN surveys_catch c ON c.report_id = u.id
JOIN surveys_group g ON g.id = c.group_id
JOIN surveys_season z ON z.id = u.season_id
JOIN surveys_region p ON p.id = u.region_id
LEFT JOIN surveys_habitat h ON h.id = u.habitat_id
LEFT JOIN surveys_window w ON w.season_id = u.season_id AND u.night BETWEEN w.first_day AND w.last_day
LEFT JOIN in_force f ON f.report_id = u.id AND f.group_id = c.group_id
ORDER BY u.uuid, g.code
"""


def clean_rows(season: Season) -> Iterator[tuple[Any, ...]]:
    """Yield the clean table of a season in the codebook's column order. One query, streamed."""
    parameters: dict[str, Any] = {"season": season.pk, "states": sorted(USABLE_STATES), "fewest": FEWEST_SITES}
    with transaction.atomic(), connection.chunked_cursor() as cursor:
        cursor.execute(_CLEAN_ROWS, parameters)
        while rows := cursor.fetchmany(2000):
            yield from rows


def clean_csv(season: Season) -> Iterator[bytes]:
    """Yield the clean table as CSV (RFC 4180, UTF-8, LF, header). One query, streamed."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([column.name for column in RELEASED])
    for number, row in enumerate(clean_rows(season), start=1):
        writer.writerow([_cell(value) for value in row])
        if number % 500 == 0:
            yield _emptied(text)
    yield _emptied(text)


def _emptied(text: io.StringIO) -> bytes:
    value = text.getvalue().encode()
    text.seek(0)
    text.truncate()
    return value


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return value
