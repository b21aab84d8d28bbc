"""Every wrong entry of a plan alone: it is named with its section, its field, what was found and what to do."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from surveys.plans.checks import can_open, check_plan
from surveys.plans.copying import empty_draft
from surveys.vocabulary import PlanSection
from tests.surveys.plans.drafts import faults_of, known, told, whole_plan


def test_a_whole_plan_leaves_nothing_to_do() -> None:
    assert faults_of() == []


def test_an_empty_plan_is_told_of_every_section_but_the_texts() -> None:
    faults = check_plan(empty_draft(), known())
    assert {fault.section for fault in faults} == set(PlanSection) - {PlanSection.TEXTS}
    assert not can_open(faults)


NAME: list[tuple[dict[str, Any], str, str]] = [
    ({"code": None}, "code", "There is no code yet"),
    ({"code": "Merrow 2027"}, "code", "The code Merrow 2027 cannot be used"),
    ({"code": "merrow--2027"}, "code", "cannot be used"),
    ({"code": "m" * 41}, "code", "cannot be used"),
    ({"title": ""}, "title", "There is no title yet"),
    ({"title": "T" * 121}, "title", "121 signs, and at most 120 fit"),
    ({"organiser": "  "}, "organiser", "There is no organiser yet"),
    ({"contact": "call us"}, "contact", "The contact call us is neither"),
    ({"contact": "@"}, "contact", "neither"),
    ({"contact": "http://plain.example"}, "contact", "begins with https"),
    ({"contact": "a@" + "b" * 200}, "contact", "neither"),
    ({"opens_on": None}, "opens_on", "A day is missing"),
    ({"opens_on": "2027-02-30"}, "opens_on", "2027-02-30 is not a day"),
    ({"closes_on": "15.12.2027"}, "closes_on", "15.12.2027 is not a day"),
    ({"time_zone": "Merrow/Isles"}, "time_zone", "The time zone Merrow/Isles is not known"),
    ({"licence": "CC-BY-NC-4.0"}, "licence", "There is no licence yet"),
    ({"review_budget": 0}, "review_budget", "above 0"),
    ({"review_budget": 1.01}, "review_budget", "up to 100 percent"),
    ({"review_budget": "some"}, "review_budget", "is not a number"),
    ({"review_budget": True}, "review_budget", "is not a number"),
    ({"review_budget": None}, "review_budget", "is not a number"),
]


@pytest.mark.parametrize(("changes", "field", "words"), NAME)
def test_a_wrong_entry_of_name_and_dates_is_told(changes: dict[str, Any], field: str, words: str) -> None:
    (fault,) = faults_of(**changes)
    assert (fault.section, fault.target, fault.blocks) == (PlanSection.NAME, field, True)
    assert words in fault.sentence


def test_a_code_that_a_season_has_is_taken() -> None:
    (fault,) = faults_of(beside=known(season_codes=frozenset({"merrow-2027"})))
    assert "There is a season with the code merrow-2027 already" in fault.sentence


def test_a_season_that_closes_before_it_opens_is_told_once() -> None:
    (fault,) = faults_of(opens_on="2027-12-16", windows=[whole_plan()["windows"][0]])
    assert fault.sentence.startswith("The season closes on 2027-12-15, before it opens on 2027-12-16.")


def test_a_season_that_is_over_cannot_be_opened() -> None:
    (fault,) = faults_of(beside=known(today=date(2027, 12, 16)))
    assert "closes on 2027-12-15, which is over" in fault.sentence
    assert faults_of(beside=known(today=date(2027, 12, 15))) == []


def test_a_slip_in_the_year_is_told_by_the_number_of_days() -> None:
    (fault,) = faults_of(closes_on="2028-12-15")
    assert "open for 624 days" in fault.sentence  # 2027-04-01 to 2028-12-15, by hand: 275 to the year's end, 349 on


def window(first: str, last: str, name: str = "Spring", code: str = "spring") -> dict[str, str]:
    return {"code": code, "name": name, "first_day": first, "last_day": last}


SUMMER = window("2027-06-27", "2027-08-09", "Summer", "summer")
WEEKS: list[tuple[Any, list[tuple[str, str]], str]] = [
    (None, [("no_windows", "window-1-name")], "There are no weeks yet"),
    ([window("2027-04-18", "2027-05-31", "")], [("window_name", "window-1-name")], "Window 1 has no name"),
    ([window("2027-04-18", "2027-05-31", "S" * 81)], [("window_name", "window-1-name")], "81 signs"),
    ([window("", "2027-05-31")], [("day_missing", "window-1-first_day")], "A day is missing"),
    ([window("2027-04-18", "")], [("day_missing", "window-1-last_day")], "A day is missing"),
    ([window("2027-04-31", "2027-05-31")], [("not_a_day", "window-1-first_day")], "2027-04-31 is not a day"),
    ([window("2027-05-31", "2027-04-18")], [("window_backward", "window-1-last_day")], "ends on 2027-04-18, before it begins"),
    ([window("2027-03-31", "2027-05-31")], [("window_outside", "window-1-first_day")], "from 2027-03-31 to 2027-05-31, and the season"),
    ([window("2027-12-01", "2027-12-16")], [("window_outside", "window-1-last_day")], "inside its season"),
    ([window("2027-04-18", "2027-06-27"), SUMMER], [("windows_overlap", "window-2-first_day")], "Spring and Summer overlap on 2027-06-27"),
    ([SUMMER, window("2027-06-20", "2027-06-27")], [("windows_overlap", "window-1-first_day")], "Spring and Summer overlap"),
    (
        [window("2027-04-18", "2027-04-20"), window("2027-05-18", "2027-05-20", "spring", "spring-2")],
        [("window_twice", "window-1-name"), ("window_twice", "window-2-name")], "More than one window has the name",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("windows", "found", "words"), WEEKS)
def test_wrong_weeks_are_told(windows: Any, found: list[tuple[str, str]], words: str) -> None:
    faults = faults_of(windows=windows)
    assert told(*faults) == [("weeks", code, target) for code, target in found]
    assert words in faults[0].sentence


def test_windows_may_touch_and_fill_the_whole_season() -> None:
    assert (
        faults_of(windows=[window("2027-04-01", "2027-06-26"), window("2027-06-27", "2027-12-15", "Rest", "r")]) == []
    )


def test_thirteen_windows_are_too_many() -> None:
    days = [window(f"2027-05-{n:02}", f"2027-05-{n:02}", f"Day {n}", f"d{n}") for n in range(1, 14)]
    (fault,) = faults_of(windows=days)
    assert (fault.code, fault.values["found"]) == ("too_many_windows", 13)


LISTS: list[tuple[dict[str, Any], tuple[str, str, str], str]] = [
    ({"groups": None}, ("groups", "no_groups", "groups"), "No group is chosen yet"),
    ({"groups": ["woodlice", "dragons"]}, ("groups", "unknown_group", "groups"), "no group with the code dragons"),
    ({"groups": ["woodlice", "woodlice"]}, ("groups", "group_twice", "groups"), "woodlice stands on the list twice"),
    ({"habitats": []}, ("habitats", "no_habitats", "habitats"), "No habitat is chosen yet"),
    ({"habitats": [{"code": "cave", "weight": 1}]}, ("habitats", "unknown_habitat", "habitats"), "no habitat with the code cave"),
    ({"habitats": [{"code": "other", "weight": 0.5}] * 2}, ("habitats", "habitat_twice", "habitats"), "other stands on the list twice"),
    ({"habitats": [{"code": "other", "weight": "lots"}]}, ("habitats", "weight", "weight-other"), "The weight lots is not a number from 0 to 1"),
    ({"habitats": [{"code": "other", "weight": 1.2}]}, ("habitats", "weight", "weight-other"), "1.2"),
    ({"habitats": [{"code": "other", "weight": -0.1}]}, ("habitats", "weight", "weight-other"), "-0.1"),
    ({"habitats": [{"code": "other", "weight": 0.99}]}, ("habitats", "weights_sum", "habitats"), "sum to 0.990"),
    ({"protocol": None}, ("protocol", "no_protocol", "protocol"), "No protocol version is chosen yet"),
    ({"protocol": "7"}, ("protocol", "unknown_protocol", "protocol"), "no protocol version 7"),
    ({"welcome": "w" * 2001}, ("texts", "too_long", "welcome"), "2001 signs"),
    ({"welcome": "bell \x07"}, ("texts", "unseen_signs", "welcome"), "control signs"),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "found", "words"), LISTS)
def test_a_wrong_list_or_text_is_told(changes: dict[str, Any], found: tuple[str, str, str], words: str) -> None:
    faults = faults_of(**changes)
    assert told(*faults) == [found]
    assert words in faults[0].sentence


@pytest.mark.parametrize("total", [0.995, 1.0, 1.005])
def test_weights_may_miss_one_by_their_rounding(total: float) -> None:
    assert faults_of(habitats=[{"code": "other", "weight": total - 0.5}, {"code": "short_lawn", "weight": 0.5}]) == []


def test_all_faults_of_all_sections_come_at_once_in_the_order_of_the_sections() -> None:
    faults = faults_of(
        title="", windows=None, groups=None, habitats=None, protocol=None, boundaries={}, welcome="w" * 2001
    )
    assert [fault.section for fault in faults] == list(PlanSection)
