"""A new protocol version from ranges: every limit has a box, and every wrong limit is told beside it."""

from __future__ import annotations

from typing import Any

import pytest

from surveys.methods.protocol_checks_list import ALL_CHECKS
from surveys.methods.protocol_limits import Limits
from surveys.plans.ranges import UNITS, put_ranges, put_sentences, read_number, rows_of, sentences_of
from surveys.plans.ranges_checks import holes_in
from surveys.vocabulary import PlanSection
from tests.factories import protocol
from tests.surveys.plans.drafts import faults_of, known, limit, new_limits, told


def test_every_limit_of_the_shipped_version_has_one_box() -> None:
    """Counted from the file itself: both ends of each range, and each single number."""
    stored = protocol()
    ends = sum(2 * len(row.get("bands", ())) + len(row.get("numbers", {})) for row in stored["checks"])
    rows = [row for check in rows_of(stored, stored) for row in check.rows]
    boxes = [box.name for row in rows for box in (row.low, row.high) if box]
    assert len(boxes) == len(set(boxes)) == ends
    with_limits = {check.id for check in ALL_CHECKS if check.banded or check.numbers}
    assert with_limits <= set(UNITS)


def test_a_typed_limit_stands_in_its_place_and_nothing_else_moves() -> None:
    stored = protocol()
    fresh = put_ranges(stored, {"cup_depth-3-high": "160", "looks-no_look_long_h": "20,5", "standard_mouth_mm": "70"})
    assert limit(fresh, "cup_depth")["bands"][2] == {"case": "deep", "low": 120, "high": 160}
    assert limit(fresh, "looks")["numbers"] == {"no_look_long_h": 20.5}
    assert fresh["standard_mouth_mm"] == 70
    for row in (limit(fresh, "cup_depth")["bands"][2], limit(fresh, "looks")["numbers"], fresh):
        row.update({"high": 150} if "high" in row else {"no_look_long_h": 24} if "no_look_long_h" in row else {"standard_mouth_mm": 75})  # fmt: skip
    assert fresh == stored == protocol()


@pytest.mark.parametrize(
    ("typed", "number"),
    [("75", 75), (" 7.5 ", 7.5), ("7,5", 7.5), ("-3", -3), ("", None), ("  ", None), ("1e9", "1e9"), ("wide", "wide"),
     ("7.5.1", "7.5.1"), ("99999999", "99999999"), ("١٢", 12)],
)  # fmt: skip
def test_a_box_is_read_as_a_number_or_kept_as_typed(typed: str, number: Any) -> None:
    assert read_number(typed) == number


def test_a_deeper_cup_makes_a_version_that_can_be_opened_with() -> None:
    assert faults_of(limits=new_limits()) == []
    Limits.from_mapping(new_limits())


VERSION: list[tuple[dict[str, Any], str, str, str]] = [
    ({"version": ""}, "version", "version", "no number that can be used: -"),
    ({"version": "two and more"}, "version", "version", "two and more"),
    ({"version": "2" * 21}, "version", "version", "no number"),
    ({"version": "1"}, "version_taken", "version", "There is a protocol version 1 already"),
    ({"agreed_on": ""}, "agreed_on", "agreed_on", "The day on which the new version was agreed"),
    ({"agreed_on": "2027-13-01"}, "agreed_on", "agreed_on", "not a date"),
    ({"standard_mouth_mm": 0}, "mouth", "standard_mouth_mm", "The standard width of the mouth, 0"),
    ({"standard_mouth_mm": "wide"}, "mouth", "standard_mouth_mm", "wide"),
    ({"standard_mouth_mm": None}, "mouth", "standard_mouth_mm", "-"),
]


@pytest.mark.parametrize(("changes", "code", "target", "words"), VERSION)
def test_a_wrong_version_is_told(changes: dict[str, Any], code: str, target: str, words: str) -> None:
    faults = faults_of(limits=new_limits(**changes))
    assert told(*faults) == [("protocol", code, target)]
    assert words in faults[0].sentence


