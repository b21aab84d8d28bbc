"""What happened to returns between two nights, read from the log: who came in, left, or was corrected, and where.

Two runs name the last events they saw, and the log is numbered in the order of commits, so what lies between is exact.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

from django.core.cache import cache
from django.db import connection

from surveys.models import Run
from surveys.permissions import Visitor, regions_of
from surveys.vocabulary import Decision

#: What happened to a return, in the order in which it is told.
HAPPENED = ("came_in", "held", "upheld", "corrected", "discounted", "undone", "withdrawn")

#: For a week: a night is mostly read in the days after it.
KEPT_S = 7 * 24 * 3600

# One row for each return that an event is about. A return that screening let through has come in; one that the
# night held had stood until then; one that was amended was taken back for the one that took its place.
_TOUCHED = """
WITH e AS (
    SELECT verb, subject_id, details FROM surveys_event
    WHERE id > %(after)s AND id <= %(until)s AND verb = ANY(%(verbs)s)
), touched AS (
    SELECT 'came_in' AS what, jsonb_array_elements_text(details -> 'returns')::bigint AS report FROM e
        WHERE verb = 'returns screened'
    EXCEPT ALL
    SELECT 'came_in', jsonb_array_elements_text(details -> 'held')::bigint FROM e WHERE verb = 'returns screened'
    UNION ALL
    SELECT 'held', jsonb_array_elements_text(details -> 'returns')::bigint FROM e WHERE verb = 'returns held by rank'
    UNION ALL
    SELECT details ->> 'decision', subject_id FROM e WHERE verb = 'verdict given'
    UNION ALL
    SELECT details ->> 'decision', jsonb_array_elements_text(details -> 'returns')::bigint FROM e
        WHERE verb = 'verdicts given together'
    UNION ALL
    SELECT 'undone', subject_id FROM e WHERE verb = 'verdict undone'
    UNION ALL
    SELECT 'undone', v.report_id FROM surveys_verdict v JOIN (
        SELECT jsonb_array_elements_text(details -> 'verdicts')::bigint AS id FROM e WHERE verb = 'verdicts undone'
    ) AS taken ON taken.id = v.id
    UNION ALL
    SELECT 'withdrawn', subject_id FROM e WHERE verb = 'return withdrawn'
    UNION ALL
    SELECT 'withdrawn', (details ->> 'amends')::bigint FROM e WHERE verb = 'return amended'
)
SELECT g.code, w.code, t.what, count(DISTINCT r.id)
FROM touched t JOIN surveys_return r ON r.id = t.report JOIN surveys_region g ON g.id = r.region_id
JOIN surveys_window w ON w.season_id = r.season_id AND r.night BETWEEN w.first_day AND w.last_day
WHERE r.season_id = %(season)s AND r.region_id = ANY(%(regions)s) GROUP BY 1, 2, 3
"""
# The log says which return was corrected; what of it stands in the corrections, which were made in the same moment as
# their event (the clocks of database and application may be seconds apart).
_CORRECTED = """
SELECT g.code, w.code, coalesce(k.code, ''), r.id
FROM surveys_event e JOIN surveys_return r ON r.id = e.subject_id
JOIN surveys_correction c ON c.report_id = r.id
    AND c.made_at BETWEEN e.at - interval '1 minute' AND e.at + interval '1 minute'
LEFT JOIN surveys_group k ON k.id = c.group_id
JOIN surveys_region g ON g.id = r.region_id
JOIN surveys_window w ON w.season_id = r.season_id AND r.night BETWEEN w.first_day AND w.last_day
WHERE e.id > %(after)s AND e.id <= %(until)s AND e.verb = 'verdict given' AND e.details ->> 'decision' = 'corrected'
    AND r.season_id = %(season)s AND r.region_id = ANY(%(regions)s)
"""
_VERBS = [
    "returns screened", "returns held by rank", "verdict given", "verdicts given together", "verdict undone",
    "verdicts undone", "return withdrawn", "return amended",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Happened:
    """What happened to the returns of one region and window between two nights.

    ``returns`` counts them by what happened; ``corrected`` are those that were corrected, by group, and under "" those
    of which something else than a count was corrected.
    """

    returns: dict[str, int] = field(default_factory=dict)
    corrected: dict[str, set[int]] = field(default_factory=lambda: defaultdict(set))

    def to_group(self, group: str) -> dict[str, int]:
        """Return the counts as far as they bear on one group, in the order in which they are told."""
        corrected = len(self.corrected.get(group, set()) | self.corrected.get("", set()))
        counts = {**self.returns, Decision.CORRECTED.value: corrected}
        return {what: counts[what] for what in HAPPENED if counts.get(what)}


def happened_between(visitor: Visitor, before: Run, run: Run) -> dict[tuple[str, str], Happened]:
    """Return what happened in the visitor's regions between two runs, by region and window.

    One query for the regions; the first time two more, over the events between the runs and the returns that they
    name. What lies between two events never changes, so it is kept in the cache.
    """
    regions = sorted(regions_of(visitor).values_list("pk", flat=True))
    key = f"night-events/{before.pk}/{run.pk}/{'-'.join(map(str, regions))}"
    found: dict[tuple[str, str], Happened] | None = cache.get(key)
    if found is None:
        found = _read_events(before, run, regions)
        cache.set(key, found, KEPT_S)
    return found


def _read_events(before: Run, run: Run, regions: list[int]) -> dict[tuple[str, str], Happened]:
    parameters: dict[str, Any] = {
        "after": before.snapshot_event,
        "until": run.snapshot_event,
        "verbs": _VERBS,
        "season": run.season_id,
        "regions": regions,
    }
    found: dict[tuple[str, str], Happened] = defaultdict(Happened)
    with connection.cursor() as cursor:
        cursor.execute(_TOUCHED, parameters)
        for region, window, what, returns in cursor.fetchall():
            found[region, window].returns[what] = returns
        cursor.execute(_CORRECTED, parameters)
        for region, window, group, report in cursor.fetchall():
            found[region, window].corrected[group].add(report)
    return dict(found)
