"""What the design calculator starts from: a season's figures where the gate shows them, planning values where not.

A figure that the gate of the index withholds is not told here either. What such a trap usually catches only serves to
put the next gardens in order, for those in whose care the regions are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any

from django.db import connection

from surveys.methods.design_gardens import PlanCell
from surveys.methods.design_records import LARGEST_COMPONENT, SMALLEST_RATE, DesignComponents
from surveys.methods.level_records import LevelSettings
from surveys.methods.usual import plan_baseline
from surveys.models import Group, IndexValue, Region, Run, Season, Window
from surveys.permissions import Visitor, regions_of
from surveys.queries.indices import index_values, published_run, usual_generation
from surveys.queries.seasons import SeasonLists
from surveys.queries.usual import baseline
from surveys.vocabulary import USABLE_STATES, Standing

#: What gardens and nights differ by before anybody has sent anything: the middle of the index's own prior.
PLANNED = DesignComponents(site=LevelSettings().site_prior_centre, night=LevelSettings().night_prior_centre)


@dataclass(frozen=True, slots=True)
class Footing:
    """What a plan for one group in one region and window rests on.

    ``rate`` in animals per trap-night, with ``rate_from`` region, other_regions or planning. ``components_from`` is
    season, leaning (on planning values, as few gardens had such animals) or planning. ``gardens`` and ``site_nights``
    are those that the region's figure counts.
    """

    components: DesignComponents
    components_from: str
    rate: float
    rate_from: str
    gardens: int
    site_nights: int


def regions_to_plan(visitor: Visitor, lists: SeasonLists) -> list[Region]:
    """Return the season's regions in which the visitor is coordinator, in the season's order. Two queries at most."""
    own = set(regions_of(visitor).values_list("pk", flat=True))
    return [region for region in lists.regions if region.pk in own]


def footing(season: Season, *, group: Group, region: Region, window: Window) -> Footing:
    """Return what a plan rests on. Two queries, whatever the season's size."""
    run = published_run(season)
    values = list(index_values(season).filter(group=group, window=window)) if run else []
    own = next((value for value in values if value.region_id == region.pk), None)
    rate, rate_from = _rate(own, values, group)
    components, components_from = components_of(run, group)
    return Footing(
        components=components,
        components_from=components_from,
        rate=max(rate, SMALLEST_RATE),
        rate_from=rate_from,
        gardens=own.sites if own else 0,
        site_nights=own.site_nights if own else 0,
    )


def _rate(own: IndexValue | None, values: Sequence[IndexValue], group: Group) -> tuple[float, str]:
    """Return the rate to plan with: the region's own figure, else the mean of those shown, else the planning value."""
    if own is not None and own.estimate is not None:
        return own.estimate, "region"
    shown = [(value.estimate, value.sites) for value in values if value.estimate is not None]
    gardens = sum(sites for _, sites in shown)
    if gardens:
        return sum(estimate * sites for estimate, sites in shown) / gardens, "other_regions"
    return plan_baseline(group.planning_typical, group.planning_high)[0], "planning"


def components_of(run: Run | None, group: Group) -> tuple[DesignComponents, str]:
    """Return how unequal gardens and nights are for a group, and where that comes from. No query."""
    found: dict[str, Any] = run.parameters.get("components", {}).get(group.code, {}) if run else {}
    if "site_variance" not in found:
        return PLANNED, "planning"
    site, night = (min(float(found[name]), LARGEST_COMPONENT) for name in ("site_variance", "night_variance"))
    return DesignComponents(site, night), "leaning" if found.get("lean_on_prior") else "season"


def plan_cells(lists: SeasonLists, *, group: Group, window: Window, regions: Sequence[Region]) -> list[PlanCell]:
    """Return the habitats of some regions with their gardens so far, for placing the next ones. Three queries at most.

    Gardens are counted once a run, a second for a million returns; what a trap usually catches is read once a night.
    """
    run = published_run(lists.season)
    counted = _gardens_of_run(run, window) if run else _gardens(lists.season.pk, window.first_day, window.last_day)
    mean = baseline(lists, usual_generation(lists.season)).mean
    at = lists.windows.index(window), lists.groups.index(group)
    cells = []
    for region in regions:
        for place, (habitat, weight) in enumerate(zip(lists.habitats, lists.weights, strict=True)):
            sites, nights = counted.get((region.pk, habitat.pk), (0, 0))
            rate = float(mean[lists.regions.index(region), at[0], place, at[1]])
            cells.append(PlanCell(region.code, habitat.code, sites, nights, weight, max(rate, SMALLEST_RATE)))
    return cells


@lru_cache(maxsize=64)
def _gardens_of_run(run: Run, window: Window) -> dict[tuple[int, int], tuple[int, int]]:
    """Return what :func:`_gardens` counts, once for each run: the figures beside it are of that night, too."""
    return _gardens(run.season_id, window.first_day, window.last_day)


_GARDENS = """
SELECT region_id, habitat_id, count(*), sum(nights) FROM (
    SELECT r.region_id, r.habitat_id, t.site_id, count(DISTINCT r.night) AS nights
    FROM surveys_return r JOIN surveys_trap t ON t.id = r.trap_id
    WHERE r.season_id = %(season)s AND r.night BETWEEN %(first)s AND %(last)s AND r.state = ANY(%(states)s)
      AND r.standing <> %(off)s AND r.trap_nights IS NOT NULL AND r.habitat_id IS NOT NULL
    GROUP BY 1, 2, 3
) gardens GROUP BY 1, 2
"""


def _gardens(season: int, first: date, last: date) -> dict[tuple[int, int], tuple[int, int]]:
    """Count gardens and their nights by region and habitat, of what the indices use. One query."""
    given: dict[str, Any] = {
        "season": season,
        "first": first,
        "last": last,
        "states": sorted(USABLE_STATES),
        "off": Standing.OFF_PROTOCOL.value,
    }
    with connection.cursor() as cursor:
        cursor.execute(_GARDENS, given)
        return {(region, habitat): (sites, int(nights)) for region, habitat, sites, nights in cursor.fetchall()}
