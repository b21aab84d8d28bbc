"""By-catch and safety: danger first, in one's own regions, with what to do."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from surveys.models import Account, Question, Return
from surveys.vocabulary import Decision
from tests.factories import client_of, make_coordinator, make_season
from tests.surveys.web.desk_worlds import decide, left_open, sent, words_of_page

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def coordinator() -> Account:
    make_season()
    return make_coordinator("eastmark")


@pytest.fixture
def client(coordinator: Account) -> Client:
    return client_of(coordinator)


def listed(client: Client) -> list[str]:
    return re.findall(r'href="/queue/([0-9a-f-]{36})/"', client.get("/desk/cases/").content.decode())


def test_without_a_case_the_page_says_so_and_names_the_contact(client: Client) -> None:
    sent("eastmark")
    page = words_of_page(client, "/desk/cases/")
    assert "None. Every return about danger in your regions has been looked at." in page
    assert "Welfare contact of Test count 2026: office@test.example" in page
    assert listed(client) == []


URGENT = {
    "antifreeze": ({"liquid": "preservative"}, "can kill a cat"),
    "soap": ({"liquid": "soap"}, "Ask the household to lift the cup, rinse it"),
    "beer": ({"liquid": "beer"}, "Ask the household to lift the cup, rinse it"),
    "a note of liquid": ({"note": "We put some antifreeze in."}, "Ask the household to lift the cup, rinse it"),
    "a larger animal": ({"vertebrate_seen": "yes"}, "A larger animal was in the cup."),
    "a note of a shrew": ({"note": "A shrew was in it."}, "Read the return and what the household wrote."),
}


@pytest.mark.parametrize(("answers", "words"), URGENT.values(), ids=URGENT.keys())
def test_each_danger_is_a_case_that_waits_with_what_to_do(client: Client, answers: dict[str, str], words: str) -> None:
    report = sent("eastmark", **answers)[0]
    page = words_of_page(client, "/desk/cases/")
    assert listed(client) == [str(report.uuid)]
    assert "None. Every return about danger" not in page
    assert words in page


FRESH = {
    "left open": ({"closing": "left_open"}, "put a lid on it or fill the hole"),
    "not let go": ({"release": "not_released"}, "let them go now"),
}


@pytest.mark.parametrize(("answers", "words"), FRESH.values(), ids=FRESH.keys())
def test_what_no_verdict_waits_for_is_told_while_it_is_fresh(
    client: Client, answers: dict[str, str], words: str
) -> None:
    report = sent("eastmark", **answers)[0]
    assert report.state == "standing"
    assert words in words_of_page(client, "/desk/cases/")
    assert listed(client) == [str(report.uuid)]
    Return.objects.filter(pk=report.pk).update(state="withdrawn")
    assert listed(client) == []


def test_what_is_older_than_a_fortnight_is_not_told_again(client: Client, monkeypatch) -> None:
    sent("eastmark", closing="left_open")
    later = timezone.now() + timedelta(days=14, minutes=1)
    monkeypatch.setattr("surveys.web.cases.timezone.now", lambda: later)
    assert listed(client) == []


def test_those_whose_household_was_asked_stand_behind(client: Client) -> None:
    first, second = sent("eastmark", sites=2, closing="left_open")
    assert listed(client) == [str(second.uuid), str(first.uuid)]
    Question.objects.create(report=second, text="Is there a lid on it by now?")
    assert listed(client) == [str(first.uuid), str(second.uuid)]
    assert "household asked" in words_of_page(client, "/desk/cases/")


def test_the_newest_comes_first_and_what_was_looked_at_last(client: Client, coordinator: Account) -> None:
    old, new, decided = sent("eastmark", sites=3, liquid="soap")
    decide(coordinator, decided, Decision.DISCOUNTED)
    assert listed(client) == [str(new.uuid), str(old.uuid), str(decided.uuid)]
    page = words_of_page(client, "/desk/cases/")
    assert page.index("Not looked at yet") < page.index("Looked at ")


def test_traps_that_are_late_for_a_day_stand_on_top(client: Client) -> None:
    # Overdue from 26 hours on: at 49 h a trap is late for 23 h, at 51 h for 25 h, at 80 h for two days and 6 h.
    left_open("eastmark", hours=49)
    assert "overdue by a day or more" not in words_of_page(client, "/desk/cases/")
    left_open("eastmark", hours=51)
    left_open("eastmark", hours=80)
    page = words_of_page(client, "/desk/cases/")
    assert page.count("Open since") == 2
    assert page.index("Overdue by 2 days.") < page.index("Overdue by 1 day.") < page.index("Not looked at yet")


def test_another_region_has_no_case_for_her(coordinator: Account) -> None:
    sent("eastmark", liquid="soap")
    sent("eastmark", closing="left_open")
    left_open("eastmark", hours=80)
    theirs = client_of(make_coordinator("westmark"))
    assert listed(theirs) == []
    assert "Open since" not in words_of_page(theirs, "/desk/cases/")
    assert len(listed(client_of(make_coordinator()))) == 2


def test_no_exact_place_stands_on_the_page(client: Client) -> None:
    report = sent("eastmark", vertebrate_seen="yes")[0]
    point = report.trap.site.point
    page = client.get("/desk/cases/").content.decode()
    assert f"{point.latitude:.2f}" not in page
    assert f"{point.longitude:.2f}" not in page


def test_the_cost_does_not_grow_with_the_cases(client: Client, django_assert_max_num_queries) -> None:
    sent("eastmark", sites=6, liquid="soap")
    sent("eastmark", sites=6, closing="left_open")
    with django_assert_max_num_queries(32):
        client.get("/desk/cases/")
