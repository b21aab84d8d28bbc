"""News of a region, and what moved between the last two nights."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Q, QuerySet

from surveys.models import IndexValue, News, Region, Run, Season
from surveys.permissions import Visitor, regions_of, sites_of
from surveys.queries.indices import published_run
from surveys.vocabulary import IndexLabel, RunState


def news_of(region: Region | None) -> QuerySet[News]:
    """Return the news that is up: that of a region and that of all regions, the newest first. One query."""
    place = Q(region__isnull=True) | Q(region=region) if region else Q(region__isnull=True)
    return News.objects.filter(place, taken_down_at__isnull=True).select_related("region").order_by("-id")


def news_in_care(visitor: Visitor) -> QuerySet[News]:
    """Return the news that is up in the regions in which the visitor is coordinator. One query."""
    up = News.objects.filter(taken_down_at__isnull=True).select_related("region")
    return up.filter(Q(region__in=regions_of(visitor)) | Q(region__isnull=True)).order_by("-id")


def own_region(visitor: Visitor) -> Region | None:
    """Return the region of the visitor's first site, if there is one. One query."""
    site = sites_of(visitor).select_related("region").order_by("id").first()
    return site.region if site else None


def cares_for_all(visitor: Visitor) -> bool:
    """Say whether the visitor is coordinator of every region. Two queries."""
    own = regions_of(visitor)
    return own.exists() and not Region.objects.exclude(pk__in=own).exists()


@dataclass(frozen=True, slots=True)
class Moved:
    """One shown figure of the last night beside that of the night before; ``before`` is None where it is new."""

    group: str
    window: str
    before: float | None
    now: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class LastNight:
    """The run that is shown, the one before it, and the figures of one region that are shown in it."""

    run: Run
    earlier: Run | None
    figures: tuple[Moved, ...]


def last_night(season: Season, region: Region) -> LastNight | None:
    """Return what the last night's run shows of a region beside the night before; None before the first. Four queries.

    Figures below the limits are in neither.
    """
    run = published_run(season)
    if run is None:
        return None
    earlier = Run.objects.filter(season=season, state=RunState.SUPERSEDED, night__lt=run.night).order_by("-id").first()
    before = {(one.group_id, one.window_id): one.estimate for one in _shown(earlier, region)} if earlier else {}
    figures = tuple(
        Moved(one.group.name, one.window.name, before.get((one.group_id, one.window_id)), estimate, low, high)
        for one in _shown(run, region)
        if (estimate := one.estimate) is not None and (low := one.low) is not None and (high := one.high) is not None
    )
    return LastNight(run, earlier, figures)


def _shown(run: Run, region: Region) -> QuerySet[IndexValue]:
    return (
        IndexValue.objects.filter(run=run, region=region, rim_exponent=1)
        .exclude(label=IndexLabel.TOO_FEW)
        .select_related("group", "window")
        .order_by("window__first_day", "group__position")
    )
