"""Reading a file of regions: the worked examples of RFC 7946, and every way in which a file can be wrong, alone."""

from __future__ import annotations

import json
from typing import Any

import pytest

from surveys.plans import geojson
from surveys.plans.geojson import BoundariesRead, read_boundaries, with_codes
from tests.factories import ROOT, square
from tests.surveys.plans.drafts import collection, feature

#: RFC 7946, appendix A.3 and A.6, and section 3.1.9 (Fiji-like: cut at the antimeridian). Retyped.
PLAIN = [[[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]]
HOLED = [*PLAIN, [[100.8, 0.8], [100.8, 0.2], [100.2, 0.2], [100.2, 0.8], [100.8, 0.8]]]
SEVERAL = [
    [[[102.0, 2.0], [103.0, 2.0], [103.0, 3.0], [102.0, 3.0], [102.0, 2.0]]],
    [*PLAIN, [[100.2, 0.2], [100.2, 0.8], [100.8, 0.8], [100.8, 0.2], [100.2, 0.2]]],
]
CUT = [
    [[[180.0, 40.0], [180.0, 50.0], [170.0, 50.0], [170.0, 40.0], [180.0, 40.0]]],
    [[[-170.0, 40.0], [-170.0, 50.0], [-180.0, 50.0], [-180.0, 40.0], [-170.0, 40.0]]],
]


def read(content: Any) -> BoundariesRead:
    return read_boundaries(content if isinstance(content, bytes) else json.dumps(content).encode())


def one_region(**geometry: Any) -> dict[str, Any]:
    return collection(feature("here", "Here", geometry))


def sole_fault(content: Any) -> tuple[str, str]:
    """Return code and sentence of the one fault; nothing is kept then."""
    found = read(content)
    assert found.features == []
    (fault,) = found.faults
    return fault.code, fault.sentence


@pytest.mark.parametrize(
    ("kind", "coordinates"),
    [("Polygon", PLAIN), ("Polygon", HOLED), ("MultiPolygon", SEVERAL), ("MultiPolygon", CUT)],
)
def test_the_worked_examples_of_the_standard_are_read(kind: str, coordinates: Any) -> None:
    found = read(one_region(type=kind, coordinates=coordinates))
    assert found.faults == []
    assert found.features[0]["geometry"]["type"] == kind


def test_examples_that_follow_the_right_hand_rule_stay_as_they_are() -> None:
    """Appendix A.3 follows it; the hole of A.6 does too: with the clock."""
    assert read(one_region(type="Polygon", coordinates=HOLED)).features[0]["geometry"]["coordinates"] == HOLED
    assert read(one_region(type="MultiPolygon", coordinates=SEVERAL)).features[0]["geometry"]["coordinates"] == SEVERAL


def test_rings_that_run_the_other_way_are_turned_and_not_refused() -> None:
    """Section 3.1.6: parsers should not reject them."""
    turned = [ring[::-1] for ring in HOLED]
    assert read(one_region(type="Polygon", coordinates=turned)).features[0]["geometry"]["coordinates"] == HOLED


def test_the_demo_isles_are_read_as_they_are() -> None:
    found = read((ROOT / "fixtures/demo/merrow.geojson").read_bytes())
    assert found.faults == []
    assert [one["properties"]["code"] for one in found.features] == [
        "alder-quay", "brindle-down", "cawder", "larkfell", "thornmere", "westerhay",
    ]  # fmt: skip


def test_heights_byte_order_marks_and_foreign_members_are_let_go() -> None:
    raised = [[[*position, 12.5] for position in ring] for ring in PLAIN]
    content = one_region(type="Polygon", coordinates=raised, bbox=[1, 2, 3, 4]) | {"about": "x"}
    content["features"][0] |= {"id": 7, "bbox": [0, 0, 1, 1]}
    content["features"][0]["properties"]["population"] = 12
    found = read(b"\xef\xbb\xbf" + json.dumps(content).encode())
    assert found.features == [feature("here", "Here", {"type": "Polygon", "coordinates": PLAIN})]


WRONG: list[tuple[Any, str, str]] = [
    (b"", "empty", "There is nothing in it"),
    (b"  \n ", "empty", "There is nothing in it"),
    (b"\xff\xfe{\x00", "not_text", "not a text in UTF-8"),
    (b'{"type": "FeatureCollection",\n "features": [}', "not_json", "line 2, sign 15"),
    (b"PK\x03\x04 a zip file", "not_json", "This is not JSON"),
    (b"[" * 200_000, "not_json", "no map program writes"),
    (b'{"type": "FeatureCollection", "features": ' + b"[" * 200_000, "not_json", "no map program writes"),
    (b'{"a": NaN}', "not_json", "no map program writes"),
    (b'{"a": -Infinity}', "not_json", "no map program writes"),
    (b'{"a": ' + b"9" * 5000 + b"}", "not_json", "no map program writes"),
    ([1], "not_a_collection", "of the type -"),
    ("regions", "not_a_collection", "of the type -"),
    ({"type": "Feature"}, "not_a_collection", "of the type Feature"),
    ({"type": ["FeatureCollection"]}, "not_a_collection", "of the type list"),
    ({"type": "Topology", "objects": {}}, "not_a_collection", "of the type Topology"),
    ({"type": "FeatureCollection"}, "no_features", "It holds no region"),
    ({"type": "FeatureCollection", "features": []}, "no_features", "It holds no region"),
    ({"type": "FeatureCollection", "features": {"0": {}}}, "no_features", "It holds no region"),
    (collection(*[feature("a", "A", square(0, 0))] * 101), "too_many_regions", "101 regions, and at most 100"),
    (collection(feature("a", "A", square(0, 0))) | {"crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::27700"}}}, "other_system", "EPSG::27700"),
    ({"type": "FeatureCollection", "features": [7]}, "not_a_feature", "Entry 1"),
    ({"type": "FeatureCollection", "features": [{"type": "Polygon"}]}, "not_a_feature", "Entry 1"),
    (collection(feature("a", "Cawder", None)), "no_geometry", "Region 1 (Cawder) has no boundary"),  # type: ignore[arg-type]
    (one_region(type="Point", coordinates=[1, 2]), "not_a_polygon", "is a Point"),
    (one_region(type="GeometryCollection", geometries=[]), "not_a_polygon", "is a GeometryCollection"),
    (one_region(type="Polygon"), "no_geometry", "has no boundary"),
    (one_region(type="Polygon", coordinates=[]), "no_geometry", "has no boundary"),
    (one_region(type="MultiPolygon", coordinates=[]), "no_geometry", "has no boundary"),
    (one_region(type="MultiPolygon", coordinates=PLAIN), "ring_too_short", "a ring of 2 points"),
    (one_region(type="Polygon", coordinates=[[[0, 0], [1, 0], [0, 0]]]), "ring_too_short", "a ring of 3 points"),
    (one_region(type="Polygon", coordinates=[5]), "ring_too_short", "a ring of 0 points"),
    (one_region(type="Polygon", coordinates=[PLAIN[0][:-1]]), "ring_not_closed", "begins at [100, 0] and ends at [100, 1]"),
    (one_region(type="Polygon", coordinates=[[[0], [1, 0], [1, 1], [0]]]), "not_a_point", "no pair of numbers"),
    (one_region(type="Polygon", coordinates=[[["0", "0"], [1, 0], [1, 1], ["0", "0"]]]), "not_a_point", "no pair of numbers"),
    (one_region(type="Polygon", coordinates=[[[True, 0], [1, 0], [1, 1], [True, 0]]]), "not_a_point", "no pair of numbers"),
    (one_region(type="Polygon", coordinates=[[[None, 0], [1, 0], [1, 1], [None, 0]]]), "not_a_point", "no pair of numbers"),
    (one_region(type="Polygon", coordinates=[[[530000, 180000], [1, 0], [1, 1], [530000, 180000]]]), "not_degrees", "metres of a map grid"),
    (one_region(type="Polygon", coordinates=[[[51.5, -100.0], [52, -100], [52, -101], [51.5, -100.0]]]), "swapped", "may be swapped"),
    (one_region(type="Polygon", coordinates=[[[181, 91], [1, 0], [1, 1], [181, 91]]]), "not_on_earth", "latitude from -90 to 90"),
    (one_region(type="Polygon", coordinates=[[[200, 10], [1, 0], [1, 1], [200, 10]]]), "not_on_earth", "Longitude runs from -180"),
    (one_region(type="Polygon", coordinates=[[[170, 40], [-170, 40], [-170, 50], [170, 50], [170, 40]]]), "antimeridian", "180th meridian"),
]  # fmt: skip


