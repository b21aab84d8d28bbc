"""A protocol version is data: it is read in full, refused in words, and written back as it was."""

import copy

import pytest

from surveys.methods.protocol import CHECKS, Limits, check_protocol
from surveys.vocabulary import Outcome
from tests.surveys.methods.protocol_return import LIMITS, MAPPING, change


def _row(mapping, check):
    return next(row for row in mapping["checks"] if row["check"] == check)


def test_a_version_comes_back_as_it_was_read():
    written = LIMITS.to_mapping()
    assert written == {key: value for key, value in MAPPING.items() if key not in ("about", "agreed_on")}
    assert Limits.from_mapping(written) == LIMITS


def test_every_row_says_where_its_limits_come_from():
    assert all(len(rule.source) > 10 for rule in LIMITS.rules)
    assert [rule.check for rule in LIMITS.rules] == list(CHECKS)


def test_another_version_with_other_ranges_judges_the_same_return_differently():
    other = copy.deepcopy(MAPPING)
    other["version"] = "2"
    _row(other, "cup_depth")["bands"][0].update(low=70)
    shallow = change(depth_mm=72.0)
    outcomes = [
        next(f.outcome for f in check_protocol(shallow, limits).findings if f.check == "cup_depth")
        for limits in (LIMITS, Limits.from_mapping(other))
    ]
    assert outcomes == [Outcome.COVARIATE, Outcome.FINE]


def _without_version(m):
    del m["version"]


def _without_mouth(m):
    m["standard_mouth_mm"] = 0


def _without_checks(m):
    m["checks"] = "none"


def _without_one_check(m):
    m["checks"].remove(_row(m, "rim"))


def _with_a_strange_check(m):
    m["checks"].append({**_row(m, "rim"), "check": "moon"})


def _with_a_check_twice(m):
    m["checks"].append(_row(m, "rim"))


def _without_a_case(m):
    del _row(m, "rim")["cases"]["above"]


def _with_a_strange_case(m):
    _row(m, "rim")["cases"]["sideways"] = _row(m, "rim")["cases"]["above"]


def _without_rulings(m):
    _row(m, "rim")["cases"]["above"] = []


def _with_a_strange_outcome(m):
    _row(m, "rim")["cases"]["above"][0]["outcome"] = ["maybe"]


def _with_a_strange_mark(m):
    _row(m, "rim")["cases"]["above"][0]["marks"] = ["urgent"]


def _without_a_sentence(m):
    _row(m, "rim")["cases"]["above"][0]["sentence"] = " "


def _with_a_strange_place(m):
    _row(m, "rim")["cases"]["above"][0]["sentence"] = "The rim was {value.__class__} mm high."


def _with_an_open_bracket(m):
    _row(m, "rim")["cases"]["above"][0]["sentence"] = "The rim was {value mm high."


def _without_bands(m):
    del _row(m, "cup_depth")["bands"]


def _with_a_band_upside_down(m):
    _row(m, "cup_depth")["bands"][0].update(low=120, high=80)


def _with_a_band_to_nowhere(m):
    _row(m, "cup_depth")["bands"][0]["case"] = "perfect"


def _without_a_number(m):
    del _row(m, "looks")["numbers"]["no_look_long_h"]


def _without_a_source(m):
    _row(m, "rim")["source"] = ""


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (_without_version, "The version is missing"),
        (_without_mouth, "standard mouth is missing"),
        (_without_checks, "The checks are missing"),
        (_without_one_check, "The check 'rim' is missing"),
        (_with_a_strange_check, "There is no check 'moon'"),
        (_with_a_check_twice, "The check 'rim' comes twice"),
        (_without_a_case, "Check 'rim': the case 'above' is missing"),
        (_with_a_strange_case, "there is no case 'sideways'"),
        (_without_rulings, "the case 'above' needs a list of rulings"),
        (_with_a_strange_outcome, "choose from fine, note, offset, covariate, hold, out"),
        (_with_a_strange_mark, "choose from welfare, safety"),
        (_without_a_sentence, "the case 'above' has no sentence"),
        (_with_a_strange_place, "may mention hours, nights, value"),
        (_with_an_open_bracket, "a bracket in its sentence is not closed"),
        (_without_bands, "its ranges (bands) are missing"),
        (_with_a_band_upside_down, "is not a range"),
        (_with_a_band_to_nowhere, "a range leads to the case 'perfect'"),
        (_without_a_number, "the number 'no_look_long_h' is missing"),
        (_without_a_source, "say where its limits come from"),
    ],
)
def test_a_version_with_one_fault_is_refused_in_words(spoil, words):
    spoiled = copy.deepcopy(MAPPING)
    spoil(spoiled)
    with pytest.raises(ValueError, match="cannot be used") as refusal:
        Limits.from_mapping(spoiled)
    assert words in str(refusal.value)


def test_all_faults_of_a_version_are_told_at_once():
    spoiled = copy.deepcopy(MAPPING)
    _without_a_case(spoiled)
    _without_a_number(spoiled)
    _without_version(spoiled)
    with pytest.raises(ValueError, match="'above' is missing") as refusal:
        Limits.from_mapping(spoiled)
    assert "no_look_long_h" in str(refusal.value)
    assert "The version is missing" in str(refusal.value)
