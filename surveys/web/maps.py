"""Region maps as SVG, drawn on the server from the regions' boundaries: no tiles, no other server.

Projection: equirectangular with the scale true at the map's middle latitude, which at the size of a
county is straight enough. Reference: Snyder (1987) Map Projections: A Working Manual, section 12.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from json import dumps, loads
from typing import Any

from shapely import maximum_inscribed_circle
from shapely.affinity import affine_transform
from shapely.geometry import MultiPolygon, Point, Polygon, shape
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

#: Units of the drawing; letters are sized for a phone's width of about 330 pixels.
WIDTH = 400.0
MARGIN = 14.0
#: Detail finer than this many units cannot be seen. Common practice, no source.
FINEST = 0.6
#: Flatter or taller maps than this are given air, so that labels have room.
SHORTEST, TALLEST = 220.0, 520.0


@dataclass(frozen=True, slots=True)
class Outline:
    """One region on the map: SVG path, and where its label stands with how much room there is."""

    code: str
    path: str
    x: float
    y: float
    room: float


@dataclass(frozen=True, slots=True)
class RegionMap:
    """A drawn map: size in units and the outlines, in the order in which the regions were given."""

    width: float
    height: float
    outlines: tuple[Outline, ...]


@dataclass(frozen=True, slots=True)
class PlaceMap:
    """A point on the map of its region, in units of the drawing, and whether it lies inside."""

    width: float
    height: float
    path: str
    x: float
    y: float
    is_inside: bool


def draw_place(boundary: Mapping[str, Any], latitude: float, longitude: float) -> PlaceMap:
    """Return the map of a region (GeoJSON geometry) with one point (degrees), which may lie outside."""
    region, point = shape(boundary), Point(longitude, latitude)
    matrix, height = _frame(unary_union([region, point]))
    there = affine_transform(point, matrix)
    path = "".join(_rings(affine_transform(region, matrix).simplify(FINEST)))
    return PlaceMap(WIDTH, round(height, 1), path, round(there.x, 1), round(there.y, 1), bool(region.covers(point)))


def draw_regions(boundaries: Sequence[tuple[str, Mapping[str, Any]]]) -> RegionMap | None:
    """Return the map of ``(code, GeoJSON geometry in WGS84 degrees)`` pairs, or None when there are none."""
    return (
        _draw(tuple((code, dumps(boundary, sort_keys=True)) for code, boundary in boundaries)) if boundaries else None
    )


@lru_cache(maxsize=16)
def _draw(boundaries: tuple[tuple[str, str], ...]) -> RegionMap:
    # Boundaries change with a season, pages are asked for all day: the drawing is kept.
    places = [(code, shape(loads(text))) for code, text in boundaries]
    matrix, height = _frame(unary_union([place for _, place in places]))
    outlines = tuple(_outline(code, affine_transform(place, matrix)) for code, place in places)
    return RegionMap(WIDTH, round(height, 1), outlines)


def _frame(whole: BaseGeometry) -> tuple[list[float], float]:
    """Return the affine matrix from degrees to units, and the height of the drawing."""
    west, south, east, north = whole.bounds
    shrink = math.cos(math.radians((south + north) / 2))
    wide, tall = max((east - west) * shrink, 1e-9), max(north - south, 1e-9)
    scale = min((WIDTH - 2 * MARGIN) / wide, (TALLEST - 2 * MARGIN) / tall)
    height = max(tall * scale + 2 * MARGIN, SHORTEST)
    left, top = (WIDTH - wide * scale) / 2, (height - tall * scale) / 2
    return [shrink * scale, 0, 0, -scale, left - west * shrink * scale, top + north * scale], height


def _outline(code: str, place: BaseGeometry) -> Outline:
    (x, y), room = _label_place(_largest(place))
    return Outline(code, "".join(_rings(place.simplify(FINEST))), round(x, 1), round(y, 1), round(room, 1))


def _label_place(part: Polygon) -> tuple[tuple[float, float], float]:
    """Return the best place for a label and its distance from the nearest border.

    That is the centre of the widest circle inside; but where the middle has nearly as much room,
    the middle looks better.
    """
    circle = maximum_inscribed_circle(part, tolerance=1.0)
    middle = part.centroid
    room = part.exterior.distance(middle) if part.contains(middle) else 0.0
    if room >= 0.8 * circle.length:
        return (middle.x, middle.y), room
    return (circle.coords[0][0], circle.coords[0][1]), circle.length


def _polygons(place: BaseGeometry) -> list[Polygon]:
    if isinstance(place, Polygon):
        return [place]
    return list(place.geoms) if isinstance(place, MultiPolygon) else []


def _largest(place: BaseGeometry) -> Polygon:
    return max(_polygons(place), key=lambda part: part.area)


def _rings(place: BaseGeometry) -> list[str]:
    return [_ring(ring.coords) for part in _polygons(place) for ring in (part.exterior, *part.interiors)]


def _ring(points: Any) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y, *_ in list(points)[:-1]) + "Z"


@dataclass(frozen=True, slots=True)
class Dot:
    """Some cells that lie close together on a map: where they stand, and how many sites are in them."""

    x: float
    y: float
    radius: float
    sites: int


#: Cells closer together than so many units are one dot, so that a map of forty thousand sites stays a small file.
NEAR = 10.0
#: Radius of a dot by its sites: from 1, from 5, from 25 on.
RADII = ((25, 4.6), (5, 3.4), (1, 2.2))


def draw_cells(
    boundaries: Sequence[tuple[str, Mapping[str, Any]]], cells: Sequence[tuple[float, float, int]]
) -> tuple[Dot, ...]:
    """Return dots for ``(longitude, latitude, sites)`` of cells, on the map that these boundaries make."""
    if not boundaries:
        return ()
    matrix, _ = _frame(unary_union([shape(boundary) for _code, boundary in boundaries]))
    near: dict[tuple[int, int], int] = {}
    for longitude, latitude, sites in cells:
        x, y = matrix[0] * longitude + matrix[4], matrix[3] * latitude + matrix[5]
        place = (math.floor(x / NEAR), math.floor(y / NEAR))
        near[place] = near.get(place, 0) + sites
    return tuple(
        Dot((x + 0.5) * NEAR, (y + 0.5) * NEAR, next(size for least, size in RADII if sites >= least), sites)
        for (x, y), sites in sorted(near.items())
    )


@dataclass(frozen=True, slots=True)
class Square:
    """A grid cell, or some of them side by side, on a map: its corner and size in units, and what is added up in it."""

    x: float
    y: float
    width: float
    height: float
    amount: float


#: More squares than this make a page heavy and say no more: cells are then drawn two by two, five by five and so on.
MOST_SQUARES = 2000


def draw_squares(
    boundaries: Sequence[tuple[str, Mapping[str, Any]]],
    cells: Sequence[tuple[float, float, float]],
    *,
    side_deg: float,
) -> tuple[Square, ...]:
    """Return the grid cells of ``(longitude, latitude, amount)`` of their centres, on the map of these boundaries.

    Cells of the same place are added up.
    """
    if not boundaries:
        return ()
    matrix, _ = _frame(unary_union([shape(boundary) for _code, boundary in boundaries]))
    for times in (1, 2, 5, 10, 20, 50):
        found = _added_up(cells, side_deg * times)
        if len(found) <= MOST_SQUARES:
            break
    return tuple(_square(place, amount, side_deg * times, matrix) for place, amount in sorted(found.items()))


def _added_up(cells: Sequence[tuple[float, float, float]], side_deg: float) -> dict[tuple[int, int], float]:
    found: dict[tuple[int, int], float] = {}
    for longitude, latitude, amount in cells:
        place = (math.floor(longitude / side_deg), math.floor(latitude / side_deg))
        found[place] = found.get(place, 0.0) + amount
    return found


def _square(place: tuple[int, int], amount: float, side_deg: float, matrix: list[float]) -> Square:
    west, north = place[0] * side_deg, (place[1] + 1) * side_deg
    return Square(
        x=round(matrix[0] * west + matrix[4], 1),
        y=round(matrix[3] * north + matrix[5], 1),
        width=round(matrix[0] * side_deg, 1),
        height=round(-matrix[3] * side_deg, 1),
        amount=amount,
    )
