"""Squares of about one kilometre, in which a garden is kept: each public cell, cut into columns and rows.

A garden point is a home address. What is kept of it by default is the middle of such a square, worked out by
a fixed grid and never by a random offset, which many returns would average out. The squares nest in the public
cells, so what is kept always gives the same public cell.

References: Chapman (2020) Current Best Practices for Generalizing Sensitive Species Occurrence Data (snap to a
grid, never displace at random); the cut of a cell is own construction; METHODS.md, section "Garden squares".
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

from shapely import make_valid
from shapely.geometry import Point, box, shape
from shapely.geometry.base import BaseGeometry

from surveys.methods.geography import CELL_DEG, Cell, parallel_radius_m, snap_to_cell

KEPT_TO_M = 1000  # standards notes, C5: a garden is kept to 1 km unless its keeper wants it finer
FINE_TO_M = 11  # what four decimals of a degree hold, north to south
FINE_DECIMALS = 4
ROWS = 10  # a tenth of a cell of 0.1 degrees is 1.11 km, north to south
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True)
class GardenSquare:
    """One square of a public cell: its name there (``C5``: column from the west, row from the north) and its edges."""

    cell: str
    name: str
    south: float
    west: float
    north: float
    east: float

    @property
    def middle(self) -> tuple[float, float]:
        """Latitude and longitude of the middle."""
        return round((self.south + self.north) / 2, 6), round((self.west + self.east) / 2, 6)


def columns_of(cell: Cell) -> int:
    """Return into how many columns a cell is cut: as many as leave each a kilometre wide at its narrower edge."""
    poleward = math.radians(max(abs(cell.south), abs(cell.south + CELL_DEG)))
    width_m = math.radians(CELL_DEG) * parallel_radius_m(min(poleward, math.pi / 2))
    return max(1, math.floor(width_m / KEPT_TO_M))


def square_of(latitude: float, longitude: float) -> GardenSquare:
    """Return the square that holds a point; one on an edge belongs to the square north or east of it.

    Raises ValueError for a point that is not on Earth.
    """
    cell = snap_to_cell(latitude, longitude)
    columns = columns_of(cell)
    column = _step((longitude - cell.west) / CELL_DEG, columns)
    row = _step((latitude - cell.south) / CELL_DEG, ROWS)
    return _square(cell, columns, column, row)


def squares_of(cell: Cell) -> Iterator[GardenSquare]:
    """Yield all squares of a cell, row by row from the north-west."""
    columns = columns_of(cell)
    for row in reversed(range(ROWS)):
        for column in range(columns):
            yield _square(cell, columns, column, row)


def _step(share: float, parts: int) -> int:
    # Rounding first keeps a point on an edge on its own side of it.
    return min(max(math.floor(round(share * parts, 6)), 0), parts - 1)


def _square(cell: Cell, columns: int, column: int, row: int) -> GardenSquare:
    high, wide = CELL_DEG / ROWS, CELL_DEG / columns
    return GardenSquare(
        cell.code,
        f"{letters_of(column)}{ROWS - row}",
        round(cell.south + row * high, 6),
        round(cell.west + column * wide, 6),
        round(cell.south + (row + 1) * high, 6),
        round(cell.west + (column + 1) * wide, 6),
    )


def letters_of(number: int) -> str:
    """Return the letters of a column, counted from 0: A to Z, then AA, AB and so on."""
    first, last = divmod(number, len(LETTERS))
    return (LETTERS[first - 1] if first else "") + LETTERS[last]


def kept_point(latitude: float, longitude: float, boundary: Mapping[str, Any]) -> tuple[float, float]:
    """Return what is kept of a point by default: the middle of its square.

    Where that middle lies outside the region that holds the point (at a shore, at a border), it is the point in
    the middle of the square's part inside the region. Both depend on the square and the region only, so two
    gardens of one square and one region cannot be told apart.

    ``boundary`` is the region's GeoJSON geometry in degrees WGS 84. Returns latitude and longitude.
    """
    square = square_of(latitude, longitude)
    region = _outline(boundary)
    north, east = square.middle
    if region.covers(Point(east, north)):
        return north, east
    inside = region.intersection(box(square.west, square.south, square.east, square.north))
    if inside.is_empty:
        return north, east
    point = inside.representative_point()
    return round(point.y, 6), round(point.x, 6)


def fine_point(latitude: float, longitude: float) -> tuple[float, float]:
    """Return what is kept of a point whose keeper wants it fine: four decimals, about 11 m."""
    return round(latitude, FINE_DECIMALS), round(longitude, FINE_DECIMALS)


def cells_of(boundary: Mapping[str, Any]) -> tuple[tuple[str, Cell], ...]:
    """Return the public cells that hold some part of a region, each with a name, from the north-west.

    The name (``B3``) counts columns from the region's west and rows from its north.
    """
    region = _outline(boundary)
    west, south, east, north = region.bounds
    corner = snap_to_cell(north, west)
    places = product(
        range(_count(north - corner.south, north - south)), range(_count(corner.west + CELL_DEG - west, east - west))
    )
    cells = {
        (row, column): snap_to_cell(corner.centre_lat - row * CELL_DEG, corner.centre_lon + column * CELL_DEG)
        for row, column in places
    }
    held = {place: cell for place, cell in cells.items() if region.intersection(frame_of(cell)).area > 0}
    # An outline that ends on a line of the grid touches cells beyond it: they count for no name.
    top, left = (min(place[axis] for place in held) for axis in (0, 1))
    return tuple((f"{letters_of(column - left)}{row - top + 1}", cell) for (row, column), cell in held.items())


def _count(first: float, whole: float) -> int:
    """Return how many cells a stretch of ``whole`` degrees meets whose first cell takes ``first`` of it."""
    return 1 + max(0, math.ceil(round((whole - first) / CELL_DEG, 6)))


def frame_of(square: Cell | GardenSquare) -> BaseGeometry:
    """Return a cell or a square as a shape."""
    if isinstance(square, Cell):
        return box(square.west, square.south, square.west + CELL_DEG, square.south + CELL_DEG)
    return box(square.west, square.south, square.east, square.north)


def squares_in_region(cell: Cell, boundary: Mapping[str, Any]) -> frozenset[str]:
    """Return the names of those squares of a cell that hold some part of a region."""
    region = _outline(boundary).intersection(frame_of(cell))
    return frozenset(square.name for square in squares_of(cell) if region.intersection(frame_of(square)).area > 0)


def point_of_square(square: GardenSquare, boundary: Mapping[str, Any]) -> tuple[float, float]:
    """Return the point that stands for a square which was chosen as such: see :func:`kept_point`."""
    inside = _outline(boundary).intersection(frame_of(square))
    if inside.is_empty:
        raise ValueError(f"No part of square {square.name} lies in the region.")
    point = inside.representative_point()
    return kept_point(point.y, point.x, boundary)


def _outline(boundary: Mapping[str, Any]) -> BaseGeometry:
    return make_valid(shape(dict(boundary)))
