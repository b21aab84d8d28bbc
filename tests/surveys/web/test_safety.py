"""The safety page of a region, and the form in which its coordinator writes it."""

from __future__ import annotations

import pytest
from django.test import Client

from surveys.models import SafetyPage
from tests.factories import client_of, make_account, make_coordinator, make_operator, make_researcher, make_season
from tests.reading import reading_grade
from tests.surveys.web.guide_worlds import words_of

pytestmark = pytest.mark.django_db

PAGE, FORM = "/safety/eastmark/", "/safety/eastmark/edit/"


def test_the_page_shows_what_holds_everywhere_before_anything_was_written() -> None:
    make_season()
    words = words_of(Client().get(PAGE).content.decode())
    for text in (
        "Local law, codes, school rules and licensed practice come first.",
        "Nothing more is written for Eastmark yet. What stands below holds here too.",
        "which animals bite or sting here?",
        "Never any liquid, soap, bait or antifreeze",
        "hand trowel",
        "Look for ticks",
        "closed shoes",
        "Do not touch hairy caterpillars",
        "Call your local emergency number",
        "Write to Test office: office@test.example",
        "is version 2",
    ):
        assert text in words
    assert reading_grade(words) <= 5.0


def test_a_written_text_stands_on_the_page_with_its_date_and_whose_it_is() -> None:
    make_season()
    coordinator = client_of(make_coordinator("eastmark"))
    answer = coordinator.post(FORM, {"text": "## Adders\n\n- Step back.", "do": "store"})
    assert (answer.status_code, answer["Location"]) == (302, PAGE)
    page = Client().get(PAGE).content.decode()
    day = SafetyPage.objects.get().dated
    assert "<h3>Adders</h3>" in page
    assert f"Written by the coordinator of Eastmark on {day.day} {day:%B %Y}." in words_of(page)
    assert "Nothing more is written" not in page
    assert "Adders" not in Client().get("/safety/westmark/").content.decode()


def test_a_look_stores_nothing_and_keeps_the_text() -> None:
    make_season()
    coordinator = client_of(make_coordinator("eastmark"))
    page = coordinator.post(FORM, {"text": "Mind the **adders** & <ticks>", "do": "look"}).content.decode()
    assert "This is how it will look" in page
    assert "Nothing is stored yet." in page
    assert page.count("Mind the **adders** &amp; &lt;ticks&gt;") == 2
    assert not SafetyPage.objects.exists()


def test_a_double_tap_is_one_version() -> None:
    make_season()
    coordinator = client_of(make_coordinator("eastmark"))
    for _ in range(2):
        assert coordinator.post(FORM, {"text": "Adders.", "do": "store"}).status_code == 302
    assert SafetyPage.objects.count() == 1


def test_hostile_text_does_no_harm_on_the_page_in_the_preview_or_in_the_box() -> None:
    make_season()
    coordinator = client_of(make_coordinator("eastmark"))
    hostile = "</textarea><script>alert(1)</script><img src=x onerror=alert(1)> [x](javascript:alert(1))"
    preview = coordinator.post(FORM, {"text": hostile, "do": "look"}).content.decode()
    coordinator.post(FORM, {"text": hostile, "do": "store"})
    for page in (preview, coordinator.get(FORM).content.decode(), Client().get(PAGE).content.decode()):
        assert "<script>" not in page
        assert "<img src=x" not in page
        assert 'href="javascript' not in page
        assert page.count("</textarea>") <= 1


@pytest.mark.parametrize("do", ["look", "store"])
@pytest.mark.parametrize(
    ("text", "words"),
    [("", "The text is empty."), ("a" * 8001, "The text has 8001 signs. At most 8000 fit."), ("a\0b", "control signs")],
)
def test_each_fault_is_said_on_top_and_at_the_box_and_the_text_is_kept(do: str, text: str, words: str) -> None:
    make_season()
    answer = client_of(make_coordinator("eastmark")).post(FORM, {"text": text, "do": do})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "<title>Error: " in " ".join(page.split()).replace("<title> ", "<title>")
    assert page.count(words) == 2
    assert 'href="#text"' in page
    assert 'aria-invalid="true"' in page
    assert text.replace("\0", "") in page.replace("\0", "")
    assert not SafetyPage.objects.exists()


def test_the_form_lists_the_dates_of_all_versions_and_brings_the_newest_text() -> None:
    make_season()
    coordinator = client_of(make_coordinator("eastmark"))
    for text in ("Adders.", "Adders and ticks."):
        coordinator.post(FORM, {"text": text, "do": "store"})
    page = coordinator.get(FORM).content.decode()
    assert ">\nAdders and ticks.</textarea>" in page
    day = SafetyPage.objects.latest("id").dated
    assert page.count(f"<li>{day.day} {day:%B %Y}</li>") == 2


def test_only_the_regions_coordinator_sees_the_form_and_its_link() -> None:
    make_season()
    people = {
        "coordinator": (make_coordinator("eastmark"), 200),
        "coordinator of all regions": (make_coordinator(), 200),
        "other coordinator": (make_coordinator("westmark"), 404),
        "household": (make_account(), 403),
        "researcher": (make_researcher(), 403),
        "operator": (make_operator(), 403),
    }
    for who, (account, status) in people.items():
        client = client_of(account)
        assert client.get(FORM).status_code == status, who
        assert client.post(FORM, {"text": "", "do": "store"}).status_code == (422 if status == 200 else status), who
        assert (FORM in client.get(PAGE).content.decode()) is (status == 200), who
    anonymous = Client().get(FORM)
    assert anonymous.status_code == 302
    assert anonymous["Location"].startswith("/sign-in")


def test_a_region_that_does_not_exist_is_not_there() -> None:
    make_season()
    assert Client().get("/safety/nowhere/").status_code == 404
    assert client_of(make_coordinator()).get("/safety/nowhere/edit/").status_code == 404


def test_the_form_is_never_kept_by_a_browser() -> None:
    make_season()
    assert "no-store" in client_of(make_coordinator("eastmark")).get(FORM)["Cache-Control"]
