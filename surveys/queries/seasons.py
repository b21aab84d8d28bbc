"""Seasons, their lists and limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from functools import lru_cache
from time import time as time_now
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, QuerySet, Subquery
from django.db.models.functions import Coalesce

from surveys.errors import NotFound
from surveys.methods.protocol import Limits
from surveys.methods.season_frame import ListedWindow, SeasonList
from surveys.models import Group, Habitat, Protocol, Region, Return, Run, Season, Window
from surveys.vocabulary import RunState, SeasonState


@dataclass(frozen=True, slots=True)
class SeasonLists:
    """What a season asks about, in its own order."""

    season: Season
    groups: tuple[Group, ...]
    habitats: tuple[Habitat, ...]
    weights: tuple[float, ...]
    regions: tuple[Region, ...]
    windows: tuple[Window, ...]

    @property
    def opens(self) -> datetime:
        """The first instant of the season."""
        return datetime.combine(self.season.opens_on, time.min, ZoneInfo(self.season.time_zone))

    @property
    def closes(self) -> datetime:
        """The last instant of the season."""
        return datetime.combine(self.season.closes_on, time.max, ZoneInfo(self.season.time_zone))

    @property
    def by_code(self) -> SeasonList:
        """The same lists as the methods read them: codes, weights and days."""
        return SeasonList(
            season=self.season.code,
            groups=tuple(row.code for row in self.groups),
            habitats=tuple(row.code for row in self.habitats),
            weights=self.weights,
            regions=tuple(row.code for row in self.regions),
            windows=tuple(ListedWindow(row.code, row.first_day, row.last_day) for row in self.windows),
        )


def seasons() -> QuerySet[Season]:
    """Return all seasons that have been opened, newest first. One query."""
    return Season.objects.exclude(state=SeasonState.DRAFT).select_related("protocol").order_by("-opens_on", "code")


def closed_seasons_to_do_again() -> QuerySet[Season]:
    """Return closed seasons in which a return was moved since the shown figures were begun: a verdict, one taken back.

    One query, which reads every return of a closed season that nobody moves any more.
    """
    shown = Run.objects.filter(season=OuterRef("pk"), state=RunState.PUBLISHED).values("job__started_at")[:1]
    never = datetime.min.replace(tzinfo=UTC)
    closed = seasons().filter(state=SeasonState.CLOSED).annotate(begun=Coalesce(Subquery(shown), never))
    return closed.filter(Exists(Return.objects.filter(season=OuterRef("pk"), moved_at__gt=OuterRef("begun"))))


def season_by_code(code: str) -> Season:
    """Return one opened season. One query."""
    season = seasons().filter(code=code).first()
    if season is None:
        raise NotFound(f"There is no season with the code {code!r}. The list of seasons shows the codes there are.")
    return season


def current_season() -> Season | None:
    """Return the open season, or the latest that was. One query."""
    return seasons().filter(state=SeasonState.OPEN).first() or seasons().first()


def open_seasons_of(region: Region) -> list[Season]:
    """Return the seasons that are open in a region, newest first. One query."""
    return list(seasons().filter(state=SeasonState.OPEN, regions=region))


@lru_cache(maxsize=64)
def season_as(key: int, version: str) -> Season:
    """Return a season as it stood in one version of its row. One query, and none for a version that was read before.

    Each return asks, so a row is made into a season again only after it changed: PostgreSQL gives every version of a
    row the number of the transaction that wrote it (``xmin``) and a place (``ctid``).
    """
    return seasons().get(pk=key)


def season_for(standing: Sequence[Season], day: date) -> Season | None:
    """Return the season that holds a day, else the first of them; None where there is none. No query."""
    fits = (one for one in standing if one.opens_on <= day <= one.closes_on)
    return next(fits, standing[0] if standing else None)


def lists_of(season: Season) -> SeasonLists:
    """Return a season's lists. Four queries, at most once a minute: opening has frozen them."""
    return _lists_of(season, int(time_now() // 60))


@lru_cache(maxsize=16)
def _lists_of(season: Season, minute: int) -> SeasonLists:
    habitats = list(season.seasonhabitat_set.select_related("habitat").order_by("habitat__position", "habitat__code"))
    return SeasonLists(
        season=season,
        groups=tuple(row.group for row in season.seasongroup_set.select_related("group").order_by("position")),
        habitats=tuple(row.habitat for row in habitats),
        weights=tuple(row.weight for row in habitats),
        regions=tuple(season.regions.order_by("position", "code")),
        windows=tuple(season.windows.order_by("first_day", "code")),
    )


@lru_cache(maxsize=64)
def limits_of(protocol: Protocol) -> Limits:
    """Return the ranges of a protocol version. A version never changes, so it is read once."""
    return Limits.from_mapping(protocol.limits)
