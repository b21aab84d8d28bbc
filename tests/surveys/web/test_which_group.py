"""The key as pages: every answer is a link, the way back is kept, and it leads to the row of the count."""

from __future__ import annotations

import re
from html import unescape
from urllib.parse import parse_qs, urlsplit

import pytest
from django.conf import settings
from django.test import Client

from surveys.group_key import ENDS, KEY, trails
from tests.reading import reading_grade
from tests.surveys.web.guide_worlds import make_full_season, words_of

pytestmark = pytest.mark.django_db

COUNT = "/my/returns/new/"


def get(path: str, **given: str) -> str:
    answer = Client().get(path, given)
    assert answer.status_code == 200, path
    return answer.content.decode()


def link(page: str, words: str) -> str:
    """Return the address of the first link that holds the words."""
    for address, inside in re.findall(r'<a[^>]*href="([^"]*)"[^>]*>(.*?)</a>', page, re.DOTALL):
        if words in " ".join(unescape(re.sub(r"<[^>]+>", " ", inside)).split()):
            return unescape(address)
    raise AssertionError(f"There is no link {words!r}.")


def test_a_walk_by_links_alone_comes_to_the_row_of_the_count() -> None:
    make_full_season()
    page = get("/which-group/", back=COUNT)
    assert link(page, "Back to your count") == COUNT
    for words in ("Eight legs", "No pincers", "Two parts, with a waist"):
        page = get(link(page, words))
    assert "It is a spider." in page
    assert link(page, "Count it under Spiders") == f"{COUNT}#row-spiders"


def test_back_goes_one_question_back_and_keeps_the_count() -> None:
    make_full_season()
    first = get("/which-group/", back=COUNT)
    second = get(link(first, "Six legs"))
    third = get(link(second, "I cannot see that"))
    assert KEY["back"].words in third
    again = get(link(third, "Back one question"))
    assert KEY["back_end"].words in again
    assert link(again, "None of these").startswith("/which-group/back/?via=legs.back_end&back=")
    start = get(link(again, "Back one question"))
    assert KEY["legs"].words in start
    assert link(start, "Back to your count") == COUNT


def test_every_question_and_every_end_has_a_page_that_a_child_can_read() -> None:
    make_full_season()
    for name, ask in KEY.items():
        page = get(f"/which-group/{name}/")
        assert ask.words in unescape(page)
        assert page.count('class="way-words"') == len(ask.choices) + 1
        assert reading_grade(words_of(page)) <= 5.0, (name, reading_grade(words_of(page)))
    for code, sentence in ENDS.items():
        page = get(f"/which-group/{code}/")
        assert sentence in page
        assert f"/kinds/{code}/" in page
        assert reading_grade(words_of(page)) <= 5.0, (code, reading_grade(words_of(page)))


def test_each_walk_of_the_key_can_be_shown_with_the_way_it_came() -> None:
    make_full_season()
    for walk in list(trails())[::12]:
        page = get(f"/which-group/{walk[-1]}/", via=".".join(walk[:-1]))
        before = urlsplit(link(page, "Back one question"))
        assert before.path == ("/which-group/" if len(walk) == 2 else f"/which-group/{walk[-2]}/")
        assert parse_qs(before.query).get("via", [""])[0] == ".".join(walk[:-2])


@pytest.mark.parametrize("via", ["shell", "legs.waist", "legs.nonsense", "<script>", "legs..", "." * 300])
def test_a_way_that_is_no_walk_is_dropped(via: str) -> None:
    page = get("/which-group/elbow/", via=via)
    assert "Back one question" not in page
    assert "<script>" not in page


@pytest.mark.parametrize(
    "hostile",
    [
        "https://elsewhere.example/",
        "//elsewhere.example/",
        "/\\elsewhere.example/",
        "\\\\elsewhere.example",
        "javascript:alert(1)",
        "JAVASCRIPT:alert(1)",
        " https://elsewhere.example/",
        "/\t/elsewhere.example/",
        "my/returns/new/",
        "?back=/",
        "/there/is/no/such/page/",
        "/my/returns/new/" + "x" * 600,
        '"><script>alert(1)</script>',
        "http:///elsewhere.example",
    ],
)
def test_a_way_back_that_is_not_a_page_of_ours_is_dropped(hostile: str) -> None:
    make_full_season()
    for path in ("/which-group/", "/which-group/spiders/"):
        page = get(path, back=hostile)
        # Below the main part stands the form for the language, which comes back to this very address.
        page = page[page.index("<main") : page.index("</main>")]
        assert "Back to your count" not in page
        assert "elsewhere.example" not in page
        assert "alert(1)" not in page
        assert "#row-" not in page


def test_a_fragment_of_the_way_back_gives_place_to_the_row() -> None:
    make_full_season()
    page = get("/which-group/spiders/", back=f"{COUNT}?trap=4#row-ants")
    assert link(page, "Count it under Spiders") == f"{COUNT}?trap=4#row-spiders"


def test_a_group_that_the_season_leaves_out_has_no_row_to_go_to() -> None:
    make_full_season(leave_out=("scorpions",))
    page = get("/which-group/scorpions/", back=COUNT)
    assert "This season does not ask for this group" in page
    assert "#row-scorpions" not in page
    assert link(page, "Back to your count") == COUNT


@pytest.mark.parametrize(("end", "words"), [("could_not_tell", "could not tell"), ("not_listed", "not on our list")])
def test_the_two_ends_that_are_no_group_lead_back_to_the_count(end: str, words: str) -> None:
    page = get(f"/which-group/{end}/", back=COUNT)
    assert words in page
    assert link(page, "Back to your count") == COUNT


def test_the_key_stands_before_there_is_a_season() -> None:
    assert "It is a spider." in get("/which-group/spiders/")


def test_an_unknown_question_is_not_there() -> None:
    assert Client().get("/which-group/dragons/").status_code == 404


def test_pages_may_be_kept_by_the_visitors_own_browser_and_by_nobody_between() -> None:
    answer = Client().get("/which-group/")
    assert "private" in answer["Cache-Control"]
    assert "max-age=600" in answer["Cache-Control"]


def test_the_pages_need_no_script_and_set_no_cookie_but_that_of_the_bands_forms() -> None:
    answer = Client().get("/which-group/legs/", {"back": COUNT})
    assert "<script" not in answer.content.decode()
    assert set(answer.cookies) <= {settings.CSRF_COOKIE_NAME}
