"""A page for each group: its drawing, how to tell it, its look-alikes beside it, and a caution where one is due."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from surveys.group_key import KEY
from surveys.web.drawings import drawing_of, drawn_names
from surveys.web.hints import PAIRS, hints_for, telling
from surveys.web.kinds import NOTES
from tests.reading import reading_grade
from tests.surveys.web.guide_worlds import CODES, GROUPS, make_full_season, words_of

DRAWINGS = Path(__file__).resolve().parents[3] / "surveys/static/surveys/drawings"
database = pytest.mark.django_db


def get(path: str) -> str:
    answer = Client().get(path)
    assert answer.status_code == 200
    return answer.content.decode()


@database
def test_the_list_shows_every_group_of_the_season_and_no_other() -> None:
    make_full_season(leave_out=("scorpions",))
    page = get("/kinds/")
    linked = re.findall(r'href="/kinds/(\w+)/"', page)
    assert sorted(linked) == sorted(set(CODES) - {"scorpions"})
    assert page.index("Groups for everybody") < page.index("More groups, if you like")


@database
def test_every_groups_page_has_its_drawing_its_marks_and_its_look_alikes() -> None:
    make_full_season()
    names = {group["code"]: group["name"] for group in GROUPS}
    for group in GROUPS:
        page = get(f"/kinds/{group['code']}/")
        words = words_of(page)
        for text in (group["name"], group["how_to_tell"], group["size"], group["soil_role"], group["latin"]):
            assert text in words, (group["code"], text)
        assert str(NOTES[group["code"]].moves).rstrip(".") in words
        assert page.count("<svg ") >= 1 + 2 * len(group["look_alikes"])
        for other in group["look_alikes"]:
            assert f'href="/kinds/{other}/"' in page
            assert names[other] in words
            assert telling(group["code"], other).rstrip(".") in words
        assert reading_grade(words) <= 5.0, (group["code"], reading_grade(words))


@database
@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("caterpillars", "Do not touch hairy ones"),
        ("scorpions", "Adults only"),
        ("wasps_bees", "An adult tips it out"),
        ("land_flatworms", "tell your coordinator"),
        ("mites", "Look for ticks"),
        ("spiders", "Read the safety page of your region"),
    ],
)
def test_a_group_that_can_hurt_says_so(code: str, words: str) -> None:
    make_full_season()
    assert words in words_of(get(f"/kinds/{code}/"))


@database
def test_a_group_that_the_season_leaves_out_says_so_and_an_unknown_one_is_not_there() -> None:
    make_full_season(leave_out=("scorpions",))
    assert "This season does not ask for this group" in get("/kinds/scorpions/")
    assert "This season does not ask for this group" not in get("/kinds/ants/")
    assert Client().get("/kinds/dragons/").status_code == 404


@database
def test_a_groups_page_takes_few_queries_however_many_look_alikes_it_has() -> None:
    make_full_season()
    get("/kinds/springtails/")
    with CaptureQueriesContext(connection) as queries:
        get("/kinds/springtails/")
    assert len(queries) <= 9


def test_there_is_a_drawing_for_every_group_and_for_every_answer_of_the_key() -> None:
    wanted = {*CODES, *(choice.drawing for ask in KEY.values() for choice in ask.choices)}
    assert wanted - drawn_names() == set()
    assert drawing_of("woodlice") == "woodlice"
    assert drawing_of("dragons") is None


@pytest.mark.parametrize("name", [*CODES, *sorted(n for n in drawn_names() if n.startswith(("key_", "guide_")))])
def test_a_drawing_is_small_takes_the_pages_ink_and_holds_neither_words_nor_styles(name: str) -> None:
    source = (DRAWINGS / f"{name}.svg").read_text()
    assert len(source.encode()) <= 6000
    root = ElementTree.fromstring(source)
    assert "currentColor" in source
    for element in root.iter():
        tag = element.tag.rsplit("}")[-1]
        assert tag in {"svg", "g", "path", "polyline", "circle", "ellipse"}
        assert not (element.text or "").strip()
        assert "style" not in element.attrib
        assert element.get("fill") in (None, "none", "currentColor", "#fbf7ed")
        assert element.get("stroke") in (None, "none", "currentColor", "#fbf7ed")


def test_every_pair_of_look_alikes_has_one_sentence_and_no_pair_stands_twice() -> None:
    wanted = {frozenset((group["code"], other)) for group in GROUPS for other in group["look_alikes"]}
    written = [frozenset((pair.one, pair.other)) for pair in PAIRS]
    assert set(written) == wanted
    assert len(written) == len(wanted)


def test_hints_are_those_of_a_groups_pairs_and_read_easily() -> None:
    assert "Spider or harvestman? A spider has a waist. A harvestman is one round piece." in hints_for("spiders")
    assert hints_for("harvestmen")[0] == hints_for("spiders")[0]
    assert hints_for("dragons") == ()
    assert telling("ants", "snails") == ""
    assert reading_grade(" ".join(str(pair.words) for pair in PAIRS)) <= 5.0


def test_every_group_has_notes() -> None:
    assert set(NOTES) == set(CODES)


@database
@pytest.mark.parametrize("path", ["/kinds/spiders/", "/which-group/spiders/"])
def test_what_may_bite_leads_to_the_safety_pages(path: str) -> None:
    make_full_season()
    assert "/guide/#regions" in get(path)
    assert "/guide/#regions" not in get(path.replace("spiders", "woodlice"))
