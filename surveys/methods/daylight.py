"""Sunset, sunrise and the whole nights inside an exposure.

An exposure is judged by the nights it contains, because much of the catch walks at night and a cut
night cannot be mended by an offset on hours. The sun's height comes from ``astral`` (the equations of
NOAA's solar calculator, after Meeus); the moments of rising and setting are found here, because a
night belongs to the *solar* day in which it begins and not to a calendar day in UTC.

References: U.S. Naval Observatory, definition of sunrise and sunset (centre of the disk 50 arc minutes
below the horizon: 34 for refraction, 16 for the radius); Meeus J. (1998) Astronomical Algorithms, 2nd ed.,
chapters 15 and 25 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from functools import lru_cache

from astral import Observer
from astral.julian import julianday, julianday_to_juliancentury
from astral.sun import elevation, eq_of_time
from scipy.optimize import brentq

RISING_HEIGHT_DEG = -50.0 / 60.0  # U.S. Naval Observatory: upper limb on a flat horizon
COORDINATE_DECIMALS = 2  # about 1.1 km; moves sunset by some seconds, and lets neighbours share a result
FIRST_YEAR, LAST_YEAR = 1901, 2099  # NOAA: the range for which the equations are meant
MOST_NIGHTS = 31  # nobody needs a longer count, and a slip in the year must not cost a minute
_CACHED_DAYS = 65_536  # about 300 places over 200 days
_HALF_DAY = timedelta(hours=12)
_DAY = timedelta(days=1)


class Sky(StrEnum):
    """What the sun does on one solar day."""

    ORDINARY = "ordinary"
    ALWAYS_LIGHT = "always_light"
    ALWAYS_DARK = "always_dark"


@dataclass(frozen=True, slots=True)
class SunTimes:
    """Sunrise and sunset of one solar day, midnight to midnight by the sun; None where there is none."""

    sunrise: datetime | None
    sunset: datetime | None
    sky: Sky


@dataclass(frozen=True, slots=True)
class Nights:
    """The nights of one exposure: wholly inside it, cut by its ends, and the kind of sky it had."""

    whole: int
    cut: int
    sky: Sky


def _solar_noon(day: date, longitude: float) -> datetime:
    """Return the instant at which the sun crosses the meridian on the solar day ``day``.

    Equation: noon (UTC) = 12 h - 4 min x longitude - equation of time (NOAA solar calculator).
    """
    minutes = 720.0 - 4.0 * longitude - eq_of_time(julianday_to_juliancentury(julianday(day) + 0.5 - longitude / 360.0))
    return datetime.combine(day, time(), UTC) + timedelta(minutes=minutes)


def _crossing(observer: Observer, start: datetime, end: datetime) -> datetime | None:
    """Return when the sun passes the rising height between ``start`` and ``end``, None if it does not."""

    def height_above_rising(hours: float) -> float:
        instant = start + timedelta(hours=hours)
        return elevation(observer, instant, with_refraction=False) - RISING_HEIGHT_DEG

    span_h = (end - start) / timedelta(hours=1)
    if height_above_rising(0.0) * height_above_rising(span_h) >= 0.0:
        return None
    return start + timedelta(hours=float(brentq(height_above_rising, 0.0, span_h, xtol=1e-4)))


@lru_cache(maxsize=_CACHED_DAYS)
def _sun_times(day: date, latitude: float, longitude: float) -> SunTimes:
    """Compute what :func:`sun_times` returns, for coordinates that are already rounded."""
    observer = Observer(latitude, longitude)
    noon = _solar_noon(day, longitude)
    sunrise = _crossing(observer, noon - _HALF_DAY, noon)
    sunset = _crossing(observer, noon, noon + _HALF_DAY)
    if sunrise is not None or sunset is not None:
        return SunTimes(sunrise, sunset, Sky.ORDINARY)
    light = elevation(observer, noon, with_refraction=False) > RISING_HEIGHT_DEG
    return SunTimes(None, None, Sky.ALWAYS_LIGHT if light else Sky.ALWAYS_DARK)


def sun_times(day: date, latitude: float, longitude: float) -> SunTimes:
    """Return sunrise and sunset of one solar day at one place, on a flat horizon.

    Parameters
    ----------
    day : the solar day; its noon is the noon of that calendar date at the place's own meridian.
    latitude, longitude : degrees, north and east positive; rounded to 0.01 degrees so that they can be shared.

    Returns
    -------
    Aware instants in UTC, and the kind of sky; sunrise or sunset is None when the sun does not cross the horizon
    in that half of the day.

    References: see the module; agrees with the U.S. Naval Observatory's tables to a minute below the polar circles.
    """
    return _sun_times(day, round(latitude, COORDINATE_DECIMALS), round(longitude, COORDINATE_DECIMALS))


def _solar_days(set_at: datetime, emptied_at: datetime, longitude: float) -> Iterator[date]:
    """Yield the solar days whose evening may fall into the exposure, at most ``MOST_NIGHTS`` and two more."""
    offset = timedelta(minutes=4.0 * longitude)
    first, last = set_at + offset, emptied_at + offset
    for number in range(-1, min((last.date() - first.date()).days, MOST_NIGHTS) + 1):
        yield first.date() + number * _DAY


def _within_years(*instants: datetime) -> bool:
    """Say whether the equations hold for all these instants (a day's margin on both sides is harmless)."""
    return all(FIRST_YEAR <= instant.year <= LAST_YEAR for instant in instants)


def _spell(skies: list[Sky]) -> Sky:
    """Return the one polar sky that lasted the whole exposure, else the ordinary one."""
    return skies[0] if len(set(skies)) == 1 else Sky.ORDINARY


def count_nights(set_at: datetime, emptied_at: datetime, latitude: float, longitude: float) -> Nights:
    """Count the nights of an exposure: sunset to the next sunrise, wholly inside or cut.

    Parameters
    ----------
    set_at, emptied_at : aware instants; an exposure that ends before it starts has no night.
    latitude, longitude : degrees, north and east positive.

    Returns
    -------
    Whole nights, cut nights and the sky. A night without an end (the first of a polar winter) is never whole.
    Outside the years 1901 to 2099 nothing is counted. Counting stops at ``MOST_NIGHTS``.
    """
    set_at, emptied_at = set_at.astimezone(UTC), emptied_at.astimezone(UTC)
    if emptied_at <= set_at or not _within_years(set_at, emptied_at):
        return Nights(0, 0, Sky.ORDINARY)
    whole = cut = 0
    skies = []
    for day in _solar_days(set_at, emptied_at, longitude):
        today = sun_times(day, latitude, longitude)
        dusk, dawn = today.sunset, sun_times(day + _DAY, latitude, longitude).sunrise
        skies.append(today.sky)
        if dusk is not None and dawn is not None and set_at <= dusk and dawn <= emptied_at:
            whole += 1
        elif _overlaps(dusk, dawn, set_at, emptied_at):
            cut += 1
    return Nights(min(whole, MOST_NIGHTS), cut, _spell(skies))


def _overlaps(dusk: datetime | None, dawn: datetime | None, set_at: datetime, emptied_at: datetime) -> bool:
    """Say whether a night, perhaps with one open end, has some part inside the exposure."""
    if dusk is None and dawn is None:
        return False
    return (dusk is None or dusk < emptied_at) and (dawn is None or dawn > set_at)


def whole_nights(set_at: datetime, emptied_at: datetime, latitude: float, longitude: float) -> int:
    """Return how many nights (sunset to sunrise) lie wholly inside the exposure; see :func:`count_nights`."""
    return count_nights(set_at, emptied_at, latitude, longitude).whole


def nights_cut(set_at: datetime, emptied_at: datetime, latitude: float, longitude: float) -> int:
    """Return how many nights lie partly inside the exposure; see :func:`count_nights`."""
    return count_nights(set_at, emptied_at, latitude, longitude).cut
