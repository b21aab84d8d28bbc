"""eml.xml: judged by the schema of EML 2.2.0 itself (emlvp ships it), by its rules beyond the schema, and by metapype."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

import pytest
from emlvp.exceptions import ParseError, ValidationError
from emlvp.parser import Parser
from emlvp.validator import Validator, schema_path
from metapype.eml import validate
from metapype.model import metapype_io

from surveys.release_files.darwin_places import Box
from surveys.release_files.eml import enclosing_box
from tests.darwin import NESTED_GROUPS, Made, make_by_hand, make_random, one_return

SCHEMA = Validator(f"{schema_path()}/EML2.2.0/xsd/eml.xsd")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return make_random(tmp_path_factory.mktemp("release"), seed=21, groups=NESTED_GROUPS)


@pytest.fixture(scope="module")
def document(made: Made) -> str:
    return made.members["eml.xml"].decode()


@pytest.fixture(scope="module")
def dataset(document: str) -> Element:
    found = ElementTree.fromstring(document).find("dataset")
    assert found is not None
    return found


def faults_by_metapype(document: str) -> list[str]:
    found: list[tuple[object, ...]] = []
    validate.tree(metapype_io.from_xml(document), found)
    return [str(one[1]) for one in found]


def faults_by_schema(document: str) -> list[str]:
    try:
        SCHEMA.validate(document)
    except ValidationError as fault:
        return [str(fault)]
    return []


def faults_beyond_schema(document: str) -> list[str]:
    try:
        Parser().parse(document)
    except ParseError as fault:
        return [str(fault)]
    return []


# --- green -------------------------------------------------------------------------------------------------------------

RELEASES: dict[str, dict[str, object]] = {
    "as it is": {},
    "without boundaries": {"boundaries": {}},
    "one that replaces another": {"replaces": "1.0.0", "version": "1.0.1", "because": "A <slip> & its repair."},
    "with an address to write to": {"contact": "https://trapnight.example/contact/"},
    "with an office to ask": {"contact": "Field office, Cawder"},
    "a real season under CC0": {
        "invented": False, "licence": "CC0-1.0", "licence_url": "https://creativecommons.org/publicdomain/zero/1.0/",
    },
}  # fmt: skip


@pytest.mark.parametrize("case", RELEASES)
def test_the_schema_its_other_rules_and_metapype_pass_the_description(tmp_path: Path, case: str) -> None:
    document = make_random(tmp_path, 31, sites=4, **RELEASES[case]).members["eml.xml"].decode()
    assert faults_by_schema(document) == []
    assert faults_beyond_schema(document) == []
    assert faults_by_metapype(document) == []


def test_parts_of_taxa_pass_too(document: str) -> None:
    assert faults_by_schema(document) == faults_beyond_schema(document) == faults_by_metapype(document) == []


# --- red on planted faults ---------------------------------------------------------------------------------------------


def _replaced(pattern: str, new: str) -> Callable[[str], str]:
    def spoil(document: str) -> str:
        changed, number = re.subn(pattern, new, document, count=1, flags=re.DOTALL)
        assert number == 1, pattern
        return changed

    return spoil


MOVED = r"(<pubDate>.*?</pubDate>)(.*?)(</abstract>)"
SEEN_BY_BOTH = {
    "the title is missing": _replaced(r"<title>.*?</title>", ""),
    "the creator is missing": _replaced(r"<creator.*?</creator>", ""),
    "the contact is missing": _replaced(r"<contact.*?</contact>", ""),
    "a latitude of 153": _replaced(r"<northBoundingCoordinate>.*?<", "<northBoundingCoordinate>153<"),
    "a corner is missing": _replaced(r"<eastBoundingCoordinate>.*?</eastBoundingCoordinate>", ""),
    "a date that is none": _replaced(r"<pubDate>.*?<", "<pubDate>1.7.2026<"),
    "a day that is none": _replaced(r"<calendarDate>.*?<", "<calendarDate>2026-13-45<"),
    "the wrong order": _replaced(MOVED, r"\2\3\1"),
    "an element that EML does not know": _replaced(r"<language>", "<colour>red</colour><language>"),
    "the package has no id": _replaced(r' packageId=".*?"', ""),
    "methods without a step": _replaced(r"<methodStep>.*</methodStep>", ""),
}


@pytest.mark.parametrize("fault", SEEN_BY_BOTH)
def test_schema_and_metapype_see_a_planted_fault(document: str, fault: str) -> None:
    spoiled = SEEN_BY_BOTH[fault](document)
    assert faults_by_schema(spoiled) != []
    assert faults_by_metapype(spoiled) != []


def test_the_schema_sees_a_longitude_in_words(document: str) -> None:
    # metapype 0.3.0 does not.
    spoil = _replaced(r"<westBoundingCoordinate>.*?<", "<westBoundingCoordinate>far west<")
    assert faults_by_schema(spoil(document)) != []


BEYOND = {
    "two elements with one id": _replaced(r'id="contact"', 'id="organiser"'),
    "a reference to nobody": _replaced(r"(<contact id=\"contact\">).*?(</contact>)", r"<contact><references>nobody</references></contact>"),
}  # fmt: skip


@pytest.mark.parametrize("fault", BEYOND)
def test_a_fault_that_no_schema_sees_is_seen_too(document: str, fault: str) -> None:
    assert faults_beyond_schema(BEYOND[fault](document)) != []


# --- what it says ------------------------------------------------------------------------------------------------------


def test_the_root_bears_an_id_that_is_the_address_of_the_release(document: str) -> None:
    root = ElementTree.fromstring(document)
    assert root.tag == "{https://eml.ecoinformatics.org/eml-2.2.0}eml"
    assert root.get("packageId") == "https://trapnight.example/releases/1.0.0/"


def test_who_made_it_and_when_is_that_of_the_release(dataset: Element) -> None:
    assert dataset.findtext("creator/organizationName") == "Merrow Field Office"
    assert dataset.findtext("contact/electronicMailAddress") == "field-office@merrow.example"
    assert dataset.findtext("pubDate") == "2026-07-01"


def test_the_licence_stands_by_its_spdx_identifier(dataset: Element) -> None:
    assert dataset.findtext("licensed/identifier") == "CC-BY-4.0"
    assert dataset.findtext("licensed/url") == "https://creativecommons.org/licenses/by/4.0/"


def test_the_box_encloses_every_cell_and_every_region(made: Made, dataset: Element) -> None:
    corners = dataset.find("coverage/geographicCoverage/boundingCoordinates")
    assert corners is not None
    west, east, north, south = (float(corner.text or "") for corner in corners)
    for row in made.events:
        if row["decimalLatitude"]:
            assert south <= float(row["decimalLatitude"]) - 0.05
            assert float(row["decimalLatitude"]) + 0.05 <= north
            assert west <= float(row["decimalLongitude"]) - 0.05
            assert float(row["decimalLongitude"]) + 0.05 <= east
    # The boundaries of the two regions, as the small release has them.
    assert west <= -18.2
    assert east >= -17.6
    assert (south <= 51.3, north >= 51.7) == (True, True)


def test_the_times_are_the_days_of_each_season(dataset: Element) -> None:
    days = [
        (one.findtext("rangeOfDates/beginDate/calendarDate"), one.findtext("rangeOfDates/endDate/calendarDate"))
        for one in dataset.findall("coverage/temporalCoverage")
    ]
    assert days == [("2025-04-01", "2025-09-30"), ("2026-04-01", "2026-09-30")]


def test_the_taxa_are_the_season_s_list(dataset: Element) -> None:
    taxa = {
        one.findtext("taxonRankValue"): [name.text for name in one.findall("commonName")]
        for one in dataset.findall("coverage/taxonomicCoverage/taxonomicClassification")
    }
    assert taxa == {
        "Carabidae": ["Ground beetles"],
        "Coleoptera": ["Other beetles", "Beetle grubs"],
        "Hexapoda": ["Bristletails and silverfish"],
        "Oniscidea": ["Woodlice"],
    }


def test_the_methods_explain_classes_absences_and_levels(dataset: Element) -> None:
    told = " ".join(dataset.find("methods").itertext())  # type: ignore[union-attr]
    for word in ("c16to31 (16 to 31)", "c128up (128 or more)", "Trapnight count class", "survey season", "trap-night"):
        assert word in told
    assert dataset.find("methods/sampling/studyExtent") is not None
    assert dataset.find("methods/sampling/samplingDescription") is not None


def test_an_invented_dataset_says_so_first(dataset: Element) -> None:
    assert "demonstration" in (dataset.findtext("title") or "")
    assert (dataset.findtext("abstract/para") or "").startswith("Invented")


def test_a_release_that_replaces_another_names_it(tmp_path: Path) -> None:
    made = make_by_hand(tmp_path, [one_return()], [], version="1.0.1", replaces="1.0.0", because="A slip was found.")
    assert "It replaces release 1.0.0. A slip was found." in made.members["eml.xml"].decode()


def test_a_catch_is_never_called_a_measure_of_how_many_live_there(document: str) -> None:
    assert "abundance" not in document.lower()
    assert "population" not in document.lower()


MANY = {
    "type": "MultiPolygon",
    "coordinates": [[[[1, 2], [3, 2], [3, 4], [1, 2]]], [[[-5, 50], [-4, 50], [-4, 60], [-5, 50]]]],
}
BOXES = {
    "nothing": ({}, None, None),
    "cells alone": ({}, Box(-1.0, 1.0, 5.0, 4.0), Box(-1.0, 1.0, 5.0, 4.0)),
    "many parts": ({"a": MANY}, None, Box(-5.0, 3.0, 60.0, 2.0)),
    "both": ({"a": MANY}, Box(-9.0, 1.0, 5.0, 1.0), Box(-9.0, 3.0, 60.0, 1.0)),
    "at the end of the world": ({}, Box(-180.02, 180.01, 90.03, -90.02), Box(-180.0, 180.0, 90.0, -90.0)),
}  # fmt: skip


@pytest.mark.parametrize("case", BOXES)
def test_a_box_encloses_regions_and_cells(case: str) -> None:
    boundaries, cells, expected = BOXES[case]
    assert enclosing_box(boundaries, cells) == expected
