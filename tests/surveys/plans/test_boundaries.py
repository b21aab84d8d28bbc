"""What is still to do about regions: names and codes, crossed lines, overlaps, gaps, regions in use, swapped axes."""

from __future__ import annotations

from typing import Any

import pytest
import shapely
from shapely.geometry import shape

from surveys.plans.shapes import FAR_DEG, REASONS, area_in_words, place_in_words, same_shape
from surveys.vocabulary import PlanSection
from tests.factories import ROOT, square
from tests.surveys.plans.drafts import collection, faults_of, feature, known, told
from tests.surveys.plans.test_areas import karney_km2
from tests.surveys.plans.test_geojson import read


def polygon(*rings: list[list[float]]) -> dict[str, Any]:
    return {"type": "Polygon", "coordinates": [[*ring, ring[0]] for ring in rings]}


def box(west: float, south: float, east: float, north: float) -> list[list[float]]:
    return [[west, south], [east, south], [east, north], [west, north]]


def sole(boundaries: Any, **more: Any) -> Any:
    (fault,) = faults_of(boundaries=boundaries, **more)
    assert fault.section == PlanSection.REGIONS
    return fault


def test_before_a_file_was_sent_it_is_asked_for() -> None:
    assert told(sole({})) == [("regions", "no_regions", "file")]


NAMES: list[tuple[tuple[str, str], str, str]] = [
    (("", "Eastmark"), "code_missing", "region-1-code"),
    (("East Mark", "Eastmark"), "code_odd", "region-1-code"),
    (("e" * 41, "Eastmark"), "code_odd", "region-1-code"),
    (("eastmark", ""), "name_missing", "region-1-name"),
    (("eastmark", "E" * 81), "name_too_long", "region-1-name"),
]


@pytest.mark.parametrize(("own", "code", "target"), NAMES)
def test_a_wrong_code_or_name_is_told_beside_its_box(own: tuple[str, str], code: str, target: str) -> None:
    assert told(sole(collection(feature(*own, square(-18, 51))))) == [("regions", code, target)]


def test_doubled_codes_and_names_are_told_at_each_of_them() -> None:
    two = collection(feature("a", "Cawder", square(-18, 51)), feature("a", "cawder", square(-16, 51)))
    assert told(*faults_of(boundaries=two)) == [
        ("regions", "name_twice", "region-1-name"), ("regions", "code_twice", "region-1-code"),
        ("regions", "name_twice", "region-2-name"), ("regions", "code_twice", "region-2-code"),
    ]  # fmt: skip


