"""The map of squares: a point of the drawing is a place, and comes back."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import shape

from surveys.methods.garden_squares import cells_of, square_of, squares_of
from surveys.web.site_map import draw_cell, draw_region, draw_square, sheet_for
from tests.factories import square

REGION = square(-18, 51.25, 0.25)
ISLANDS = {
    "type": "MultiPolygon",
    "coordinates": [square(-18.02, 51.31, 0.03)["coordinates"], square(-17.81, 51.46, 0.02)["coordinates"]],
}


@given(st.floats(51, 52), st.floats(-19, -17))
def test_there_and_back_is_the_same_place(latitude: float, longitude: float) -> None:
    projection = draw_region(REGION).projection
    assert projection.to_place(*projection.to_map(latitude, longitude)) == pytest.approx((latitude, longitude))


def test_a_step_to_the_north_is_longer_than_one_to_the_east_by_the_cosine() -> None:
    # Snyder (1987), section 12: true along the standard parallel, here the middle of the shape drawn.
    projection = sheet_for(shape(square(-18, 51))).projection
    (x0, y0), (x1, y1) = projection.to_map(51, -18), projection.to_map(52, -17)
    assert (x1 - x0) / (y0 - y1) == pytest.approx(math.cos(math.radians(51.5)))
    assert x1 > x0
    assert y1 < y0


def test_a_region_is_shown_under_its_cells_and_each_leads_on() -> None:
    drawn = draw_region(REGION, [square(-19, 51)])
    assert [(tile.name, tile.value) for tile in drawn.tiles if tile] == [
        (name, cell.code) for name, cell in cells_of(REGION)
    ]
    for tile in drawn.tiles:
        assert tile is not None
        latitude, longitude = drawn.projection.to_place(*tile.middle)
        assert square_of(latitude, longitude).cell == tile.value
        assert tile.x >= 0
        assert tile.x + tile.width <= drawn.width + 0.1
        assert tile.y + tile.height <= drawn.height + 0.1


def test_each_tile_of_a_cell_lies_where_its_square_lies() -> None:
    _, cell = cells_of(REGION)[0]
    drawn = draw_cell(cell, REGION)
    named = {one.name: one for one in squares_of(cell)}
    for tile in drawn.tiles:
        assert tile is not None
        latitude, longitude = drawn.projection.to_place(*tile.middle)
        assert square_of(latitude, longitude) == named[tile.name]
    assert drawn.edges == pytest.approx({"north": 51.5, "south": 51.4, "west": -18.0, "east": -17.9})
    assert drawn.first == "A1"


def test_a_square_in_the_sea_has_no_tile() -> None:
    _, cell = cells_of(ISLANDS)[0]
    drawn = draw_cell(cell, ISLANDS)
    assert None in drawn.tiles
    assert len(drawn.tiles) == drawn.columns * 10


def test_nothing_empty_is_drawn() -> None:
    far = square(100, 10)
    for drawn in (draw_region(ISLANDS, [far]), *(draw_cell(cell, ISLANDS, [far]) for _, cell in cells_of(ISLANDS))):
        assert drawn.around == ""
        assert re.fullmatch(r"(M-?[\d.]+ -?[\d.]+(L-?[\d.]+ -?[\d.]+)+Z)*", drawn.land)


def test_the_marked_square_is_where_it_belongs() -> None:
    one = square_of(51.3333, -17.9)
    drawn = draw_square(one, REGION)
    (tile,) = drawn.tiles
    assert tile is not None
    assert drawn.projection.to_place(*tile.middle) == pytest.approx(one.middle, abs=1e-4)
