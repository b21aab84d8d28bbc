"""Places against published definitions and an independent geodesic library."""

from __future__ import annotations

import math

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from surveys.methods.geography import (
    great_circle_m,
    half_diagonal_m,
    meridian_radius_m,
    parallel_radius_m,
    region_holds,
    snap_to_cell,
    square_uncertainty_m,
)


@pytest.mark.parametrize(("side_m", "metres"), [(1000, 708), (2000, 1415), (10_000, 7072)])
def test_the_uncertainty_of_a_square_is_its_half_diagonal_rounded_up(side_m: float, metres: int) -> None:
    """Darwin Core, coordinateUncertaintyInMeters: the smallest circle that holds the whole place; L / sqrt 2."""
    assert square_uncertainty_m(side_m) == metres


def test_los_angeles_to_new_york() -> None:
    """E. Williams, Aviation Formulary, worked example: 0.623585 rad between 33 57 N 118 24 W and 40 38 N 73 47 W."""
    metres = great_circle_m(33 + 57 / 60, -(118 + 24 / 60), 40 + 38 / 60, -(73 + 47 / 60))
    assert metres / 6_371_008.8 == pytest.approx(0.623585, abs=6e-7)


@pytest.mark.parametrize("latitude", [0.05, 30.05, 51.45, -33.85, 70.05, 89.95])
def test_no_corner_of_a_cell_is_farther_than_its_uncertainty(latitude: float) -> None:
    """Outside judge: geographiclib (Karney 2013), geodesics on WGS 84."""
    metres = half_diagonal_m(latitude, 0.1)
    corners = [
        Geodesic.WGS84.Inverse(latitude, 0.0, latitude + dy, dx)["s12"] for dy in (-0.05, 0.05) for dx in (-0.05, 0.05)
    ]
    assert max(corners) <= metres
    assert metres <= max(corners) * 1.002 + 2


@pytest.mark.parametrize(
    ("latitude", "meridian_m", "parallel_m"),
    [(0, 110_574.3, 111_319.5), (45, 111_131.8, 78_846.8), (60, 111_412.3, 55_800.3)],
)
def test_the_length_of_a_degree(latitude: float, meridian_m: float, parallel_m: float) -> None:
    """Length of a degree on WGS 84, as in common tables (Snyder 1987, table of lengths; from memory to 0.5 m)."""
    radians = math.radians(latitude)
    assert meridian_radius_m(radians) * math.radians(1) == pytest.approx(meridian_m, abs=1.0)
    assert parallel_radius_m(radians) * math.radians(1) == pytest.approx(parallel_m, abs=1.0)


@given(st.floats(-89.99, 89.99), st.floats(-179.99, 179.99))
def test_a_cell_holds_its_point_and_is_the_same_from_its_own_centre(latitude: float, longitude: float) -> None:
    cell = snap_to_cell(latitude, longitude)
    assert cell.south - 1e-6 <= latitude <= cell.south + 0.1 + 1e-6
    assert cell.west - 1e-6 <= longitude <= cell.west + 0.1 + 1e-6
    assert snap_to_cell(cell.centre_lat, cell.centre_lon) == cell
    assert cell.uncertainty_m > 0


def test_many_points_of_one_garden_give_one_cell() -> None:
    """Chapman (2020): snapping, never jitter, as jitter averages out over repeats."""
    cells = {snap_to_cell(51.5012 + n * 1e-6, -18.0433 - n * 1e-6).code for n in range(500)}
    assert cells == {"n51.50w18.10"}


@pytest.mark.parametrize("point", [(91, 0), (-91, 0), (0, 181), (0, -181)])
def test_a_point_that_is_not_on_earth_is_refused(point: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="no point"):
        snap_to_cell(*point)


def test_a_hole_is_outside_and_the_ring_inside() -> None:
    """Check values Z1 (shapely 2.2 and R sf agree): a square with a hole."""
    ring = [[0, 0], [10, 0], [10, 10], [0, 10], [0, 0]]
    hole = [[4, 4], [6, 4], [6, 6], [4, 6], [4, 4]]
    boundary = {"type": "Polygon", "coordinates": [ring, hole]}
    points = [(5, 1), (5, 5), (-1, 0), (10.0000001, 5), (3.999999, 5)]
    assert [region_holds(boundary, y, x) for x, y in points] == [True, False, False, False, True]
