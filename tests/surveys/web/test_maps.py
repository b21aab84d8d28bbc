"""Region maps: the right shape, the right way up, labels inside."""

from __future__ import annotations

import math
import re

import pytest
from shapely.geometry import Point, Polygon

from surveys.web.maps import MOST_SQUARES, WIDTH, draw_regions, draw_squares
from tests.factories import square


def corners(path: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"(-?[\d.]+) (-?[\d.]+)", path)]


def test_no_regions_make_no_map() -> None:
    assert draw_regions([]) is None


def test_north_is_up_and_east_is_right() -> None:
    drawn = draw_regions([("west", square(-19, 51)), ("east", square(-18, 51)), ("north", square(-18, 52))])
    assert drawn is not None
    west, east, north = drawn.outlines
    assert west.x < east.x
    assert north.y < east.y


@pytest.mark.parametrize("latitude", [0, 51.5, -70])
def test_a_degree_of_longitude_is_drawn_shorter_by_the_cosine_of_the_latitude(latitude: float) -> None:
    # Snyder (1987), section 12: the equirectangular projection is true along its standard parallel.
    drawn = draw_regions([("a", square(-18, latitude - 0.5))])
    assert drawn is not None
    points = corners(drawn.outlines[0].path)
    wide = max(x for x, _ in points) - min(x for x, _ in points)
    tall = max(y for _, y in points) - min(y for _, y in points)
    assert wide / tall == pytest.approx(math.cos(math.radians(latitude)), abs=0.002)


def test_everything_lies_inside_the_drawing_and_each_label_inside_its_region() -> None:
    hook = {
        "type": "Polygon",
        "coordinates": [[[-18, 51], [-16, 51], [-16, 51.2], [-17.8, 51.2], [-17.8, 53], [-18, 53], [-18, 51]]],
    }
    islands = {
        "type": "MultiPolygon",
        "coordinates": [square(-20, 51, 0.2)["coordinates"], square(-21, 52)["coordinates"]],
    }
    drawn = draw_regions([("hook", hook), ("islands", islands)])
    assert drawn is not None
    assert drawn.width == WIDTH
    for outline in drawn.outlines:
        assert all(0 <= x <= drawn.width and 0 <= y <= drawn.height for x, y in corners(outline.path))
        rings = [corners(ring) for ring in outline.path.split("Z") if ring]
        assert any(Polygon(ring).contains(Point(outline.x, outline.y)) for ring in rings)


def test_a_lake_stays_a_hole() -> None:
    outer = square(-18, 51)["coordinates"][0]
    lake = square(-17.6, 51.4, 0.2)["coordinates"][0]
    drawn = draw_regions([("a", {"type": "Polygon", "coordinates": [outer, lake]})])
    assert drawn is not None
    assert drawn.outlines[0].path.count("Z") == 2


CELLS = [(-17.95, 51.45, 3.0), (-17.85, 51.45, 5.0), (-17.95, 51.55, 7.0)]


def test_a_cell_is_drawn_around_its_centre_on_the_map_of_its_region() -> None:
    """By hand: a square region of one degree is as wide as the drawing but for its margins, and a cell a tenth of it."""
    region = [("a", square(-18, 51))]
    drawn = draw_regions(region)
    assert drawn is not None
    west, north = min(x for x, _ in corners(drawn.outlines[0].path)), min(y for _, y in corners(drawn.outlines[0].path))
    wide = max(x for x, _ in corners(drawn.outlines[0].path)) - west
    tall = max(y for _, y in corners(drawn.outlines[0].path)) - north
    found = {one.amount: one for one in draw_squares(region, CELLS, side_deg=0.1)}
    assert len(found) == 3
    for amount, (column, row) in {3.0: (0, 5), 5.0: (1, 5), 7.0: (0, 4)}.items():
        one = found[amount]
        # Corners are rounded to a tenth of a unit.
        assert (one.width, one.height) == (pytest.approx(wide / 10, abs=0.1), pytest.approx(tall / 10, abs=0.1))
        assert (one.x, one.y) == (
            pytest.approx(west + column * wide / 10, abs=0.15),
            pytest.approx(north + row * tall / 10, abs=0.15),
        )


def test_cells_of_the_same_place_are_added_up_whatever_their_region() -> None:
    found = draw_squares([("a", square(-18, 51))], [*CELLS, (-17.95, 51.45, 4.0)], side_deg=0.1)
    assert sorted(one.amount for one in found) == [5.0, 7.0, 7.0]


def test_very_many_cells_are_drawn_together_and_nothing_of_them_is_lost() -> None:
    many = [(-18 + 0.1 * column + 0.05, 50 + 0.1 * row + 0.05, 1.0) for column in range(60) for row in range(60)]
    found = draw_squares([("a", square(-18, 50, 6.0))], many, side_deg=0.1)
    assert len(many) > MOST_SQUARES >= len(found)
    # Two by two: 30 x 30 squares of four cells each.
    assert [one.amount for one in found] == [4.0] * 900


def test_cells_without_regions_make_no_drawing() -> None:
    assert draw_squares([], CELLS, side_deg=0.1) == ()
