"""Each answer wrong by itself. Expected outcomes: the default protocol's planning table, retyped by hand."""

import pytest

from surveys.methods.protocol import CHECKS, TITLES, check_protocol
from surveys.methods.records import Answer, Finding
from surveys.vocabulary import AnswerKind, Standing
from tests.surveys.methods.protocol_return import GOOD, LIMITS, change

FINE = check_protocol(GOOD, LIMITS)
UNDER_COVER = ("cover_kind", "cover_gap", "cover_width")


def _answers(low: int | None, high: int | None, kind: AnswerKind = AnswerKind.CLASS) -> tuple[Answer, ...]:
    return (Answer("woodlice", kind, low, high),)


def _found(check: str, result_findings: tuple[Finding, ...]) -> list[tuple[str, frozenset[str]]]:
    return [(f.outcome.value, frozenset(m.value for m in f.marks)) for f in result_findings if f.check == check]


# answers changed; the check; its outcomes, with "+welfare" or "+safety"; standing; other checks that may change too
ROWS = [
    ({"mouth_mm": 74.9}, "mouth_width", "offset", "adjusted", ()),
    ({"mouth_mm": 65.0}, "mouth_width", "offset", "adjusted", ()),
    ({"mouth_mm": 90.0, "cover_width_mm": 150.0}, "mouth_width", "offset", "adjusted", ()),
    ({"mouth_mm": 64.9}, "mouth_width", "offset", "adjusted", ()),
    ({"mouth_mm": 60.0}, "mouth_width", "offset", "adjusted", ()),
    ({"mouth_mm": 59.9}, "mouth_width", "out", "off_protocol", ()),
    ({"mouth_mm": 100.0, "cover_width_mm": 160.0}, "mouth_width", "offset", "adjusted", ()),
    ({"mouth_mm": 100.1, "cover_width_mm": 170.0}, "mouth_width", "out", "off_protocol", ()),
    ({"mouth_mm": None}, "mouth_width", "note", "to_protocol", ("cover_width",)),
    ({"depth_mm": 80.0}, "cup_depth", "fine", "to_protocol", ()),
    ({"depth_mm": 79.9}, "cup_depth", "covariate", "adjusted", ()),
    ({"depth_mm": 60.0}, "cup_depth", "covariate", "adjusted", ()),
    ({"depth_mm": 59.9}, "cup_depth", "out", "off_protocol", ()),
    ({"depth_mm": 120.0}, "cup_depth", "fine", "to_protocol", ()),
    ({"depth_mm": 120.1}, "cup_depth", "note", "to_protocol", ()),
    ({"depth_mm": 150.0}, "cup_depth", "note", "to_protocol", ()),
    ({"depth_mm": 150.1}, "cup_depth", "hold", "to_protocol", ()),
    ({"material": "glass"}, "cup_material", "note", "to_protocol", ()),
    ({"material": "metal"}, "cup_material", "covariate", "adjusted", ()),
    ({"material": "card"}, "cup_material", "note", "to_protocol", ()),
    ({"material": "other"}, "cup_material", "note", "to_protocol", ()),
    ({"wall": "rough_or_dirty"}, "cup_wall", "note", "to_protocol", ()),
    ({"colour": "brown"}, "cup_colour", "fine", "to_protocol", ()),
    ({"colour": "green"}, "cup_colour", "fine", "to_protocol", ()),
    ({"colour": "black"}, "cup_colour", "fine", "to_protocol", ()),
    ({"colour": "other"}, "cup_colour", "fine", "to_protocol", ()),
    ({"colour": "white"}, "cup_colour", "covariate", "adjusted", ()),
    ({"colour": "yellow"}, "cup_colour", "covariate", "adjusted", ()),
    ({"nesting": "single"}, "cup_nesting", "covariate", "adjusted", ()),
    ({"rim": "slightly_below"}, "rim", "fine", "to_protocol", ()),
    ({"rim": "deep"}, "rim", "note", "to_protocol", ()),
    ({"rim": "slightly_above"}, "rim", "note", "to_protocol", ()),
    ({"rim": "above"}, "rim", "out", "off_protocol", ()),
    ({"rim_gap": "up_to_1mm"}, "rim_gap", "fine", "to_protocol", ()),
    ({"rim_gap": "wider"}, "rim_gap", "note", "to_protocol", ()),
    ({"cover": "absent"}, "cover", "covariate", "adjusted", UNDER_COVER),
    ({"cover": "absent", "rain": "damp"}, "cover", "out", "off_protocol", (*UNDER_COVER, "rain")),
    ({"cover": "absent", "rain": "light"}, "cover", "out", "off_protocol", (*UNDER_COVER, "rain")),
    ({"cover": "absent", "rain": "heavy"}, "cover", "out", "off_protocol", (*UNDER_COVER, "rain")),
    ({"cover": "absent", "rain": None}, "cover", "hold", "to_protocol", (*UNDER_COVER, "rain")),
    ({"cover_gap_mm": 50.1}, "cover", "covariate", "adjusted", ("cover_gap",)),
    ({"cover_gap_mm": 50.1, "rain": "light"}, "cover", "out", "off_protocol", ("cover_gap", "rain")),
    ({"trap_state": "cover_lost", "rain": "light"}, "cover", "out", "off_protocol", ("trap_state", "rain")),
    ({"cover_kind": "clear"}, "cover_kind", "fine", "to_protocol", ()),
    ({"cover": "absent"}, "cover_kind", "fine", "adjusted", ("cover", "cover_gap", "cover_width")),
    ({"cover": "absent"}, "cover_gap", "fine", "adjusted", ("cover", "cover_kind", "cover_width")),
    ({"cover": "absent"}, "cover_width", "fine", "adjusted", ("cover", "cover_kind", "cover_gap")),
    ({"cover_gap_mm": 15.0}, "cover_gap", "fine", "to_protocol", ()),
    ({"cover_gap_mm": 14.9}, "cover_gap", "covariate", "adjusted", ()),
    ({"cover_gap_mm": 10.0}, "cover_gap", "covariate", "adjusted", ()),
    ({"cover_gap_mm": 9.9}, "cover_gap", "out", "off_protocol", ()),
    ({"cover_gap_mm": 30.0}, "cover_gap", "fine", "to_protocol", ()),
    ({"cover_gap_mm": 30.1}, "cover_gap", "covariate", "adjusted", ()),
    ({"cover_gap_mm": 50.0}, "cover_gap", "covariate", "adjusted", ()),
    ({"cover_gap_mm": 50.1}, "cover_gap", "note", "adjusted", ("cover",)),
    ({"cover_width_mm": 135.0}, "cover_width", "fine", "to_protocol", ()),  # 75 + 2 x 30
    ({"cover_width_mm": 134.9}, "cover_width", "note", "to_protocol", ()),
    ({"guard_hole_mm": 10.1}, "guard", "note", "to_protocol", ()),
    ({"guard_hole_mm": None}, "guard", "note", "to_protocol", ()),
    ({"guard": "no_guard"}, "guard", "fine", "to_protocol", ()),
    ({"guard": "no_guard", "looks": "dawn_only"}, "guard", "note", "to_protocol", ("looks",)),
    ({"guard": "escape_stick"}, "guard", "covariate", "adjusted", ()),
    ({"refuge": "leaf_litter"}, "refuge", "fine", "to_protocol", ()),
    ({"refuge": "nothing"}, "refuge", "note+welfare", "to_protocol", ()),
    ({"refuge": "reaches_rim"}, "refuge", "out", "off_protocol", ()),
    ({"liquid": "standing_water", "water_mm": 4.9}, "liquid", "note", "to_protocol", ()),
    ({"liquid": "standing_water", "water_mm": 5.1}, "liquid", "out", "off_protocol", ()),
    ({"liquid": "standing_water", "water_mm": None}, "liquid", "note", "to_protocol", ()),
    ({"water_mm": 3.0}, "liquid", "note", "to_protocol", ()),
    ({"liquid": "preservative"}, "liquid", "hold+safety out+safety", "off_protocol", ()),
    ({"liquid": "soap"}, "liquid", "hold+safety out+safety", "off_protocol", ()),
    ({"liquid": "beer"}, "liquid", "hold+safety out+safety", "off_protocol", ()),
    ({"liquid": "food_bait"}, "liquid", "hold+safety out+safety", "off_protocol", ()),
    ({"liquid": "other"}, "liquid", "hold+safety out+safety", "off_protocol", ()),
    ({"drain_holes": "no_holes"}, "drain_holes", "fine", "to_protocol", ()),
    ({"drain_holes": "large"}, "drain_holes", "out", "off_protocol", ()),
    ({"settled_h": 47.9}, "settling", "covariate", "adjusted", ()),
    ({"settled_h": 0.0}, "settling", "covariate", "adjusted", ()),
    ({"settled_h": -1.0}, "settling", "note", "to_protocol", ()),
    ({"hole_reuse": "new_hole"}, "hole_reuse", "fine", "to_protocol", ("same_place",)),
    ({"hole_reuse": None}, "hole_reuse", "covariate", "adjusted", ("same_place",)),
    ({"hole_reuse": "new_hole"}, "same_place", "note", "to_protocol", ("hole_reuse",)),
    ({"disturbance": "trampled"}, "disturbance", "note", "to_protocol", ()),
    ({"disturbance": "mown"}, "disturbance", "covariate", "adjusted", ()),
    ({"disturbance": "watered"}, "disturbance", "covariate", "adjusted", ()),
    ({"disturbance": "dug"}, "disturbance", "covariate", "adjusted", ()),
    ({"disturbance": "treated"}, "disturbance", "covariate", "adjusted", ()),
    ({"pesticide": "yes"}, "pesticide", "note", "to_protocol", ()),
    ({"traps_open": 3}, "traps_open", "fine", "to_protocol", ()),
    ({"traps_open": 6}, "traps_open", "fine", "to_protocol", ()),
    ({"traps_open": 2}, "traps_open", "note", "to_protocol", ()),
    ({"traps_open": 1, "spacing_m": None}, "traps_open", "note", "to_protocol", ("spacing",)),
    ({"traps_open": 7}, "traps_open", "note", "to_protocol", ()),
    ({"traps_open": 0}, "traps_open", "note", "to_protocol", ()),
    ({"spacing_m": 1.9}, "spacing", "note", "to_protocol", ()),
    ({"spacing_m": 1.0}, "spacing", "note", "to_protocol", ()),
    ({"spacing_m": 0.9}, "spacing", "note", "to_protocol", ()),
    ({"traps_open": 1, "spacing_m": None}, "spacing", "fine", "to_protocol", ("traps_open",)),
    ({"traps_pooled": 2}, "traps_pooled", "covariate", "adjusted", ()),
    ({"traps_pooled": 0}, "traps_pooled", "hold", "to_protocol", ()),
    ({"habitat": None}, "habitat", "hold", "to_protocol", ()),
    ({"habitat": "  "}, "habitat", "hold", "to_protocol", ()),
    ({"ground_cover": None}, "ground_cover", "note", "to_protocol", ()),
    ({"ground_cover": "bare"}, "ground_cover", "fine", "to_protocol", ()),
    ({"ground_cover": "sparse"}, "ground_cover", "fine", "to_protocol", ()),
    ({"ground_cover": "dense"}, "ground_cover", "fine", "to_protocol", ()),
    ({"vegetation": None}, "vegetation", "note", "to_protocol", ()),
    ({"vegetation": "under_5cm"}, "vegetation", "fine", "to_protocol", ()),
    ({"vegetation": "from_15_to_50cm"}, "vegetation", "fine", "to_protocol", ()),
    ({"vegetation": "over_50cm"}, "vegetation", "fine", "to_protocol", ()),
    ({"time_precision": "half_hour"}, "time_precision", "fine", "to_protocol", ()),
    ({"time_precision": "date_only"}, "time_precision", "hold", "to_protocol", ()),
    ({"looks": "dawn_only"}, "looks", "fine", "to_protocol", ()),
    ({"looks": "dusk_only"}, "looks", "note", "to_protocol", ()),
    ({"looks": "no_look"}, "looks", "note+welfare", "to_protocol", ()),
    ({"temp_source": "station"}, "temperature", "fine", "to_protocol", ()),
    ({"temp_source": None}, "temperature", "note", "to_protocol", ()),
    ({"temp_min_c": 21.1}, "temperature", "note", "to_protocol", ()),
    ({"temp_min_c": None}, "temperature", "note", "to_protocol", ("weather_limits",)),
    ({"rain": "light"}, "rain", "fine", "to_protocol", ()),
    ({"rain": "heavy"}, "rain", "note+welfare", "to_protocol", ()),
    ({"rain": "damp"}, "rain", "fine", "to_protocol", ()),
    ({"wind": "breezy"}, "wind", "fine", "to_protocol", ()),
    ({"wind": "windy"}, "wind", "fine", "to_protocol", ()),
    ({"ground": "dry"}, "ground_wetness", "fine", "to_protocol", ()),
    ({"ground": "wet"}, "ground_wetness", "fine", "to_protocol", ()),
    ({"temp_max_c": 28.0}, "weather_limits", "fine", "to_protocol", ()),
    ({"temp_max_c": 28.1}, "weather_limits", "note+welfare", "to_protocol", ()),
    ({"temp_min_c": 4.0}, "weather_limits", "fine", "to_protocol", ()),
    ({"temp_min_c": 3.9}, "weather_limits", "note+welfare", "to_protocol", ()),
    ({"temp_min_c": 3.9, "temp_max_c": 28.1}, "weather_limits", "note+welfare note+welfare", "to_protocol", ()),
    ({"trap_state": "rim_proud"}, "trap_state", "note", "to_protocol", ()),
    ({"trap_state": "tilted"}, "trap_state", "note", "to_protocol", ()),
    ({"trap_state": "soil_in"}, "trap_state", "note", "to_protocol", ()),
    ({"trap_state": "cover_lost"}, "trap_state", "note", "adjusted", ("cover",)),
    ({"trap_state": "water_in"}, "trap_state", "out", "off_protocol", ()),
    ({"trap_state": "dug_up"}, "trap_state", "out", "off_protocol", ()),
    ({"trap_state": "kicked"}, "trap_state", "out", "off_protocol", ()),
    ({"trap_state": "moved"}, "trap_state", "out", "off_protocol", ()),
    ({"counted_in": "the_cup"}, "counted_in", "covariate", "adjusted", ()),
    ({"counted_in": "other"}, "counted_in", "note", "to_protocol", ()),
    ({"answers": _answers(8, 15)}, "exact_counts", "note", "to_protocol", ()),
    ({"answers": _answers(16, 31)}, "exact_counts", "fine", "to_protocol", ()),
    ({"answers": _answers(128, None)}, "exact_counts", "note", "to_protocol", ()),
    ({"answers": _answers(None, None, AnswerKind.DID_NOT_LOOK)}, "exact_counts", "note", "to_protocol", ()),
    ({"looked_for_all": "no"}, "groups_answered", "note", "to_protocol", ()),
    ({"answers": ()}, "groups_answered", "note", "to_protocol", ("exact_counts",)),
    ({"remains_seen": "yes"}, "remains_seen", "note", "to_protocol", ()),
    ({"vertebrate_seen": "yes"}, "vertebrate_seen", "hold+welfare", "to_protocol", ()),
    ({"release": "later"}, "release", "note", "to_protocol", ()),
    ({"release": "not_released"}, "release", "note+welfare", "to_protocol", ()),
    ({"closing": "lifted_and_filled"}, "closing", "fine", "to_protocol", ()),
    ({"closing": "left_open"}, "closing", "note+welfare", "to_protocol", ()),
]