@pytest.mark.parametrize(("content", "code", "words"), WRONG, ids=range(len(WRONG)))
def test_each_wrong_file_is_refused_in_words(content: Any, code: str, words: str) -> None:
    found, sentence = sole_fault(content)
    assert found == code
    assert words in sentence


def test_an_exponent_beyond_all_numbers_is_no_number() -> None:
    content = b'{"type":"FeatureCollection","features":[{"type":"Feature","properties":{},"geometry":{"type":"Polygon",'
    assert sole_fault(content + b'"coordinates":[[[1e999,0],[1,0],[1,1],[1e999,0]]]}}]}')[0] == "not_a_point"


@pytest.mark.parametrize("name", ["urn:ogc:def:crs:OGC:1.3:CRS84", "EPSG:4326", "urn:ogc:def:crs:EPSG::4326"])
def test_the_older_names_of_wgs84_are_taken(name: str) -> None:
    content = collection(feature("a", "A", square(0, 0))) | {"crs": {"type": "name", "properties": {"name": name}}}
    assert read(content).faults == []


def test_a_file_beyond_five_megabytes_is_refused_before_it_is_read() -> None:
    assert sole_fault(b" " * (5 * 1024 * 1024 + 1))[0] == "too_big"


def test_too_many_points_in_all_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(geojson, "MOST_POINTS", 9)
    assert read(collection(feature("a", "A", square(0, 0)))).faults == []
    two = collection(feature("a", "A", square(0, 0)), feature("b", "B", square(2, 0)))
    assert sole_fault(two) == ("too_many_points", "The file holds more than 9 points. Make the lines simpler, to about 10 metres, and send it again.")  # fmt: skip


