"""The map on which a household finds its ground: our own outlines, no tiles, no other server.

Three pictures: all regions; one region under the public cells; one cell under its squares of about 1 km. On each
a point of the picture can be turned into a place and back, so that a press on the map means the same as a square.

Projection: as :mod:`surveys.web.maps`, equirectangular. Reference: Snyder (1987) Map Projections: A Working
Manual, section 12 (equations 12-1 and 12-2, and their inverses 12-3 and 12-4).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from shapely import make_valid
from shapely.affinity import affine_transform
from shapely.geometry import box, shape
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from surveys.methods.garden_squares import GardenSquare, cells_of, columns_of, frame_of, squares_in_region, squares_of
from surveys.methods.geography import CELL_DEG, Cell
from surveys.web.maps import WIDTH, _frame, _rings

#: Units of one square of the plan of a cell.
SQUARE_SIDE = 40.0
FINEST = 0.4


@dataclass(frozen=True, slots=True)
class Projection:
    """Degrees to units of a drawing, and back: x = a lon + c, y = e lat + f."""

    a: float
    c: float
    e: float
    f: float

    def to_map(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Return where a place is drawn."""
        return self.a * longitude + self.c, self.e * latitude + self.f

    def to_place(self, x: float, y: float) -> tuple[float, float]:
        """Return latitude and longitude of a point of the drawing."""
        return (y - self.f) / self.e, (x - self.c) / self.a

    @property
    def matrix(self) -> list[float]:
        """The same as shapely's affine transformations want it."""
        return [self.a, 0.0, 0.0, self.e, self.c, self.f]


@dataclass(frozen=True, slots=True)
class Tile:
    """One thing to choose on a map: its name, where it is drawn, and what it stands for."""

    name: str
    value: str
    x: float
    y: float
    width: float
    height: float

    @property
    def middle(self) -> tuple[float, float]:
        return round(self.x + self.width / 2, 1), round(self.y + self.height / 2, 1)


@dataclass(frozen=True, slots=True)
class SiteMap:
    """A drawn map: size, the land as one SVG path, what lies around, tiles, and the degrees of its edges."""

    width: float
    height: float
    land: str
    around: str
    tiles: tuple[Tile | None, ...]
    columns: int
    edges: Mapping[str, float]
    projection: Projection

    @property
    def first(self) -> str:
        """What the first tile stands for; an error summary leads there."""
        return next((tile.value for tile in self.tiles if tile), "")


class _Sheet(NamedTuple):
    """A projection, and the size of the drawing that it fills."""

    projection: Projection
    width: float
    height: float


def sheet_for(place: BaseGeometry) -> _Sheet:
    """Return the projection that fits a shape into our maps, with width and height of the drawing."""
    matrix, height = _frame(place)
    return _Sheet(Projection(matrix[0], matrix[4], matrix[3], matrix[5]), WIDTH, round(height, 1))


def draw_region(boundary: Mapping[str, Any], others: Sequence[Mapping[str, Any]] = ()) -> SiteMap:
    """Return a region under the public cells that hold some part of it."""
    region = _shape(boundary)
    cells = cells_of(boundary)
    whole = unary_union([region, *(frame_of(cell) for _, cell in cells)])
    sheet = sheet_for(whole)
    tiles = tuple(_tile(name, cell.code, frame_of(cell), sheet.projection) for name, cell in cells)
    return _map(sheet, region, others, tiles)


def draw_cell(cell: Cell, boundary: Mapping[str, Any], others: Sequence[Mapping[str, Any]] = ()) -> SiteMap:
    """Return a cell under its squares, row by row from the north-west; None stands for one outside the region."""
    columns, rows = columns_of(cell), len(tuple(squares_of(cell))) // columns_of(cell)
    width, height = columns * SQUARE_SIDE, rows * SQUARE_SIDE
    projection = _onto(cell, width, height)
    inside = squares_in_region(cell, boundary)
    tiles = tuple(
        _tile(square.name, square.name, frame_of(square), projection) if square.name in inside else None
        for square in squares_of(cell)
    )
    window = frame_of(cell).buffer(CELL_DEG / 10)
    region = _shape(boundary).intersection(window)
    return _map(_Sheet(projection, width, height), region, others, tiles, columns)


def draw_square(square: GardenSquare, boundary: Mapping[str, Any]) -> SiteMap:
    """Return a region with one square of about 1 km marked in it."""
    region = _shape(boundary)
    sheet = sheet_for(unary_union([region, frame_of(square)]))
    tile = _tile(square.name, square.name, frame_of(square), sheet.projection)
    return _map(sheet, region, (), (tile,))


def _onto(cell: Cell, width: float, height: float) -> Projection:
    """Return the projection that lays a cell exactly onto a drawing of this size."""
    a, e = width / CELL_DEG, -height / CELL_DEG
    return Projection(a, -a * cell.west, e, -e * (cell.south + CELL_DEG))


def _map(
    sheet: _Sheet,
    region: BaseGeometry,
    others: Iterable[Mapping[str, Any]],
    tiles: tuple[Tile | None, ...],
    columns: int = 0,
) -> SiteMap:
    projection, width, height = sheet
    north, west = projection.to_place(0, 0)
    south, east = projection.to_place(width, height)
    edges = {"north": north, "west": west, "south": south, "east": east}
    seen = box(west, south, east, north)
    around = "".join(_paths((_shape(other).intersection(seen) for other in others), projection))
    return SiteMap(width, height, "".join(_paths([region], projection)), around, tiles, columns, edges, projection)


def _paths(places: Iterable[BaseGeometry], projection: Projection) -> Iterator[str]:
    for place in places:
        if place.is_empty:
            continue
        yield from _rings(affine_transform(place, projection.matrix).simplify(FINEST))


def _tile(name: str, value: str, frame: BaseGeometry, projection: Projection) -> Tile:
    west, south, east, north = frame.bounds
    x, y = projection.to_map(north, west)
    right, below = projection.to_map(south, east)
    return Tile(name, value, round(x, 1), round(y, 1), round(right - x, 1), round(below - y, 1))


def _shape(boundary: Mapping[str, Any]) -> BaseGeometry:
    return make_valid(shape(dict(boundary)))