@pytest.mark.parametrize(("answers", "check", "outcomes", "standing", "also"), ROWS)
def test_one_departure_changes_its_own_check_and_no_other(answers, check, outcomes, standing, also):
    result = check_protocol(change(**answers), LIMITS)
    expected = [(word.split("+")[0], frozenset(word.split("+")[1:])) for word in outcomes.split()]
    assert _found(check, result.findings) == expected
    assert result.standing == Standing(standing)
    changed = {f.check for f in set(result.findings) ^ set(FINE.findings)}
    assert changed <= {check, *also}
    assert result.held == any(
        outcome == "hold" for outcome, _ in (_pair for c in CHECKS for _pair in _found(c, result.findings))
    )


def test_a_trap_set_as_asked_is_fine_in_every_check():
    assert [f.check for f in FINE.findings] == list(CHECKS)
    assert {f.outcome.value for f in FINE.findings} == {"fine"}
    assert FINE.standing == Standing.TO_PROTOCOL
    assert not FINE.held
    # arithmetic by hand: 24 h are one trap-night; 75 / 75 = 1
    assert (FINE.trap_nights, FINE.rim_ratio, FINE.whole_nights, FINE.fresh) == (1.0, 1.0, 1, False)


MISSING = [
    name
    for name in GOOD.__dataclass_fields__
    if GOOD.__dataclass_fields__[name].default is None  # every question that may stay unanswered
]


