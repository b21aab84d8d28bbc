"""What a season holds, counted region by region once a night, so that no page counts a million returns."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from django.db import connection
from numpy.typing import NDArray

from surveys.methods.season_frame import CatchFrame
from surveys.models import Return, Run, Season
from surveys.queries.seasons import SeasonLists
from surveys.vocabulary import Outcome, ReturnState

_WEEKS = """
SELECT region_id, date_trunc('week', night)::date, standing, count(*) FROM surveys_return
WHERE season_id = %s AND state <> %s GROUP BY 1, 2, 3 ORDER BY 1, 2, 3
"""
_FINDINGS = """
SELECT r.region_id, f.check_id, count(DISTINCT r.id) FROM surveys_found f JOIN surveys_return r ON r.id = f.report_id
WHERE r.season_id = %s AND r.state <> %s AND f.outcome <> ALL(%s) GROUP BY 1, 2 ORDER BY 1, 3 DESC, 2
"""


@dataclass(frozen=True, slots=True)
class Place:
    """Sites and site-nights with returns that count, of one window and (or of all, where it is None) one habitat."""

    window: str
    habitat: str | None
    sites: int
    site_nights: int


@dataclass(frozen=True, slots=True)
class RegionCounts:
    """One region's part of a season as a night counted it, without what was withdrawn.

    ``weeks`` by their first day; ``standings`` and ``findings`` by code, in returns; ``sites`` that sent a return
    which counts; ``places`` with sites only where there are some.
    """

    weeks: Mapping[date, int]
    standings: Mapping[str, int]
    findings: Mapping[str, int]
    sites: int
    places: tuple[Place, ...]

    @property
    def returns(self) -> int:
        """How many returns there are."""
        return sum(self.standings.values())


def counted_season(lists: SeasonLists, frame: CatchFrame) -> dict[str, Any]:
    """Count a season for a run to keep: its last return, and each region under its code. Three queries, all returns.

    ``frame`` holds the returns that count.
    """
    weeks, findings = _rows_by_region(_WEEKS, lists.season, []), _rows_by_region(_FINDINGS, lists.season, [_UNASKED])
    last = Return.objects.order_by("-id").values_list("id", flat=True).first()
    regions = {
        region.code: _counted(weeks[region.pk], findings[region.pk], *_places(lists, frame, position))
        for position, region in enumerate(lists.regions)
    }
    return {"last_return": last or 0, "regions": regions}


def counts_of(run: Run, region: str) -> RegionCounts | None:
    """Return what a run counted of a region; None where it counted nothing of it. No query."""
    kept = run.counts.get("regions", {}).get(region)
    if kept is None:
        return None
    return RegionCounts(
        weeks={date.fromisoformat(week): n for week, n in kept["weeks"]},
        standings=dict(kept["standings"]),
        findings=dict(kept["findings"]),
        sites=kept["sites"],
        places=tuple(Place(*row) for row in kept["places"]),
    )


#: Outcomes that ask nothing of anybody.
_UNASKED = [Outcome.FINE.value, Outcome.NOTE.value]


def _rows_by_region(statement: str, season: Season, more: list[Any]) -> dict[int, list[tuple[Any, ...]]]:
    found: dict[int, list[tuple[Any, ...]]] = defaultdict(list)
    with connection.cursor() as cursor:
        cursor.execute(statement, [season.pk, ReturnState.WITHDRAWN.value, *more])
        for region, *row in cursor.fetchall():
            found[region].append(tuple(row))
    return found


def _counted(
    weeks: list[tuple[Any, ...]], findings: list[tuple[Any, ...]], sites: int, places: list[list[Any]]
) -> dict[str, Any]:
    by_week: dict[str, int] = defaultdict(int)
    by_standing: dict[str, int] = defaultdict(int)
    for week, standing, returns in weeks:
        by_week[week.isoformat()] += returns
        by_standing[standing] += returns
    return {
        "weeks": sorted(by_week.items()),
        "standings": sorted(by_standing.items()),
        "findings": findings,
        "sites": sites,
        "places": places,
    }


def _places(lists: SeasonLists, frame: CatchFrame, region: int) -> tuple[int, list[list[Any]]]:
    """Return the sites of a region, and sites and site-nights of each window: in all, and habitat by habitat."""
    own = frame.region == region
    site, night, window, habitat = (
        column[own] for column in (frame.site, frame.site_night, frame.window, frame.habitat)
    )
    places: list[list[Any]] = []
    for position, one in enumerate(lists.windows):
        inside = window == position
        places += _place(one.code, None, site, night, inside)
        for number, kind in enumerate(lists.habitats):
            places += _place(one.code, kind.code, site, night, inside & (habitat == number))
    return len(np.unique(site)), places


def _place(
    window: str, habitat: str | None, site: NDArray[np.int64], night: NDArray[np.int64], chosen: NDArray[np.bool_]
) -> list[list[Any]]:
    sites, nights = len(np.unique(site[chosen])), len(np.unique(night[chosen]))
    return [[window, habitat, sites, nights]] if sites else []