INVALID: list[tuple[dict[str, Any], str, str]] = [
    (polygon([[0, 0], [1, 1], [1, 0], [0, 1]]), "Self-intersection", "0.5000° N, 0.5000° E"),
    (polygon(box(0, 0, 1, 1), box(2, 2, 3, 3)), "Hole lies outside shell", "2.0000° N"),
    (polygon(box(0, 0, 9, 9), box(1, 1, 8, 8), box(2, 2, 3, 3)), "Holes are nested", "2.0000° N"),
    (polygon(box(0, 0, 4, 4), [[0, 2], [2, 0], [4, 2], [2, 4]]), "Interior is disconnected", "° N"),
    (polygon([[0, 0], [2, 0], [1, 1], [2, 2], [0, 2], [1, 1]]), "Ring Self-intersection", "1.0000° N, 1.0000° E"),
    (
        {"type": "MultiPolygon", "coordinates": [polygon(box(0, 0, 9, 9))["coordinates"], polygon(box(1, 1, 2, 2))["coordinates"]]},
        "Nested shells", "° N",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("geometry", "reason", "where"), INVALID, ids=[one[1] for one in INVALID])
def test_each_kind_of_crossed_line_is_told_with_its_place(geometry: dict[str, Any], reason: str, where: str) -> None:
    """Outside judge: shapely (GEOS) names the reason; our words are those of that reason."""
    assert shapely.is_valid_reason(shape(geometry)).startswith(reason + "[")
    fault = sole(collection(feature("here", "Here", geometry)))
    assert (fault.code, fault.words["what"], fault.blocks) == ("not_valid", REASONS[reason], True)
    assert fault.sentence.startswith(f"The boundary of Here cannot be used: {REASONS[reason]}, at ")
    assert where in fault.sentence


def test_an_overlap_is_told_with_both_names_and_its_area() -> None:
    """A strip of a tenth of a degree. Outside reference: GeographicLib on the strip's own corners."""
    two = collection(feature("a", "Cawder", polygon(box(-18, 51, -17, 52))), feature("b", "Larkfell", polygon(box(-17.1, 51, -16, 52))))  # fmt: skip
    fault = sole(two)
    strip = karney_km2([(-17.1, 51), (-17, 51), (-17, 52), (-17.1, 52)])
    assert fault.values["area"] == f"{strip:.0f}" == "773"
    assert fault.sentence.startswith("Cawder and Larkfell overlap: ")
    assert "51.5000° N, 17.0500° W" in fault.sentence
    assert fault.blocks


def test_regions_that_share_a_border_or_a_corner_do_not_overlap() -> None:
    four = [feature(f"r{n}", f"R{n}", square(-18 + n % 2, 51 + n // 2)) for n in range(4)]
    assert faults_of(boundaries=collection(*four)) == []


def test_a_sliver_under_a_hectare_is_left_alone() -> None:
    # 1e-7 degrees of longitude at 51.5 degrees are 7 mm; over 111 km that is 0.0008 km2, under 0.01.
    two = collection(feature("a", "A", polygon(box(-18, 51, -17, 52))), feature("b", "B", polygon(box(-17.0000001, 51, -16, 52))))  # fmt: skip
    assert faults_of(boundaries=two) == []


def test_one_region_inside_another_overlaps_with_all_of_itself() -> None:
    two = collection(feature("a", "A", polygon(box(0, 0, 1, 1))), feature("b", "B", polygon(box(0.4, 0.4, 0.5, 0.5))))
    assert sole(two).values["area"] == f"{karney_km2([(0.4, 0.4), (0.5, 0.4), (0.5, 0.5), (0.4, 0.5)]):.0f}"


def test_an_enclave_in_the_hole_of_another_region_is_neither_overlap_nor_gap() -> None:
    ring = polygon(box(0, 0, 1, 1), box(0.4, 0.4, 0.5, 0.5))
    two = collection(feature("a", "A", ring), feature("b", "B", polygon(box(0.4, 0.4, 0.5, 0.5))))
    assert faults_of(boundaries=two) == []


def test_a_gap_that_regions_enclose_is_told_with_its_area_and_may_be_meant() -> None:
    left = polygon([[0, 0], [0.5, 0], [0.5, 0.4], [0.4, 0.4], [0.4, 0.6], [0.5, 0.6], [0.5, 1], [0, 1]])
    right = polygon(box(0.5, 0, 1, 1))
    fault = sole(collection(feature("a", "Cawder", left), feature("b", "Larkfell", right)))
    area = karney_km2([(0.4, 0.4), (0.5, 0.4), (0.5, 0.6), (0.4, 0.6)])
    assert fault.values["area"] == f"{area:.0f}"
    assert fault.sentence.startswith("Between Cawder, Larkfell lies a gap of ")
    assert not fault.blocks


def test_a_lake_inside_one_region_is_no_gap() -> None:
    assert faults_of(boundaries=collection(feature("a", "A", polygon(box(0, 0, 1, 1), box(0.4, 0.4, 0.5, 0.5))), feature("b", "B", polygon(box(1, 0, 2, 1))))) == []  # fmt: skip


def test_the_demo_isles_can_be_opened_with() -> None:
    isles = read((ROOT / "fixtures/demo/merrow.geojson").read_bytes()).collection
    assert faults_of(boundaries=isles) == []


def test_many_overlaps_are_told_twenty_at_a_time() -> None:
    heap = [feature(f"r{n}", f"R{n}", polygon(box(0, 0, 1, 1 + n / 100))) for n in range(30)]
    assert [fault.code for fault in faults_of(boundaries=collection(*heap))] == ["overlap"] * 20


def test_a_region_in_use_with_another_boundary_needs_a_new_code() -> None:
    beside = known(regions={"eastmark": square(-18, 51), "eastmark-2": square(-30, 51)})
    fault = sole(collection(feature("eastmark", "Eastmark", square(-18, 51, side=0.9))), beside=beside)
    assert told(fault) == [("regions", "boundary_changed", "region-1-code")]
    assert fault.sentence == (
        "The region eastmark is in use with another boundary. A change is a new version: give it a new code such as "
        "eastmark-3."
    )


def test_the_same_boundary_begun_elsewhere_and_run_the_other_way_is_the_same() -> None:
    ring = square(-18, 51)["coordinates"][0][:-1]
    turned = polygon([*ring[2:], *ring[:2]][::-1])
    assert same_shape(square(-18, 51), turned)
    assert not same_shape(square(-18, 51), square(-18, 51, side=1.0000001))
    assert faults_of(boundaries=collection(feature("eastmark", "E", turned)), beside=known(regions={"eastmark": square(-18, 51)})) == []  # fmt: skip


def test_swapped_axes_are_hinted_at_where_other_regions_tell() -> None:
    beside = known(regions={"old": square(-18, 51)})
    fault = sole(collection(feature("a", "A", square(51, -18))), beside=beside)
    assert (fault.code, fault.blocks) == ("swapped", False)
    assert (
        faults_of(boundaries=collection(feature("a", "A", square(100, 10))), beside=beside) == []
    )  # far, and stays far
    assert faults_of(boundaries=collection(feature("a", "A", square(-18 + FAR_DEG / 2, 51))), beside=beside) == []
    assert faults_of(boundaries=collection(feature("a", "A", square(51, -18)))) == []  # nothing to tell by


@pytest.mark.parametrize(
    ("area", "words"), [(0.0123, "0.0123"), (3.14159, "3.14"), (99.96, "100"), (12345.6, "12 346")]
)
def test_an_area_is_said_with_three_digits_that_count(area: float, words: str) -> None:
    assert area_in_words(area) == words


def test_a_place_is_said_with_its_halves() -> None:
    assert place_in_words(-18.5, 51.25) == "51.2500° N, 18.5000° W"
    assert place_in_words(18.5, -51.25) == "51.2500° S, 18.5000° E"


def comb(teeth: int, *, across: bool) -> list[list[float]]:
    """Return a comb whose teeth stand on a back far away, lying down or across."""
    points = [[n / teeth, float(n % 2)] for n in range(teeth)] + [[1.0, -5.0], [0.0, -5.0]]
    return [point[::-1] for point in points] if across else points


def test_lines_that_cross_a_hundred_thousand_times_are_refused_before_they_are_compared() -> None:
    """Two combs of 1500 teeth laid across meet more than a million times; each alone is sound."""
    combs = [polygon(comb(1500, across=across)) for across in (False, True)]
    assert all(shape(one).is_valid for one in combs)
    found = faults_of(boundaries=collection(feature("a", "A", combs[0]), feature("b", "B", combs[1])))
    assert [fault.code for fault in found] == ["tangled", "tangled"]
    assert found[0].sentence.startswith("The lines of A cross so often")
    assert faults_of(boundaries=collection(feature("a", "A", combs[0]))) == []


def test_points_out_of_their_order_are_told_as_a_tangle() -> None:
    """A fixed scribble: 3000 points, each far from the one before (multiples of the golden ratio and of root two)."""
    scribble = [[n * 0.618033988 % 1, n * 1.414213562 % 1] for n in range(3000)]
    assert sole(collection(feature("a", "A", polygon(scribble)))).code == "tangled"
