"""Areas against other people's numbers: Karney's geodesic polygons, the surface of the Earth, a rectangle by hand."""

from __future__ import annotations

import math

import pytest
import shapely
from geographiclib.geodesic import Geodesic
from shapely.geometry import Polygon, box

from surveys.plans.areas import area_km2


def karney_km2(points: list[tuple[float, float]]) -> float:
    """Return the area of a geodesic polygon. Outside reference: GeographicLib (Karney 2013)."""
    polygon = Geodesic.WGS84.Polygon()
    for longitude, latitude in points:
        polygon.AddPoint(latitude, longitude)
    return abs(polygon.Compute()[2]) / 1e6


def test_the_whole_earth_has_its_published_surface() -> None:
    """WGS 84: 510 065 621.724 km2 (NIMA TR8350.2, table 3.3 to the metre; GeographicLib gives the same)."""
    assert area_km2(box(-180, -90, 180, 90)) == pytest.approx(510_065_621.724, rel=1e-9)


@pytest.mark.parametrize(("south", "rel"), [(-60.0, 1e-6), (0.0, 1e-6), (51.0, 1e-6), (70.0, 1e-6)])
def test_a_rectangle_agrees_with_geodesic_polygons(south: float, rel: float) -> None:
    # Sides along a parallel are cut fine, so that geodesics follow them.
    steps = [-18 + n / 2000 for n in range(2001)]
    ring = [(x, south) for x in steps] + [(x, south + 1) for x in reversed(steps)]
    assert area_km2(box(-18, south, -17, south + 1)) == pytest.approx(karney_km2(ring), rel=rel)


def test_a_rectangle_agrees_with_the_formula_of_a_sphere_to_a_hundredth() -> None:
    """By hand: R^2 x (18 - 17 degrees) x (sin 52 - sin 51), R = 6371.0072 km, the authalic radius of WGS 84."""
    by_hand = 6371.0072**2 * math.radians(1) * (math.sin(math.radians(52)) - math.sin(math.radians(51)))
    assert by_hand == pytest.approx(7696.9, abs=0.5)
    assert area_km2(box(-18, 51, -17, 52)) == pytest.approx(by_hand, rel=0.01)


def test_a_slanted_triangle_agrees_with_geodesics_along_its_sides() -> None:
    """RFC 7946, 3.1.1: a side is straight in degrees. Cut fine, geodesics follow it."""
    triangle = Polygon([(-18.0, 51.5), (-17.95, 51.5), (-17.97, 51.55)])
    along = shapely.segmentize(triangle, 0.0001).exterior.coords[:-1]
    assert area_km2(triangle) == pytest.approx(karney_km2(list(along)), rel=1e-5)


def test_nothing_has_no_area() -> None:
    assert area_km2(Polygon()) == 0.0
