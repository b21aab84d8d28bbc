"""What one night computes from, read as of one instant."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from django.db import connection, transaction
from django.db.models import Count
from numpy.typing import NDArray

from surveys.methods.season_frame import CatchFrame
from surveys.models import Return, Season
from surveys.queries.season_counts import counted_season
from surveys.queries.season_returns import read_season
from surveys.queries.seasons import SeasonLists, lists_of, seasons
from surveys.vocabulary import USABLE_STATES


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The exact input of a run: the last event it saw, and a hash over the returns it used."""

    event: int
    returns: int
    digest: str


@dataclass(frozen=True, slots=True)
class EarlierSeason:
    """A season before the one that is computed: hash and number of its usable returns, and those that change reads."""

    lists: SeasonLists
    returns: int
    digest: str
    frame: CatchFrame


@dataclass(frozen=True, slots=True)
class NightInput:
    """What one run computes from: read in one snapshot of the database.

    ``counted`` is what a run keeps of the season's regions (:mod:`surveys.queries.season_counts`); ``earlier`` seasons
    stand in time order; ``returning`` are the sites that have returns in two seasons or more.
    """

    lists: SeasonLists
    snapshot: Snapshot
    frame: CatchFrame
    counted: dict[str, Any]
    earlier: tuple[EarlierSeason, ...]
    returning: NDArray[np.int64]

    def without_frames(self) -> NightInput:
        """Return the same without the returns themselves, which take nearly all of its memory."""
        earlier = tuple(replace(one, frame=_emptied(one.frame)) for one in self.earlier)
        return replace(self, frame=_emptied(self.frame), earlier=earlier)


def _emptied(frame: CatchFrame) -> CatchFrame:
    return frame.keep(np.zeros(len(frame), dtype=bool))


def night_input(season: Season) -> NightInput:
    """Read everything a run needs, as of one instant, in one REPEATABLE READ snapshot.

    Fifteen queries, and seven for each earlier season.
    """
    with transaction.atomic(durable=True):
        with connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            cursor.execute("SET LOCAL work_mem = '64MB'")  # joins of a million returns in memory: 1.5 s, not 2.4
            cursor.execute("SELECT coalesce(max(id), 0) FROM surveys_event")
            event = cursor.fetchone()
        lists = lists_of(season)
        frame, digest, usable = read_season(lists)
        counted = counted_season(lists, frame)
        before = seasons_before(season)
        returning = _returning_sites([season, *before])
        earlier = tuple(_read_earlier(lists_of(one), returning) for one in before)
    snapshot = Snapshot(int(event[0]) if event else 0, usable, digest)
    return NightInput(lists, snapshot, frame, counted, earlier, returning)


def seasons_before(season: Season) -> list[Season]:
    """Return the seasons opened before this one that share a region and a group with it, oldest first. One query.

    What is invented tells nothing of what is not: a demonstration stands beside demonstrations only.
    """
    return list(
        seasons()
        .filter(
            invented=season.invented,
            opens_on__lt=season.opens_on,
            regions__in=season.regions.all(),
            groups__in=season.groups.all(),
        )
        .distinct()
        .order_by("opens_on", "code")
    )


def _returning_sites(among: list[Season]) -> NDArray[np.int64]:
    """Return the numbers of the sites with usable returns in two or more of some seasons. One query, none for one."""
    if len(among) < 2:
        return np.zeros(0, dtype=np.int64)
    sites = (
        Return.objects.filter(season__in=among, state__in=sorted(USABLE_STATES))
        .values("trap__site")
        .annotate(seen=Count("season", distinct=True))
        .filter(seen__gte=2)
        .values_list("trap__site", flat=True)
    )
    return np.array(sorted(sites), dtype=np.int64)


def _read_earlier(lists: SeasonLists, returning: NDArray[np.int64]) -> EarlierSeason:
    """Read an earlier season and keep only the sites that tell of a change. Seven queries."""
    frame, digest, usable = read_season(lists)
    return EarlierSeason(lists, usable, digest, frame.of_sites(returning))