def test_each_faulty_region_is_told_and_twenty_at_most() -> None:
    found = read(collection(*[feature(f"r{n}", f"R{n}", {"type": "Point"}) for n in range(30)]))
    assert [fault.values["number"] for fault in found.faults] == [f"{n} (R{n - 1})" for n in range(1, 21)]


@pytest.mark.parametrize(
    ("properties", "code", "name"),
    [
        ({"code": "a", "name": " Old\x00 Town\n\ud800 "}, "a", "Old Town"),
        ({"code": 7, "name": True}, "7", ""),
        ({"code": ["x"], "name": {"y": 1}}, "", ""),
        ({"name": "N" * 500}, "", "N" * 80),
        (None, "", ""),
    ],
)
def test_odd_codes_and_names_become_short_lines(properties: Any, code: str, name: str) -> None:
    content = collection({"type": "Feature", "properties": properties, "geometry": square(0, 0)})
    assert read(content).features[0]["properties"] == {"code": code, "name": name}


def test_a_missing_code_is_made_from_the_name() -> None:
    made = with_codes(
        [feature("", "Alder Quay", {}), feature("alder-quay-2", "X", {}), feature("", "Älder Quay!", {}), feature("", "東", {}), feature("", "", {})]
    )  # fmt: skip
    assert [one["properties"]["code"] for one in made] == ["alder-quay", "alder-quay-2", "alder-quay-3", "region", ""]
