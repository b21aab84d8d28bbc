"""Squares of a kilometre: measured with geographiclib, nested in the public cells, the same for all in them."""

from __future__ import annotations

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Point, shape

from surveys.methods.garden_squares import (
    cells_of,
    columns_of,
    fine_point,
    kept_point,
    letters_of,
    point_of_square,
    square_of,
    squares_in_region,
    squares_of,
)
from surveys.methods.geography import snap_to_cell
from tests.factories import square

LATITUDES = st.floats(-84, 84)
LONGITUDES = st.floats(-179.99, 179.99)
WORLD = square(-180, -90, 360)
WORLD["coordinates"][0] = [[-180, -90], [180, -90], [180, 90], [-180, 90], [-180, -90]]
EASTMARK = square(-18, 51)


def sides_m(one: object) -> tuple[float, float, float]:
    """Return the lengths of south, north and west edge on the WGS 84 ellipsoid (Karney 2013)."""
    earth = Geodesic.WGS84
    west, east, south, north = (getattr(one, name) for name in ("west", "east", "south", "north"))
    return (
        earth.Inverse(south, west, south, east)["s12"],
        earth.Inverse(north, west, north, east)["s12"],
        earth.Inverse(south, west, north, west)["s12"],
    )


@given(LATITUDES, LONGITUDES)
def test_a_square_is_at_least_a_kilometre_wide_each_way_and_less_than_two(latitude: float, longitude: float) -> None:
    assert all(999.9 <= side < 2100 for side in sides_m(square_of(latitude, longitude)))


@given(LATITUDES, LONGITUDES)
def test_a_square_holds_its_point_and_lies_in_the_public_cell(latitude: float, longitude: float) -> None:
    found = square_of(latitude, longitude)
    assert found.south - 1e-6 <= latitude <= found.north + 1e-6
    assert found.west - 1e-6 <= longitude <= found.east + 1e-6
    assert found.cell == snap_to_cell(latitude, longitude).code
    assert snap_to_cell(*found.middle).code == found.cell


@given(LATITUDES, LONGITUDES)
def test_what_is_kept_of_what_is_kept_is_the_same(latitude: float, longitude: float) -> None:
    once = kept_point(latitude, longitude, WORLD)
    assert kept_point(*once, WORLD) == once


@given(st.floats(0, 1), st.floats(0, 1))
def test_all_gardens_of_a_square_are_kept_as_one_point(up: float, along: float) -> None:
    one = square_of(51.5512, -17.4433)
    latitude = one.south + up * (one.north - one.south) * 0.999
    longitude = one.west + along * (one.east - one.west) * 0.999
    if square_of(latitude, longitude) == one:
        assert kept_point(latitude, longitude, EASTMARK) == one.middle


def test_a_square_at_51_degrees_by_hand() -> None:
    # 0.1 degrees of longitude at 51.6 N: 6378137 cos(51.6) / sqrt(1 - 0.00669438 sin^2(51.6)) x 0.1 pi / 180 = 6929 m:
    # six columns. 51.5512 lies 0.0512 above 51.5: the sixth tenth from the south, so the fifth row from the north.
    # -17.4433 lies 0.0567 east of -17.5: 0.0567 / (0.1 / 6) = 3.4, so the fourth column.
    found = square_of(51.5512, -17.4433)
    assert (found.cell, found.name, columns_of(snap_to_cell(51.5512, -17.4433))) == ("n51.50w17.50", "D5", 6)
    assert found.middle == pytest.approx((51.555, -17.5 + 3.5 / 60), abs=1e-6)


def test_the_squares_of_a_cell_cover_it_and_have_names_of_their_own() -> None:
    cell = snap_to_cell(51.55, -17.45)
    found = list(squares_of(cell))
    assert len(found) == 60
    assert len({one.name for one in found}) == 60
    assert (found[0].name, found[0].north, found[0].west) == ("A1", pytest.approx(51.6), pytest.approx(-17.5))
    assert (found[-1].name, found[-1].south, found[-1].east) == ("F10", pytest.approx(51.5), pytest.approx(-17.4))
    assert sum((one.north - one.south) * (one.east - one.west) for one in found) == pytest.approx(0.01)


def test_a_middle_in_the_sea_moves_to_the_part_of_its_square_on_land() -> None:
    # A region that ends 0.002 degrees east of the square's west edge: the middle lies outside of it.
    one = square_of(51.5512, -17.4433)
    sliver = square(one.west - 1, 51, 1.002)
    assert not shape(sliver).covers(Point(one.middle[1], one.middle[0]))
    latitude, longitude = kept_point(51.5512, one.west + 0.001, sliver)
    assert shape(sliver).covers(Point(longitude, latitude))
    assert square_of(latitude, longitude) == one
    # Another garden of the same strip is kept as the same point: nothing of where it stands comes through.
    assert kept_point(51.5588, one.west + 0.0004, sliver) == (latitude, longitude)


@given(st.floats(0, 1), st.floats(0, 1))
def test_what_is_kept_lies_in_the_region_of_the_garden(up: float, along: float) -> None:
    island = square(-17.4461, 51.5473, 0.0137)
    latitude, longitude = 51.5473 + up * 0.0137, -17.4461 + along * 0.0137
    north, east = kept_point(latitude, longitude, island)
    assert shape(island).buffer(1e-6).covers(Point(east, north))


def test_a_fine_point_has_four_decimals() -> None:
    assert fine_point(51.501249, -17.543351) == (51.5012, -17.5434)


def test_the_cells_of_a_region_are_named_from_its_north_west() -> None:
    found = dict(cells_of(square(-18, 51.25, 0.25)))
    # 51.25 to 51.5 and -18 to -17.75: three cells each way, by hand.
    assert sorted(found) == ["A1", "A2", "A3", "B1", "B2", "B3", "C1", "C2", "C3"]
    assert (found["A1"].south, found["A1"].west) == (51.4, -18.0)
    assert (found["C3"].south, found["C3"].west) == (51.2, -17.8)


def test_a_cell_without_land_is_left_out_and_so_is_a_square() -> None:
    corner = {"type": "Polygon", "coordinates": [[[-18, 51], [-17.9, 51], [-18, 51.1], [-18, 51]]]}
    ((name, cell),) = cells_of(corner)
    assert name == "A1"
    inside = squares_in_region(cell, corner)
    assert "A1" in inside
    assert "F1" not in inside


def test_a_chosen_square_stands_for_a_point_inside_the_region() -> None:
    cell = snap_to_cell(51.55, -17.45)
    one = next(found for found in squares_of(cell) if found.name == "C5")
    assert point_of_square(one, EASTMARK) == one.middle
    with pytest.raises(ValueError, match="No part"):
        point_of_square(one, square(10, 10))


@pytest.mark.parametrize(("number", "letters"), [(0, "A"), (25, "Z"), (26, "AA"), (27, "AB"), (52, "BA")])
def test_columns_beyond_z_get_two_letters(number: int, letters: str) -> None:
    assert letters_of(number) == letters
