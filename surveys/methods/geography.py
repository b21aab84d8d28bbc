"""Places: grid cells that hide a garden, distances, and which region holds a point.

References: Chapman (2020) Current Best Practices for Generalizing Sensitive Species Occurrence Data
(snap to a grid, never displace at random); WGS 84 ellipsoid constants, NIMA TR8350.2.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from json import dumps, loads
from typing import Any

from shapely import Polygon, box, intersects_xy, prepare
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

EQUATORIAL_RADIUS_M = 6_378_137.0  # WGS 84, semi-major axis
FLATTENING = 1 / 298.257223563  # WGS 84
MEAN_RADIUS_M = 6_371_008.8  # IUGG mean radius R1, for great circles

CELL_DEG = 0.1  # published place: about 10 km; standards notes, section 8, decision 1


@dataclass(frozen=True, slots=True)
class Cell:
    """One square of the grid: its code, south-west corner, centre, and half diagonal in metres."""

    code: str
    south: float
    west: float
    centre_lat: float
    centre_lon: float
    uncertainty_m: int


def snap_to_cell(latitude: float, longitude: float, size_deg: float = CELL_DEG) -> Cell:
    """Return the grid cell that holds a point.

    ``latitude``, ``longitude`` in degrees WGS 84; ``size_deg`` side of the cell in degrees. The same
    point always gives the same cell; a point on an edge belongs to the cell north or east of it.
    Raises ValueError for a point that is not on Earth.
    """
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise ValueError(f"There is no point at latitude {latitude}, longitude {longitude}.")
    row = min(_steps(latitude + 90, size_deg), _steps(180, size_deg) - 1)
    column = min(_steps(longitude + 180, size_deg), _steps(360, size_deg) - 1)
    south, west = row * size_deg - 90, column * size_deg - 180
    return Cell(
        code=f"{_half(south, 'n', 's')}{_half(west, 'e', 'w')}",
        south=round(south, 6),
        west=round(west, 6),
        centre_lat=round(south + size_deg / 2, 6),
        centre_lon=round(west + size_deg / 2, 6),
        uncertainty_m=half_diagonal_m(south + size_deg / 2, size_deg),
    )


def cell_around(latitude: float, longitude: float) -> Polygon:
    """Return the cell of :data:`CELL_DEG` degrees around a centre, in degrees WGS 84, its ring against the clock."""
    half = CELL_DEG / 2
    edges = (longitude - half, latitude - half, longitude + half, latitude + half)
    return box(*(round(edge, 6) for edge in edges), ccw=True)


def _steps(degrees: float, size_deg: float) -> int:
    # Rounding first keeps 51.3 / 0.1 from becoming 512.999...
    return math.floor(round(degrees / size_deg, 9))


def _half(degrees: float, positive: str, negative: str) -> str:
    return f"{positive if degrees > -1e-9 else negative}{abs(round(degrees, 4)):.2f}"


def half_diagonal_m(latitude: float, size_deg: float) -> int:
    """Return half the diagonal of a cell centred at ``latitude``, in whole metres, rounded up.

    Sides are arcs of the WGS 84 meridian and parallel at the wider (equatorward) edge, so that no
    point of the cell is farther from the centre. References: M(phi) and N(phi), Snyder (1987), eq. 4-18 to 4-20.
    """
    edge = math.radians(max(abs(latitude) - size_deg / 2, 0.0))
    pole = math.radians(min(abs(latitude) + size_deg / 2, 90.0))
    half = math.radians(size_deg / 2)
    north = half * meridian_radius_m(pole)
    east = half * parallel_radius_m(edge)
    return math.ceil(math.hypot(north, east))


def square_uncertainty_m(side_m: float) -> int:
    """Return half the diagonal of a square of ``side_m`` metres, rounded up; never 0."""
    return max(math.ceil(side_m / math.sqrt(2)), 1)


def meridian_radius_m(latitude_rad: float) -> float:
    """Return the radius of curvature of the meridian, in metres. Reference: Snyder (1987), eq. 4-18."""
    squared = FLATTENING * (2 - FLATTENING)
    curvature: float = (1 - squared * math.sin(latitude_rad) ** 2) ** 1.5
    return EQUATORIAL_RADIUS_M * (1 - squared) / curvature


def parallel_radius_m(latitude_rad: float) -> float:
    """Return the radius of the parallel, in metres. Reference: Snyder (1987), eq. 4-20."""
    squared = FLATTENING * (2 - FLATTENING)
    return EQUATORIAL_RADIUS_M * math.cos(latitude_rad) / math.sqrt(1 - squared * math.sin(latitude_rad) ** 2)


def great_circle_m(lat1: float, lon1: float, lat2: float, lon2: float) -> float:
    """Return the great-circle distance between two points in metres (haversine, mean radius)."""
    first, second = math.radians(lat1), math.radians(lat2)
    half_lat, half_lon = (second - first) / 2, math.radians(lon2 - lon1) / 2
    chord = math.sin(half_lat) ** 2 + math.cos(first) * math.cos(second) * math.sin(half_lon) ** 2
    return 2 * MEAN_RADIUS_M * math.asin(min(1.0, math.sqrt(chord)))


def region_holds(boundary: Mapping[str, Any], latitude: float, longitude: float) -> bool:
    """Say whether a region (a GeoJSON Polygon or MultiPolygon) holds a point.

    A point on the outline is held, so that no garden falls between two regions that share a border;
    whoever asks several regions takes the first that says yes.
    """
    return bool(intersects_xy(_outline(dumps(boundary)), longitude, latitude))


@lru_cache(maxsize=256)
def _outline(boundary: str) -> BaseGeometry:
    outline = shape(loads(boundary))
    prepare(outline)
    return outline