RANGES: list[tuple[dict[str, str], str, str, str]] = [
    ({"cup_depth-1-low": "deep"}, "end", "cup_depth-1-low", "Depth of the cup, just as asked: deep is not a number"),
    ({"cup_depth-1-low": "130"}, "upside_down", "cup_depth-1-low", "runs from 130 to 120, which is upside down"),
    ({"cup_depth-5-low": ""}, "no_ends", "cup_depth-5-low", "both boxes are empty"),
    (
        {"looks-no_look_long_h": ""},
        "number",
        "looks-no_look_long_h",
        "Looks while the trap was open: - is not a number",
    ),
    ({"cup_depth-4-high": "50"}, "hole", "cup_depth-1-low", "no range holds the values between 50 and 60"),
    ({"traps_open-1-high": "4"}, "hole", "traps_open-1-low", "between 4 and 7"),
]


@pytest.mark.parametrize(("typed", "code", "target", "words"), RANGES)
def test_a_wrong_limit_is_told_beside_its_box(typed: dict[str, str], code: str, target: str, words: str) -> None:
    faults = faults_of(limits=put_ranges(new_limits(), typed))
    assert (PlanSection.PROTOCOL, code, target) in {(one.section, one.code, one.target) for one in faults}
    assert words in next(one.sentence for one in faults if one.code == code)


def test_whole_numbers_need_no_range_between_them() -> None:
    """Three to seven and eight or more: between 7 and 8 traps there is nothing."""
    limits = put_ranges(new_limits(), {"traps_open-1-high": "7", "traps_open-3-low": "8"})
    assert [one.code for one in faults_of(limits=limits)] == []


def test_holes_are_what_lies_between_ranges_that_do_not_meet() -> None:
    bands = [{"low": 5, "high": 7}, {"low": None, "high": 3}, {"low": 6, "high": 9}, {"low": 12, "high": None}]
    assert holes_in(bands) == [(3.0, 5.0), (9.0, 12.0)]
    assert holes_in([]) == []


def test_a_sentence_that_still_says_the_old_number_is_told_at_its_box() -> None:
    limits = put_ranges(new_limits(), {"weather_limits-hottest_c": "30"})
    faults = faults_of(limits=limits)
    assert told(*faults) == [
        ("protocol", "old_number", "weather_limits-too_hot-1"), ("protocol", "old_number", "weather_limits-unknown-1"),
    ]  # fmt: skip
    assert "still says 28, which is no limit any more" in faults[0].sentence
    typed = {one.name: one.text.replace("28", "30") for one in sentences_of(limits) if one.check == "weather_limits"}
    assert faults_of(limits=put_sentences(limits, typed)) == []


@pytest.mark.parametrize("text", ["", "   ", "x" * 381, "bell \x07"])
def test_a_sentence_that_cannot_be_read_is_told(text: str) -> None:
    limits = put_sentences(new_limits(), {"cup_depth-target-1": text})
    assert "sentence" in {one.code for one in faults_of(limits=limits)}


@pytest.mark.parametrize("text", ["Your cup is {depth} mm deep.", "Your cup is {value mm deep."])
def test_a_sentence_with_a_place_that_nothing_fills_is_refused_by_the_protocol_check(text: str) -> None:
    (fault,) = faults_of(limits=put_sentences(new_limits(), {"cup_depth-target-1": text}))
    assert fault.code == "refused"
    assert "Check 'cup_depth'" in fault.sentence


def test_a_version_that_changes_nothing_is_no_new_version() -> None:
    limits = protocol() | {"based_on": "1", "version": "2", "agreed_on": "2027-01-05"}
    (fault,) = faults_of(limits=limits)
    assert "says just what version 1 says" in fault.sentence


def test_ranges_of_a_version_that_is_gone_are_still_checked() -> None:
    assert faults_of(limits=new_limits(), beside=known(protocols={})) == []
