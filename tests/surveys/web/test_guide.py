"""How to set a trap: each step with a drawing, the numbers of the protocol, and what to do when something happens."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from django.test import Client

from surveys.web.drawings import drawing_of
from surveys.web.guide import STEPS
from tests.factories import ROOT, make_season
from tests.reading import reading_grade
from tests.surveys.web.guide_worlds import words_of

pytestmark = pytest.mark.django_db

PROTOCOL: dict[str, Any] = {
    check["check"]: check for check in json.loads((ROOT / "fixtures/reference/protocol-1.json").read_text())["checks"]
}


def guide() -> str:
    answer = Client().get("/guide/")
    assert answer.status_code == 200
    return answer.content.decode()


def band(check: str, case: str) -> tuple[Any, Any]:
    found = next(row for row in PROTOCOL[check]["bands"] if row["case"] == case)
    return found["low"], found["high"]


def test_each_step_has_a_drawing_of_its_own_words_and_a_caution() -> None:
    page = guide()
    assert len(STEPS) == 13
    assert len({step.drawing for step in STEPS}) == 13
    assert page.count("Watch out:") == 13
    for step in STEPS:
        assert drawing_of(step.drawing) == step.drawing
        assert str(step.title) in page


def test_no_step_has_more_than_three_sentences_to_do() -> None:
    assert max(len(re.findall(r"[.!?](?:\s|$)", str(step.words))) for step in STEPS) <= 3


def test_the_numbers_are_those_of_the_protocol() -> None:
    words = words_of(guide())
    low, high = band("mouth_width", "near")
    assert f"{low} to {high} mm wide" in words
    assert band("mouth_width", "standard") == (75, 75)
    assert "75 mm wide and 100 mm deep" in words
    assert f"deeper than {band('cup_depth', 'target')[1]} mm" in words
    low, high = band("cover_gap", "target")
    assert low <= 20 <= high
    assert "2 cm above the ground" in words
    assert PROTOCOL["cover_width"]["numbers"]["margin_each_side_mm"] == 30
    assert "3 cm past the cup on each side" in words
    limits = PROTOCOL["weather_limits"]["numbers"]
    assert f"less than {limits['coldest_c']} degrees" in words
    assert f"more than {limits['hottest_c']} degrees" in words
    assert f"{band('guard', 'mesh_fine')[1]} mm holes" in words
    assert "48 hours" in words
    assert "24 hours" in words


@pytest.mark.parametrize(
    "caution",
    [  # From the project's brief: safety, welfare and children.
        "Local law, codes, school rules and licensed practice come first.",
        "hand trowel",
        "Stop at anything hard",
        "never any liquid, bait, soap or antifreeze",
        "Look in at dusk and early next morning",
        "within the hour",
        "Frost",
        "Storm",
        "A mouse, shrew, frog, newt or lizard",
        "lays the cup on its side under thick plants and lets the animal walk out",
        "Then take the gloves off. Your hands must be clean and wet.",
        "An adult with gloves",
        "Call your local emergency number at once",
        "Get medical help if",
        "30 by 20 cm",
        "fill the hole",
    ],
)
def test_each_caution_is_on_the_page(caution: str) -> None:
    assert caution in words_of(guide())


@pytest.mark.parametrize("word", ["abundance", "population", "per m²", "invalid", "please", "oops"])
def test_a_word_that_does_not_belong_here_is_not_used(word: str) -> None:
    assert word not in guide().lower()


def test_the_guide_stands_before_there_is_a_season_and_links_to_each_regions_safety_page_after() -> None:
    assert "Safety where you live" not in guide()
    make_season()
    page = guide()
    assert 'href="/safety/eastmark/"' in page
    assert 'href="/safety/westmark/"' in page


def test_the_page_reads_like_a_book_for_ten_year_olds() -> None:
    assert reading_grade(words_of(guide())) <= 5.0


@pytest.mark.parametrize("path", ["/guide/", "/safety/eastmark/", "/in-the-garden/", "/"])
def test_what_to_do_about_an_animal_with_a_backbone_is_the_same_everywhere(path: str) -> None:
    """The first steps are those of protocol 1, fixtures/reference/protocol-1.json, vertebrate_seen."""
    make_season()
    said = words_of(Client().get(path).content.decode())
    assert "An adult with gloves lays the cup on its side under thick plants and lets the animal walk out." in said
    assert "Close this trap" in said
    if path != "/":
        assert "Next time choose another place, or put mesh with 10 mm holes over the cup." in said
        assert "If it happens twice, close this place for good." in said
