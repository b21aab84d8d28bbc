"""A plan begins empty, or as an earlier season a year on."""

from __future__ import annotations

from datetime import date

import pytest

from surveys.plans.checks import check_plan
from surveys.plans.copying import equal_weights, moved_a_year, next_code, next_year
from surveys.plans.records import PlanDraft, code_from
from tests.surveys.plans.drafts import known, new_limits, whole_boundaries, whole_plan


def test_a_copy_is_the_season_a_year_on_and_can_be_opened_at_once() -> None:
    before = PlanDraft(whole_plan(), whole_boundaries(), new_limits())
    copy = next_year(before, taken=frozenset({"merrow-2027"}))
    assert copy.plan["code"] == "merrow-2028"
    assert copy.plan["title"] == "Merrow Night Count 2028"
    assert (copy.plan["opens_on"], copy.plan["closes_on"]) == ("2028-04-01", "2028-12-15")
    assert copy.plan["windows"][1] == {
        "code": "summer",
        "name": "Summer",
        "first_day": "2028-06-27",
        "last_day": "2028-08-09",
    }
    assert copy.plan["groups"] == ["woodlice", "spiders"]
    assert copy.boundaries == whole_boundaries()
    assert copy.limits == {}
    assert check_plan(copy, known(today=date(2028, 1, 1))) == ()
    assert before.plan == whole_plan()


@pytest.mark.parametrize(
    ("day", "next_day"),
    [
        (date(2027, 4, 18), date(2028, 4, 18)),
        (date(2028, 2, 29), date(2029, 2, 28)),
        (date(2027, 12, 31), date(2028, 12, 31)),
    ],
)
def test_a_day_moves_by_a_year_and_leap_days_to_the_day_before(day: date, next_day: date) -> None:
    assert moved_a_year(day) == next_day


@pytest.mark.parametrize(
    ("code", "taken", "fresh"),
    [
        ("merrow-2027", {"merrow-2027"}, "merrow-2028"),
        ("merrow-2027", {"merrow-2027", "merrow-2028"}, "merrow-2029"),
        ("merrow", {"merrow"}, "merrow-2"),
        ("merrow-2", {"merrow-2"}, "merrow-3"),
        ("2019-merrow-2027", set(), "2019-merrow-2028"),
        ("m20271", set(), "m20271-2"),
    ],
)
def test_the_next_code_is_free_and_looks_like_the_last(code: str, taken: set[str], fresh: str) -> None:
    assert next_code(code, frozenset(taken)) == fresh


@pytest.mark.parametrize("number", [1, 3, 7, 11])
def test_equal_weights_sum_to_one_and_differ_by_a_rounding_at_most(number: int) -> None:
    weights = [row["weight"] for row in equal_weights([f"h{n}" for n in range(number)])]
    assert round(sum(weights), 9) == 1
    assert max(weights) - min(weights) <= 0.0001 + 1e-9
    assert equal_weights([]) == []


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("Alder Quay", "alder-quay"),
        ("  Früh–Sommer! ", "fruh-sommer"),
        ("東", "x"),
        ("A" * 50, "a" * 36),
        ("St. John's", "st-john-s"),
    ],
)
def test_a_code_is_made_from_a_name(name: str, code: str) -> None:
    assert code_from(name, otherwise="x") == code


def test_a_code_that_is_taken_gets_a_number() -> None:
    assert code_from("Cawder", otherwise="x", taken=frozenset({"cawder", "cawder-2"})) == "cawder-3"


def test_the_mark_of_a_section_changes_with_it_and_with_nothing_else() -> None:
    from surveys.vocabulary import PlanSection

    draft = PlanDraft(whole_plan(), whole_boundaries())
    other = PlanDraft(whole_plan() | {"title": "Another"}, whole_boundaries())
    changed = {section for section in PlanSection if draft.mark(section) != other.mark(section)}
    assert changed == {PlanSection.NAME}
    moved = PlanDraft(whole_plan(), {}, new_limits())
    assert {s for s in PlanSection if draft.mark(s) != moved.mark(s)} == {PlanSection.REGIONS, PlanSection.PROTOCOL}
