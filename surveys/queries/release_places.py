"""Which gardens would enter a release, and with which place: decided from all its seasons together."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from django.db import connection

from surveys.methods.disclosure import FEWEST_SITES
from surveys.methods.disclosure_rows import Place, ShownPlace, SitePlace, candidate_cells, plan_rows
from surveys.models import Region, ReleasedSite, Season, Site
from surveys.queries.night import seasons_before
from surveys.queries.released_columns import AGREED
from surveys.vocabulary import USABLE_STATES, Outcome

_SITES = f"""
SELECT s.id, s.public_id::text, p.code, s.cell_code, s.household_id
FROM surveys_site s JOIN surveys_household h ON h.id = s.household_id JOIN surveys_region p ON p.id = s.region_id
WHERE EXISTS (
    SELECT FROM surveys_return r JOIN surveys_trap t ON t.id = r.trap_id JOIN surveys_season z ON z.id = r.season_id
    WHERE t.site_id = s.id AND r.season_id = ANY(%(seasons)s) AND r.state = ANY(%(states)s) AND {AGREED}
)
ORDER BY s.public_id
"""  # noqa: S608
_RETURNS = f"""
SELECT s.public_id::text, count(*)
FROM surveys_return r JOIN surveys_trap t ON t.id = r.trap_id JOIN surveys_site s ON s.id = t.site_id
JOIN surveys_household h ON h.id = s.household_id JOIN surveys_season z ON z.id = r.season_id
WHERE r.season_id = ANY(%(seasons)s) AND r.state = ANY(%(states)s) AND {AGREED}
GROUP BY s.id
"""  # noqa: S608


@dataclass(frozen=True, slots=True)
class Places:
    """Where each contributing garden stands, by its public id, and the numbers of their rows."""

    of_site: Mapping[str, Place]
    numbers: Mapping[str, int]

    @property
    def shown(self) -> dict[str, Place]:
        """The gardens that enter."""
        return {site: place for site, place in self.of_site.items() if place.reason is None}


@dataclass(frozen=True, slots=True)
class ReleasePreview:
    """What a release would hold if it were made now; ``kept_back`` counts returns by reason."""

    seasons: tuple[Season, ...]
    sites: int
    sites_in_cells: int
    returns: int
    kept_back: Mapping[str, int]


def release_seasons(season: Season) -> tuple[Season, ...]:
    """Return the season of a release and those before it that it holds too, the newest first. One query."""
    return (season, *reversed(seasons_before(season)))


def release_parameters(seasons: tuple[Season, ...]) -> dict[str, Any]:
    """Return the parameters of every statement about what enters a release. No query."""
    return {
        "seasons": [one.pk for one in seasons],
        "states": sorted(state.value for state in USABLE_STATES),
        "fewest": FEWEST_SITES,
        "weightiest": [outcome.value for outcome in reversed(Outcome)],
    }


def release_places(parameters: Mapping[str, Any]) -> Places:
    """Settle which gardens enter and which cell each shows. Four queries, all sites."""
    with connection.cursor() as cursor:
        cursor.execute(_SITES, parameters)
        found = cursor.fetchall()
    sites = [SitePlace(site, region, cell, household) for _, site, region, cell, household in found]
    known = places_told()
    regions = Region.objects.filter(season__in=parameters["seasons"]).distinct()
    places = plan_rows(
        sites,
        known=known,
        absent=_absent(known, {one.site for one in sites}),
        candidates={region.code: _candidates(region.pk, json.dumps(region.boundary)) for region in regions},
    )
    return Places(places, {site: number for number, site, *_ in found})


def places_told() -> dict[str, ShownPlace]:
    """Return what releases, withdrawn ones too, have told of the places of sites, by public id. One query."""
    rows = ReleasedSite.objects.order_by("cell_code").values_list("public_id", "region__code", "cell_code")
    return {str(site): ShownPlace(region, cell or None) for site, region, cell in rows}


def _absent(known: Mapping[str, ShownPlace], here: Collection[str]) -> list[SitePlace]:
    """Return the sites that a release has shown, that are stored, and that have no rows now. One query."""
    gone = [site for site in known if site not in here]
    rows = Site.objects.filter(public_id__in=gone).values_list("public_id", "region__code", "cell_code", "household_id")
    return [SitePlace(str(site), region, cell, household) for site, region, cell, household in rows]


@lru_cache(maxsize=256)
def _candidates(region: int, boundary: str) -> frozenset[str]:
    """Return the cells of a region that may hold a garden. The boundary of an open season's region never changes."""
    return candidate_cells(json.loads(boundary))


def preview_of_release(season: Season) -> ReleasePreview:
    """Return what a release of a season would hold if it were made now. Six queries, all returns."""
    seasons = release_seasons(season)
    parameters = release_parameters(seasons)
    places = release_places(parameters)
    with connection.cursor() as cursor:
        cursor.execute(_RETURNS, parameters)
        returns = dict(cursor.fetchall())
    kept_back: dict[str, int] = {}
    for site, place in places.of_site.items():
        if place.reason is not None:
            kept_back[place.reason.value] = kept_back.get(place.reason.value, 0) + returns[site]
    shown = places.shown
    return ReleasePreview(
        seasons=seasons,
        sites=len(shown),
        sites_in_cells=sum(1 for place in shown.values() if place.cell is not None),
        returns=sum(returns[site] for site in shown),
        kept_back=kept_back,
    )
