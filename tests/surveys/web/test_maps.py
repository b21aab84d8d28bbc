"""Region maps: the right shape, the right way up, labels inside."""

from __future__ import annotations

import math
import re

import pytest
from shapely.geometry import Point, Polygon

from surveys.web.maps import WIDTH, draw_regions
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
