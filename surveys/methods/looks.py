"""When an open trap should be looked at and emptied.

A look at dusk, a look in the early morning, and emptying after one whole day and night. Most of what falls
in walks at night, and a shrew needs food every few hours, so the looks follow the sun and not the clock.

References: own construction; METHODS.md, section "Looks". The moments of the sun: :mod:`surveys.methods.daylight`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from surveys.methods.daylight import sun_times

EXPOSURE = timedelta(hours=24)  # protocol v1: one whole day and night
OVERDUE = timedelta(hours=26)  # own choice: two hours of grace after 24 h, well inside the 28 h of protocol v1
OVERDUE_FOR_LONG = timedelta(hours=30)  # own choice: 4 h after the first warning a shrew would starve
EARLIEST_MORNING = time(6)  # own choice: no family is woken at a midsummer sunrise ...
LATEST_MORNING_LOOK = timedelta(hours=14)  # ... but a look within 14 h of setting comes first; domain notes, section 2
POLAR_DUSK, POLAR_DAWN = time(22), time(6)  # own choice, where the sun does not set or does not rise
#: A look sooner after setting, or nearer to emptying, is not worth a walk.
APART = timedelta(hours=1)
#: A look so long before its time still is that look; a sooner one tells nothing about the night.
EARLIEST_LOOK = timedelta(hours=2)  # own choice
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class PlannedLooks:
    """Aware instants (UTC): the looks, None where emptying or setting does for them; then emptying and what is late."""

    dusk: datetime | None
    dawn: datetime | None
    empty: datetime
    overdue: datetime
    overdue_for_long: datetime


def look_from(due: datetime) -> datetime:
    """Return the moment from which on a look counts as the one that is due at ``due``."""
    return due - EARLIEST_LOOK


def planned_looks(set_at: datetime, latitude: float, longitude: float, zone: ZoneInfo) -> PlannedLooks:
    """Return when a trap that was set at ``set_at`` should be looked at and emptied.

    Parameters
    ----------
    set_at : aware instant at which the trap was opened.
    latitude, longitude : degrees, north and east positive; the middle of the public cell is good enough.
    zone : the time zone of the season, for "not before six".

    Returns
    -------
    The first sunset and the first early morning that lie an hour or more from both ends of the 24 h.
    """
    dusks = (_dusk(set_at + day * _DAY, latitude, longitude, zone) for day in range(-1, 3))
    dawns = (_dawn(set_at, set_at + day * _DAY, latitude, longitude, zone) for day in range(-1, 3))
    return PlannedLooks(
        _first_within(set_at, dusks),
        _first_within(set_at, dawns),
        set_at + EXPOSURE,
        set_at + OVERDUE,
        set_at + OVERDUE_FOR_LONG,
    )


def _first_within(set_at: datetime, moments: Iterator[datetime]) -> datetime | None:
    return next((one for one in moments if set_at + APART <= one <= set_at + EXPOSURE - APART), None)


def _dusk(near: datetime, latitude: float, longitude: float, zone: ZoneInfo) -> datetime:
    day = near.astimezone(zone).date()
    return sun_times(day, latitude, longitude).sunset or _at(near, POLAR_DUSK, zone)


def _dawn(set_at: datetime, near: datetime, latitude: float, longitude: float, zone: ZoneInfo) -> datetime:
    day = near.astimezone(zone).date()
    sunrise = sun_times(day, latitude, longitude).sunrise
    if sunrise is None:
        return _at(near, POLAR_DAWN, zone)
    return max(sunrise, min(_at(near, EARLIEST_MORNING, zone), set_at + LATEST_MORNING_LOOK))


def _at(near: datetime, clock: time, zone: ZoneInfo) -> datetime:
    return datetime.combine(near.astimezone(zone).date(), clock, zone).astimezone(near.tzinfo)
