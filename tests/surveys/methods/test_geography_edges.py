"""The edges of cells and regions: every point belongs to exactly one cell, and to a region that borders it."""

from __future__ import annotations

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from surveys.methods.geography import great_circle_m, region_holds, snap_to_cell, square_uncertainty_m

#: The ellipsoid geodesics of GeographicLib (Karney 2013), an outside implementation.
WGS84 = Geodesic.WGS84

latitudes = st.floats(min_value=-90, max_value=90)
longitudes = st.floats(min_value=-180, max_value=180)
sizes = st.sampled_from([0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0])


def geodesic_m(lat1, lon1, lat2, lon2):
    return float(WGS84.Inverse(lat1, lon1, lat2, lon2)["s12"])


@pytest.mark.parametrize(
    ("side_m", "expected"),
    [
        # Half diagonals of check Z2 (R and Python agree), rounded up.
        (100, 71), (250, 177), (1000, 708), (2000, 1415), (5000, 3536), (10_000, 7072),
        # Half diagonals of check Z7, rounded up.
        (50, 36), (500, 354), (3000, 2122), (20_000, 14_143), (50_000, 35_356),
        # Darwin Core: zero is not valid for coordinateUncertaintyInMeters.
        (0, 1),
    ],
)  # fmt: skip
def test_a_square_has_the_published_half_diagonal_and_never_zero(side_m, expected):
    assert square_uncertainty_m(side_m) == expected


def test_the_great_circle_is_the_metres_of_two_other_programs():
    # Check Z3: 3972863.246 m on the mean sphere of 6371008.7714 m (R and Python agree).
    found = great_circle_m(33 + 57 / 60, -(118 + 24 / 60), 40 + 38 / 60, -(73 + 47 / 60))
    assert found == pytest.approx(3_972_863.246, rel=1e-6)


@given(latitudes, longitudes, latitudes, longitudes)
def test_the_great_circle_stays_near_the_geodesic(lat1, lon1, lat2, lon2):
    # A mean sphere differs from the ellipsoid by at most about 0.56 % (Karney 2013, from memory; 0.22 % in check Z3).
    assert great_circle_m(lat1, lon1, lat2, lon2) == pytest.approx(
        geodesic_m(lat1, lon1, lat2, lon2), rel=6e-3, abs=0.1
    )


@pytest.mark.parametrize(
    ("latitude", "longitude", "south", "west"),
    [
        (51.4378, -18.2345, 51.4, -18.3),  # arithmetic by hand
        (51.3, -18.2, 51.3, -18.2),  # 51.3 / 0.1 is 512.999... in binary: an edge belongs to the north and east
        (0.0, 0.0, 0.0, 0.0),
        (-0.01, -0.01, -0.1, -0.1),
        (90.0, 180.0, 89.9, 179.9),  # the last row and column keep their outer edge
        (-90.0, -180.0, -90.0, -180.0),
    ],
)
def test_an_edge_belongs_to_the_cell_north_or_east(latitude, longitude, south, west):
    cell = snap_to_cell(latitude, longitude)
    assert (cell.south, cell.west) == pytest.approx((south, west), abs=1e-9)


@given(latitudes, longitudes, sizes)
def test_no_point_of_a_cell_of_any_size_is_farther_from_its_centre_than_stated(latitude, longitude, size_deg):
    cell = snap_to_cell(latitude, longitude, size_deg)
    corners = [(cell.south + north, cell.west + east) for north in (0.0, size_deg) for east in (0.0, size_deg)]
    for lat, lon in [*corners, (latitude, longitude)]:
        assert geodesic_m(cell.centre_lat, cell.centre_lon, min(lat, 90.0), lon) <= cell.uncertainty_m + 0.1


def test_cells_around_the_zero_lines_have_codes_of_their_own():
    codes = {snap_to_cell(lat / 10 + 0.05, lon / 10 + 0.05).code for lat in range(-20, 20) for lon in range(-20, 20)}
    assert len(codes) == 40 * 40


@pytest.mark.parametrize(
    ("x", "y", "held"),
    [
        # Check Z1, "covers" (shapely 2.2.0 and R sf 1.0-9 agree): the boundary is held.
        (5, 1, True), (5, 5, False), (4, 5, True), (4, 4, True), (0, 5, True), (0, 0, True), (10, 10, True),
        (10.0000001, 5, False), (-1, 0, False), (3.999999, 5, True),
    ],
)  # fmt: skip
def test_a_region_holds_its_inside_and_its_outline_and_not_its_hole(x, y, held):
    outer = [[0, 0], [10, 0], [10, 10], [0, 10], [0, 0]]
    hole = [[4, 4], [4, 6], [6, 6], [6, 4], [4, 4]]
    assert region_holds({"type": "Polygon", "coordinates": [outer, hole]}, latitude=y, longitude=x) is held


def test_a_region_of_several_islands_holds_points_on_each():
    def island(west):
        return [[[west, 0], [west + 1, 0], [west + 1, 1], [west, 1], [west, 0]]]

    isles = {"type": "MultiPolygon", "coordinates": [island(0), island(3)]}
    assert [region_holds(isles, 0.5, x) for x in (0.5, 2.0, 3.5)] == [True, False, True]
