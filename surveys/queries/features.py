"""Features for map programs: regions, index values and grid cells, page by page. Never a garden.

A place is a whole region or a whole grid cell, and a box is held against nothing finer. Pages go by key, so the last
one costs as much as the first.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple, Protocol, TypeVar

from django.core.cache import cache
from django.db.models import Q, QuerySet
from shapely import MultiPolygon, box
from shapely.geometry.base import BaseGeometry

from surveys.errors import Fault, Faulty, NotFound
from surveys.queries.ground import Ground, ListedRegion, Stretch


class _WithCode(Protocol):
    @property
    def code(self) -> str: ...


Listed = TypeVar("Listed", bound=_WithCode)
#: How many match is counted anew after so many seconds at the latest; it changes with the run or the release.
_COUNT_KEPT_S = 600


class Box(NamedTuple):
    """Edges in degrees, WGS 84. West of more than east means across the 180th meridian (RFC 7946, section 5.2)."""

    west: float
    south: float
    east: float
    north: float

    @property
    def crosses(self) -> bool:
        """Whether the box lies across the 180th meridian."""
        return self.west > self.east

    @property
    def shape(self) -> BaseGeometry:
        """The box as a polygon, or as two."""
        if not self.crosses:
            return box(*self)
        return MultiPolygon([box(self.west, self.south, 180, self.north), box(-180, self.south, self.east, self.north)])


class Moments(NamedTuple):
    """From one instant to another, both of which belong to it; None where it has no beginning or no end."""

    first: datetime | None
    last: datetime | None

    def touch(self, stretch: Stretch) -> bool:
        """Say whether they share an instant with a stretch."""
        return (self.first is None or self.first < stretch.end) and (self.last is None or self.last >= stretch.first)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked for: so many features behind one of them, in a box, in a time, with these codes."""

    limit: int
    after: str = ""
    box: Box | None = None
    moments: Moments | None = None
    codes: Mapping[str, str] = field(default_factory=dict)


class Feature(NamedTuple):
    """One feature: an id that stays, a GeoJSON geometry and properties."""

    id: str
    geometry: Mapping[str, Any]
    properties: Mapping[str, Any]


class FeaturePage(NamedTuple):
    """Some features, whether more follow, and how many match in all."""

    features: Sequence[Feature]
    more: bool
    matched: int


def unknown_id(given: str) -> NotFound:
    """Return the refusal of an id that no feature has."""
    return NotFound(f"There is no feature {given[:80]!r} here.")


def unknown_after(given: str) -> Faulty:
    """Return the refusal of a page that begins behind nothing."""
    sentence = f'{given[:80]!r} is no id of a feature here. Begin at the first page and follow its link "next".'
    return Faulty(sentence, faults=(Fault("/after", "unknown_after", sentence),))


def with_code(rows: Iterable[Listed], code: str | None) -> list[Listed]:
    """Return the rows with this code, all where none is asked for."""
    return [row for row in rows if code is None or row.code == code]


def in_box(regions: Iterable[ListedRegion], asked: Box | None, *, finest: bool = False) -> list[ListedRegion]:
    """Return the regions that a box touches: their outlines, or with ``finest`` their boundaries."""
    if asked is None:
        return list(regions)
    place = asked.shape
    return [one for one in regions if place.intersects((one.boundary if finest else one.outline).shape)]


def matched(mark: str, wanted: Wanted, rows: Callable[[], QuerySet[Any]]) -> int:
    """Return how many rows there are in all; counted once for all pages. One query, or none."""
    asked = (mark, wanted.box, wanted.moments, sorted(wanted.codes.items()))
    key = f"features:{hashlib.sha256(repr(asked).encode()).hexdigest()}"
    found: int | None = cache.get(key)
    if found is None:
        found = rows().count()
        cache.set(key, found, _COUNT_KEPT_S)
    return found


def box_on_cells(asked: Box, half_deg: float) -> Q:
    """Return the condition that a cell touches a box; cells have their centre in the table."""
    reach = half_deg + 1e-7  # a tenth of what is told of an edge: touching counts, whatever the last bit says
    column = "cell_longitude"
    east_of, west_of = Q(**{f"{column}__gte": asked.west - reach}), Q(**{f"{column}__lte": asked.east + reach})
    across = east_of | west_of if asked.crosses else east_of & west_of
    return across & Q(cell_latitude__gte=asked.south - reach, cell_latitude__lte=asked.north + reach)


# --- regions ----------------------------------------------------------------------------------------


def regions_page(ground: Ground, wanted: Wanted) -> FeaturePage:
    """Return the regions of opened seasons, with their boundaries. No query."""
    found = with_code(ground.regions.values(), wanted.codes.get("code"))
    found = [one for one in in_box(found, wanted.box, finest=True) if _is_in(one, wanted)]
    behind = _region(ground, wanted.after, unknown_after).pk if wanted.after else 0
    rest = [one for one in found if one.pk > behind]
    return FeaturePage([_region_feature(one) for one in rest[: wanted.limit]], len(rest) > wanted.limit, len(found))


def region_feature(ground: Ground, identifier: str) -> Feature:
    """Return one region. No query."""
    return _region_feature(_region(ground, identifier, unknown_id))


def _is_in(region: ListedRegion, wanted: Wanted) -> bool:
    theirs = with_code(region.seasons, wanted.codes.get("season"))
    return any(wanted.moments is None or wanted.moments.touch(one.stretch) for one in theirs)


def _region(ground: Ground, identifier: str, refusal: Callable[[str], Exception]) -> ListedRegion:
    for one in ground.regions.values():
        if one.code == identifier:
            return one
    raise refusal(identifier)


def _region_feature(region: ListedRegion) -> Feature:
    theirs = ", ".join(one.code for one in region.seasons)
    return Feature(region.code, region.boundary.geometry, {"code": region.code, "name": region.name, "seasons": theirs})
