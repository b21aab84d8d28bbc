"""Settings of one's own traps, and drafts of what is not sent yet."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any
from uuid import UUID

from django.db.models import QuerySet

from surveys.errors import NotFound
from surveys.methods.daylight import sun_times
from surveys.methods.looks import PlannedLooks, planned_looks
from surveys.models import Draft, Opening, Return, Trap
from surveys.permissions import Visitor, account_of, traps_of
from surveys.queries.seasons import SeasonLists, current_season, lists_of, open_seasons_of, season_for
from surveys.queries.sites import zone_of
from surveys.vocabulary import REPORTED_MEASURES, REPORTED_WORDS, DraftKind

#: What is worth asking only once: the cup and its cover are mostly those of last time.
SAME_AS_LAST_TIME = ("mouth_mm", "depth_mm", "material", "colour", "nesting", "rim", "cover", "refuge", "liquid")


def _settings(visitor: Visitor) -> QuerySet[Opening]:
    return Opening.objects.filter(trap__in=traps_of(visitor)).select_related(
        "report", "trap__habitat", "trap__site__region", "trap__site__household"
    )


def open_settings(visitor: Visitor) -> QuerySet[Opening]:
    """Return the visitor's traps that stand open, the longest open one first. One query."""
    return _settings(visitor).filter(ended_at__isnull=True).order_by("set_at", "id")


def own_opening(visitor: Visitor, uuid: UUID) -> Opening:
    """Return one setting of the visitor's traps, ended or not. One query."""
    opening = _settings(visitor).filter(uuid=uuid).first()
    if opening is None:
        raise NotFound("There is no setting of yours with this id.")
    return opening


def set_with_last_time(visitor: Visitor, trap: UUID) -> dict[str, Any]:
    """Return what a trap was set with last time, or any trap of its household where it never was.

    Only what a family need not find out anew. At most five queries.
    """
    own = traps_of(visitor).filter(public_id=trap).select_related("site").first()
    if own is None:
        return {}
    of_trap = _latest(Opening.objects.filter(trap=own), Return.objects.filter(trap=own))
    if of_trap:
        return of_trap
    near = Trap.objects.filter(site__household=own.site.household_id)
    return _latest(Opening.objects.filter(trap__in=near), Return.objects.filter(trap__in=near))


def own_draft(visitor: Visitor, uuid: UUID, kind: DraftKind) -> Draft:
    """Return one of the visitor's own drafts. One query."""
    draft = _drafts(visitor, kind).filter(uuid=uuid).first()
    if draft is None:
        raise NotFound("There is no draft of yours with this id.")
    return draft


def latest_draft(visitor: Visitor, kind: DraftKind) -> Draft | None:
    """Return the visitor's draft that was written to last, if there is one. One query."""
    return _drafts(visitor, kind).order_by("-saved_at").first()


def draft_about(visitor: Visitor, opening: UUID) -> Draft | None:
    """Return the visitor's latest draft of emptying one setting. One query."""
    return _drafts(visitor, DraftKind.EMPTY).filter(opening__uuid=opening).order_by("-saved_at").first()


def _drafts(visitor: Visitor, kind: DraftKind) -> QuerySet[Draft]:
    return Draft.objects.filter(keeper=account_of(visitor), kind=kind, school_class__isnull=True).select_related(
        "trap__habitat", "opening__trap"
    )


def _latest(openings: QuerySet[Opening], returns: QuerySet[Return]) -> dict[str, Any]:
    """Return the answers of the latest setting or return, whichever is younger."""
    opening = openings.order_by("-set_at").first()
    report = returns.order_by("-set_at").first()
    found: list[tuple[datetime, dict[str, Any]]] = []
    if opening is not None:
        found.append((opening.set_at, opening.answers))
    if report is not None:
        named = (*REPORTED_WORDS, *REPORTED_MEASURES)
        found.append((report.set_at, {name: getattr(report, name) for name in named}))
    answers = max(found, key=lambda one: one[0])[1] if found else {}
    return {name: answers[name] for name in SAME_AS_LAST_TIME if answers.get(name) is not None}


def lists_for(trap: Trap | None, at: datetime) -> SeasonLists | None:
    """Return the lists of the open season in a trap's region, else of the season that is on or was last.

    None before there is any season. At most three queries, beside those of the lists.
    """
    standing = open_seasons_of(trap.site.region) if trap else []
    season = season_for(standing, at.date()) or current_season()
    return lists_of(season) if season else None


def takes_returns(trap: Trap) -> bool:
    """Say whether a season is open in the region of a trap. One query."""
    return bool(open_seasons_of(trap.site.region))


def due_times(opening: Opening) -> PlannedLooks:
    """Return when an open trap is to be looked at and emptied: the very moments of its reminders. At most 3 queries."""
    place = opening.trap.site
    return planned_looks(opening.set_at, place.cell_latitude, place.cell_longitude, zone_of(place.region))


def is_dark(opening: Opening, at: datetime) -> bool:
    """Say whether the sun is down at the trap's place at a moment. No query."""
    place = opening.trap.site
    days = [sun_times(at.date() + timedelta(days=n), place.cell_latitude, place.cell_longitude) for n in (-1, 0, 1)]
    return any(
        one.sunset is not None and after.sunrise is not None and one.sunset < at < after.sunrise
        for one, after in pairwise(days)
    )
