"""Areas on the WGS 84 ellipsoid, through an equal-area projection.

Reference: Snyder (1987) Map Projections: A Working Manual, eq. 3-12 (q) and 10-14, 10-15 (cylindrical equal-area, with
the equator as its standard parallel: x = a lambda, y = a q / 2). Constants: WGS 84, NIMA TR8350.2.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from surveys.methods.geography import EQUATORIAL_RADIUS_M, FLATTENING

#: A side is straight in degrees (RFC 7946, section 3.1.1) and bends in the projection: it is cut into pieces of this
#: length first.
PIECE_DEG = 0.005
_E2 = FLATTENING * (2 - FLATTENING)
_E = math.sqrt(_E2)


def authalic_q(latitude_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return q of a latitude. Reference: Snyder (1987), eq. 3-12."""
    sine = np.sin(np.radians(latitude_deg))
    found: NDArray[np.float64] = (1 - _E2) * (
        sine / (1 - _E2 * sine**2) - np.log((1 - _E * sine) / (1 + _E * sine)) / (2 * _E)
    )
    return found


def area_km2(place: BaseGeometry) -> float:
    """Return the area of a geometry in WGS 84 degrees, in square kilometres; its sides are straight in degrees."""
    if place.is_empty:
        return 0.0
    flat = shapely.transform(shapely.segmentize(place, PIECE_DEG), _to_equal_area)
    return float(flat.area) / 1e6


def _to_equal_area(points: NDArray[np.float64]) -> NDArray[np.float64]:
    x = EQUATORIAL_RADIUS_M * np.radians(points[:, 0])
    y = EQUATORIAL_RADIUS_M * authalic_q(points[:, 1]) / 2
    return np.column_stack([x, y])
