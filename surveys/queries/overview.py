"""What a coordinator sees first: her regions in one season, as the last night counted them and as they stand now."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import Count

from surveys.errors import NotFound
from surveys.methods.level_records import LevelSettings
from surveys.models import Region, Return, Run, Season, Site, Window
from surveys.permissions import Visitor, regions_of
from surveys.queries.indices import published_run
from surveys.queries.letters import overdue_openings
from surveys.queries.season_counts import Place, RegionCounts, counts_of
from surveys.queries.seasons import SeasonLists, lists_of, seasons
from surveys.vocabulary import SeasonState

#: From how much on the level index shows a figure.
GATE = LevelSettings()
_WEEK = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class OwnRegion:
    """A region in the visitor's care: what the last night counted of it (None before one), and its sites by now."""

    region: Region
    counts: RegionCounts | None
    sites_joined: int


@dataclass(frozen=True, slots=True)
class Cell:
    """A grid cell of one's own regions, by its middle, with the sites that joined in it."""

    latitude: float
    longitude: float
    sites: int


@dataclass(frozen=True, slots=True)
class ThinPlace:
    """A region and window in which too little has come in for figures, or for some of its habitats.

    ``sites_missing`` and ``nights_missing`` are what the gate still asks for; ``thin_habitats`` are codes with the
    sites that each has, fewer than what tells a habitat apart. ``over``: the window has ended, nothing can be added.
    """

    region: str
    window: str
    over: bool
    sites: int
    sites_missing: int
    nights_missing: int
    thin_habitats: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class Overview:
    """One season in one's own regions; ``since`` are the returns that have come in after the last night counted."""

    lists: SeasonLists
    run: Run | None
    regions: tuple[OwnRegion, ...]
    since: int

    @property
    def counted(self) -> list[RegionCounts]:
        """What the last night counted, region by region."""
        return [one.counts for one in self.regions if one.counts is not None]


def seasons_in_care(visitor: Visitor) -> list[Season]:
    """Return the opened seasons that have a region of the visitor's: open ones first, then the newest. Two queries."""
    own = seasons().filter(regions__in=regions_of(visitor)).distinct()
    return sorted(own, key=lambda season: season.state != SeasonState.OPEN)


def season_in_care(visitor: Visitor, code: str | None) -> Season | None:
    """Return one of these by its code, or the first of them; None where there is none. Two queries."""
    own = seasons_in_care(visitor)
    if code is None:
        return own[0] if own else None
    found = next((season for season in own if season.code == code), None)
    if found is None:
        raise NotFound("There is no season with this code in your regions.")
    return found


def overview_of(visitor: Visitor, season: Season) -> Overview:
    """Return a season in the visitor's regions. At most nine queries; of returns only those since the last night."""
    lists = lists_of(season)
    keys = set(regions_of(visitor).values_list("pk", flat=True))
    own = [region for region in lists.regions if region.pk in keys]
    run = published_run(season)
    joined = _sites_joined(own)
    regions = tuple(
        OwnRegion(region, counts_of(run, region.code) if run else None, joined.get(region.pk, 0)) for region in own
    )
    return Overview(lists, run, regions, _returns_since(season, own, run))


def cells_of(regions: Iterable[Region]) -> list[Cell]:
    """Return the grid cells of some regions with the sites that joined in each. One query, the regions' sites."""
    rows = (
        Site.objects.filter(region__in=list(regions), household__keeper__isnull=False)
        .values("cell_latitude", "cell_longitude")
        .annotate(sites=Count("pk"))
        .order_by("cell_latitude", "cell_longitude")
    )
    return [Cell(row["cell_latitude"], row["cell_longitude"], row["sites"]) for row in rows]


def weeks_of(counted: Iterable[RegionCounts]) -> list[tuple[date, int]]:
    """Return the weeks from the first to the last with returns, each with its returns; none is left out. No query."""
    total: Counter[date] = Counter()
    for one in counted:
        total.update(one.weeks)
    if not total:
        return []
    first, last = min(total), max(total)
    return [(first + n * _WEEK, total[first + n * _WEEK]) for n in range((last - first) // _WEEK + 1)]


def most_common_findings(counted: Iterable[RegionCounts], *, most: int = 5) -> list[tuple[str, int]]:
    """Return the most common findings by check, with the returns that have them. No query."""
    total: Counter[str] = Counter()
    for one in counted:
        total.update(one.findings)
    return sorted(total.items(), key=lambda row: (-row[1], row[0]))[:most]


def thin_places(found: Overview, today: date, gate: LevelSettings = GATE) -> list[ThinPlace]:
    """Return what is short of the gate in windows that have begun; those not over come first, the shortest first.

    No query. A habitat is thin below the sites from which one is told apart (METHODS.md, section 5.7). There it is
    asked of all regions together; here of each, so that a region need not lean on the others.
    """
    thin = [
        _thin_place(one, window, found.lists, today, gate)
        for one in found.regions
        if one.counts is not None
        for window in found.lists.windows
        if window.first_day <= today
    ]
    short = [place for place in thin if place.sites_missing or place.nights_missing or place.thin_habitats]
    return sorted(short, key=lambda place: (place.over, -place.sites_missing, -place.nights_missing))


def overdue_now(visitor: Visitor, now: datetime) -> int:
    """Return how many traps stand open too long in the visitor's regions. Two queries, the open traps."""
    return overdue_openings(visitor, now=now).count()


def _thin_place(one: OwnRegion, window: Window, lists: SeasonLists, today: date, gate: LevelSettings) -> ThinPlace:
    places = one.counts.places if one.counts else ()
    of_window = {place.habitat: place for place in places if place.window == window.code}
    whole = of_window.get(None, Place(window.code, None, 0, 0))
    sites = {kind.code: of_window[kind.code].sites if kind.code in of_window else 0 for kind in lists.habitats}
    return ThinPlace(
        region=one.region.name,
        window=window.code,
        over=window.last_day < today,
        sites=whole.sites,
        sites_missing=max(gate.gate_sites - whole.sites, 0),
        nights_missing=max(gate.gate_site_nights - whole.site_nights, 0),
        thin_habitats=tuple((code, n) for code, n in sites.items() if n < gate.thin_habitat_sites),
    )


def _sites_joined(regions: list[Region]) -> dict[int, int]:
    rows = Site.objects.filter(region__in=regions, household__keeper__isnull=False).values("region")
    return {row["region"]: row["sites"] for row in rows.annotate(sites=Count("pk"))}


def _returns_since(season: Season, regions: list[Region], run: Run | None) -> int:
    """Count the returns that have come in since a run counted. They stand at the end of the table."""
    after = run.counts.get("last_return", 0) if run else 0
    return Return.objects.filter(pk__gt=after, season=season, region__in=[region.pk for region in regions]).count()
