"""Slips in the place: coordinates swapped, a sign lost, a point outside its region.

References: METHODS.md, section 7: test the swap and the sign flips against the region's outline;
offer, never apply. Boundary points count as inside ("covers").
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import lru_cache, partial, reduce
from itertools import product
from typing import Any

import shapely

from surveys.methods.records import Report
from surveys.methods.screening_records import FloatArray, Hunch, RegionFrame, ScreeningSettings, state_hunch
from surveys.vocabulary import QueryReason

MOST_LATITUDE = 90.0
MINUTES_IN_DEGREE = 60.0


def check_place(report: Report, region: RegionFrame, settings: ScreeningSettings) -> Iterator[Hunch]:
    """Suspect a point outside the region; offer a swap, a sign, or degrees and minutes that bring it inside."""
    rings = region.rings
    if not rings or _outline(region).intersects(shapely.Point(report.longitude, report.latitude)):
        return
    if is_inside(report.longitude, report.latitude, rings, settings.border_slack_deg):
        return
    inside = partial(is_inside, rings=rings, slack_deg=settings.border_slack_deg)
    for readings, offer in ((other_readings, _offer_place), (minute_readings, _offer_minutes)):
        for longitude, latitude in readings(report.longitude, report.latitude):
            if inside(longitude, latitude):
                yield offer(report, longitude, latitude)
                return
    nowhere = (report.longitude, report.latitude) == (0.0, 0.0)
    yield state_hunch(
        QueryReason.PLACE_OUTSIDE,
        0.85,
        "Both coordinates are zero: the place was left out."
        if nowhere
        else "The point lies outside its region, and no other reading of its two numbers brings it inside.",
        "The place of this trap is outside the area you picked. Look again at the point on the map.",
        {"sent": _point(report.longitude, report.latitude)},
    )


@lru_cache(maxsize=64)
def _outline(region: RegionFrame) -> Any:
    """Return the region as one prepared shape, even-odd, made once for all its returns."""
    outline = reduce(shapely.symmetric_difference, (shapely.make_valid(shapely.Polygon(ring)) for ring in region.rings))
    shapely.prepare(outline)
    return outline


def is_inside(longitude: float, latitude: float, rings: tuple[FloatArray, ...], slack_deg: float) -> bool:
    """Say whether a point lies in the rings or within ``slack_deg`` of one of them.

    Even-odd rule: inside when an odd number of rings covers it, so holes need no mark of their own.
    """
    point = shapely.Point(longitude, latitude)
    outlines = [shapely.Polygon(ring) for ring in rings]
    if sum(outline.covers(point) for outline in outlines) % 2 == 1:
        return True
    return any(float(outline.exterior.distance(point)) <= slack_deg for outline in outlines)


def other_readings(longitude: float, latitude: float) -> Iterator[tuple[float, float]]:
    """Yield the seven other readings of two numbers: signs flipped, then swapped with all signs."""
    for swapped, east, north in product((False, True), (1.0, -1.0), (1.0, -1.0)):
        x, y = (latitude, longitude) if swapped else (longitude, latitude)
        if (swapped or east < 0.0 or north < 0.0) and abs(y) <= MOST_LATITUDE:
            yield east * x, north * y


def read_as_minutes(degrees: float) -> float | None:
    """Return decimal degrees where two decimals are minutes (51.30 for 51 degrees 30 minutes), None from .60 on.

    Further decimals are parts of a minute. References: Zizka et al. 2019 (decimals all below .60).
    """
    whole = math.trunc(degrees)
    minutes = abs(degrees - whole) * 100.0
    return None if minutes >= MINUTES_IN_DEGREE else whole + math.copysign(minutes / MINUTES_IN_DEGREE, degrees)


def minute_readings(longitude: float, latitude: float) -> Iterator[tuple[float, float]]:
    """Yield the points meant where one or both numbers are degrees and minutes, or have their comma misplaced."""
    east, north = read_as_minutes(longitude), read_as_minutes(latitude)
    yield from product([x for x in (east, longitude) if x is not None], [y for y in (north, latitude) if y is not None])
    shifts = (1.0, 10.0, 0.1, 100.0, 0.01)
    yield from ((longitude * a, latitude * b) for a, b in product(shifts, repeat=2) if (a, b) != (1.0, 1.0))


def _offer_minutes(report: Report, longitude: float, latitude: float) -> Hunch:
    """Return a hunch that offers the reading as degrees and minutes."""
    return state_hunch(
        QueryReason.PLACE_MINUTES,
        0.93,
        f"The point ({report.latitude:.4f}, {report.longitude:.4f}) lies outside its region; read as degrees and "
        f"minutes, or with the comma put right, it is ({latitude:.4f}, {longitude:.4f}), which lies inside.",
        "The two numbers of your place may be degrees and minutes, where we need decimals, or a comma slipped. "
        "Look again at the point on the map.",
        {"sent": _point(report.longitude, report.latitude), "alternative": _point(longitude, latitude)},
    )


def _offer_place(report: Report, longitude: float, latitude: float) -> Hunch:
    """Return a hunch that offers another reading of the two numbers."""
    return state_hunch(
        QueryReason.PLACE_SIGNS,
        0.97,
        f"The point ({report.latitude:.4f}, {report.longitude:.4f}) lies outside its region; "
        f"({latitude:.4f}, {longitude:.4f}) lies inside. The numbers may be swapped or lack a minus sign.",
        "The two numbers of your place may be the wrong way round, or a minus sign is missing. "
        "Look again at the point on the map.",
        {"sent": _point(report.longitude, report.latitude), "alternative": _point(longitude, latitude)},
    )


def _point(longitude: float, latitude: float) -> dict[str, float]:
    """Return a point as plain data, to 4 decimals (about 11 m)."""
    return {"longitude": round(longitude, 4), "latitude": round(latitude, 4)}