@pytest.mark.parametrize("name", MISSING)
def test_a_missing_answer_is_said_to_be_unknown_and_does_not_put_a_return_off_protocol(name):
    result = check_protocol(change(**{name: None}), LIMITS)
    new = set(result.findings) - set(FINE.findings)
    assert result.standing != Standing.OFF_PROTOCOL
    if name == "water_mm":  # how deep the water was is only asked where there was water
        assert not new
        return
    expected = {"habitat": {"hold"}, "hole_reuse": {"covariate", "note"}}.get(name, {"note"})
    assert {f.outcome.value for f in new} == expected


def test_every_missing_answer_together_is_still_one_finding_a_check():
    result = check_protocol(change(answers=(), **dict.fromkeys(MISSING)), LIMITS)
    assert [f.check for f in result.findings] == list(CHECKS)
    assert result.rim_ratio is None
    assert result.fresh is None


@pytest.mark.parametrize(
    ("answers", "trap_nights"),
    [
        ({"traps_pooled": 3}, 3.0),  # three traps for 24 h each
        ({"trap_state": "tilted"}, 1.0),
        ({"trap_state": "water_in"}, None),
        ({"trap_state": "dug_up"}, None),
        ({"trap_state": "kicked"}, None),
        ({"trap_state": "moved"}, None),
        ({"liquid": "standing_water", "water_mm": 30.0}, None),
        ({"traps_pooled": 0}, None),
    ],
)
def test_a_lost_trap_has_no_effort_and_pooled_traps_have_theirs_added(answers, trap_nights):
    assert check_protocol(change(**answers), LIMITS).trap_nights == trap_nights


@pytest.mark.parametrize(("mouth_mm", "ratio"), [(60.0, 0.80), (90.0, 1.20), (59.0, None), (101.0, None)])
def test_the_rim_ratio_stops_where_the_offset_stops_being_honest(mouth_mm, ratio):
    assert check_protocol(change(mouth_mm=mouth_mm), LIMITS).rim_ratio == pytest.approx(ratio)


def test_every_poisonous_or_baited_cup_hears_about_antifreeze():
    for liquid in ("preservative", "soap", "beer", "food_bait", "other"):
        words = " ".join(
            f.sentence for f in check_protocol(change(liquid=liquid), LIMITS).findings if f.check == "liquid"
        )
        assert "antifreeze" in words
        assert "Never use" in words


def test_every_check_has_a_title_of_its_own():
    assert list(TITLES) == list(CHECKS)
    assert len(set(TITLES.values())) == len(CHECKS)
