"""The sections "Change since" and "Groups seen" of the season page: words, numbers, and when they are not there."""

from __future__ import annotations

import re

import pytest
from django.test import Client

from surveys.methods.groups_seen_records import Figure
from surveys.models import ChangeValue, Group, GroupsSeenValue, Region, Run, Season, Window
from surveys.web.changes import joined, verdict_of
from surveys.web.groups_seen import likely, share_words
from tests.factories import make_season
from tests.surveys.web.figures import make_run

pytestmark = pytest.mark.django_db(transaction=True)


def section(name: str, query: str = "") -> str:
    """Return a section of the season page without its tags, empty where there is none."""
    page = Client().get(f"/seasons/test-2026/{query}").content.decode()
    found = re.search(rf'<section aria-labelledby="{name}">(.*?)</section>', page, re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", found[1]).split()) if found else ""


def make_described(base: tuple[str, ...] = ("test-2025",)) -> tuple[Season, Run]:
    """Publish a run that knows its base seasons and the comparison of groups seen. Invented numbers."""
    season = make_season()
    run = make_run(season)
    run.parameters = {
        "change": {
            "earlier": [{"season": code, "title": f"Count of {code[-4:]}"} for code in base],
            "groups": {"woodlice": {"base": list(base)}},
        },
        "groups_seen": {
            "settings": {}, "groups": ["woodlice", "spiders", "springtails"], "groups_left_out": [],
            "base_effort": 40, "base_coverage": 0.961,
        },
    }  # fmt: skip
    run.save()
    return season, run


def make_change(run: Run, region: str, *, adjusted: bool, code: str = "shown", more: int = 0, **numbers: float) -> None:
    ChangeValue.objects.create(
        run=run, region=Region.objects.get(code=region), group=Group.objects.get(code="woodlice"),
        window=Window.objects.get(season=run.season, code="spring"), adjusted=adjusted, code=code,
        revisited_sites=12 if code == "shown" else 7, effective_sites=6.5, more_sites_needed=more, **numbers,
    )  # fmt: skip


def make_changes(run: Run, p_adjusted: float = 0.02) -> None:
    numbers = {"ratio": 2.0, "low": 1.46, "high": 2.72, "p_value": 0.01, "p_adjusted": p_adjusted}
    warmer = {"ratio": 1.7, "low": 1.2, "high": 2.4, "p_value": 0.02, "p_adjusted": 0.04}
    make_change(run, "eastmark", adjusted=False, **numbers)
    make_change(run, "eastmark", adjusted=True, **warmer)
    for adjusted in (False, True):
        make_change(run, "westmark", adjusted=adjusted, code="few_revisited_sites", more=3)


def test_a_change_stands_beside_what_it_were_on_equally_warm_nights() -> None:
    make_changes(make_described()[1])
    said = section("change", "?group=woodlice&window=spring")
    assert said.startswith("Change since Count of 2025 Woodlice, Spring")
    assert "Eastmark 2.0 times (1.5 to 2.7) clearly more 1.7 times (1.2 to 2.4) 12" in said
    assert "Activity-density" in said
    assert "each compared with itself" in said


def test_too_few_gardens_that_came_back_say_how_many_more_would_have_to() -> None:
    make_changes(make_described()[1])
    said = section("change", "?group=woodlice&window=spring")
    assert "Westmark Too few gardens took part both times. 3 more would have to come back. 7" in said


def test_a_change_that_many_tests_explain_is_not_called_clear() -> None:
    make_changes(make_described()[1], p_adjusted=0.2)
    assert "no clear change" in section("change", "?group=woodlice&window=spring")
    assert (verdict_of(2.0, 0.05), verdict_of(0.5, 0.05), verdict_of(0.5, 0.051)) == (
        "clearly more", "clearly fewer", "no clear change",
    )  # fmt: skip


def test_without_rows_there_is_no_section_about_change() -> None:
    make_changes(make_described()[1])
    assert section("change", "?group=spiders&window=spring") == ""
    assert section("change", "?group=woodlice&window=autumn") == ""


def test_a_base_of_three_seasons_is_named_as_their_mean() -> None:
    make_changes(make_described(("test-2023", "test-2024", "test-2025"))[1])
    said = section("change", "?group=woodlice&window=spring")
    assert said.startswith("Change since the mean of Count of 2023, Count of 2024 and Count of 2025")
    assert joined(["A", "B"]) == "the mean of A and B"


def three(low: float, value: float, high: float) -> list[dict[str, float]]:
    return [{"value": value, "low": low, "high": high}] * 3


def make_seen(run: Run) -> None:
    """Westmark has too few gardens; Eastmark's figures are invented."""
    figure = {"value": 0.97, "low": 0.9, "high": 1.0}
    figures = {
        "seen_once": 1, "seen_twice": 1, "coverage": figure, "chao2": {"value": 2.5, "low": 2.0, "high": 3.0},
        "observed": three(1.8, 2.0, 2.2), "asymptotic": three(2, 2.5, 3),
        "at_effort": {"effort": 40.0, "coverage": 0.98, "hill": three(2.0, 2.4, 2.9), "extrapolated": True},
        "at_coverage": {"effort": 20.0, "coverage": 0.961, "hill": three(1.8, 2.1, 2.5), "extrapolated": False},
    }  # fmt: skip
    rows = (
        ("eastmark", "shown", ["effort_extrapolated"], 12, 24, 2, figures),
        ("westmark", "too_few", ["few_sites"], 4, 9, 1, None),
    )
    for region, label, codes, sites, nights, groups, drawn in rows:
        GroupsSeenValue.objects.create(
            run=run, region=Region.objects.get(code=region), label=label, codes=codes, sites=sites,
            site_nights=nights, left_out=0, groups_seen=groups, figures=drawn,
        )  # fmt: skip


def test_groups_seen_are_told_at_equal_effort_and_at_equal_coverage_with_intervals_in_words() -> None:
    make_seen(make_described()[1])
    said = section("groups-seen")
    assert "Eastmark 2 about 2.4, likely 2.0 to 2.9 about 2.1, likely 1.8 to 2.5 12 24" in said
    assert "Here that is 40 garden nights, and a completeness of 96 %." in said
    assert "Eastmark Taken forward from 24 to 40 site-nights, at most twice the sample." in said
    assert "Westmark 1 Too few sites answered the whole list: 4 of the 10 needed. 4 9" in said
    assert "says nothing about species" in said
    assert not re.search("abundance|population|biodiversity|per m²", said, re.IGNORECASE)


def test_a_run_from_before_there_were_groups_seen_has_no_such_section() -> None:
    make_run(make_season())
    assert section("groups-seen") == ""
    assert section("change") == ""


def test_an_interval_without_length_is_not_told_as_one() -> None:
    assert likely(Figure(5.0, 5.0, 5.0)) == "about 5.0, no spread seen"
    assert likely(Figure(5.0, 4.9, 5.0)) == "about 5.0, likely 4.9 to 5.0"


def test_a_share_never_rounds_up_to_everything() -> None:
    assert [share_words(share) for share in (0.961, 0.996, 0.9999, 1.0)] == ["96", "99.6", "99.9", "100"]


def test_the_two_sections_cost_two_queries(django_assert_max_num_queries) -> None:
    _, run = make_described()
    make_changes(run)
    make_seen(run)
    with django_assert_max_num_queries(11):  # nine for the page without them, see test_seasons.py
        section("change", "?group=woodlice&window=spring")
