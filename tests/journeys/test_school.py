"""A class counts on a phone, and its teacher fills in the table with the keyboard alone."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page

from surveys.models import Draft, Return
from tests.journeys.browsing import assert_accessible, sign_in, visit
from tests.surveys.web.classes import School, cell, make_school

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture(params=[360, 1280], ids=["phone", "desk"])
def pages(request: pytest.FixtureRequest, browser: Browser, served: str) -> Iterator[tuple[Page, Page]]:
    """Two visitors, a teacher and a class, that may complain of nothing."""
    with visit(browser, served, request.param) as desk, visit(browser, served, request.param) as phone:
        yield desk, phone


def tab_to(page: Page, name: str, most: int = 200) -> None:
    """Press Tab until the focus is on the box with this id or name."""
    for _ in range(most):
        if page.evaluate("n => [document.activeElement.id, document.activeElement.name].includes(n)", name):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{name} cannot be reached by Tab")


def assert_in_sight(page: Page) -> None:
    """WCAG 2.2, 2.4.11: the box in focus is not under the heads of the table."""
    assert page.evaluate(
        """() => {
          const box = document.activeElement.getBoundingClientRect();
          const top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
          return top === document.activeElement;
        }"""
    )


def code_on_the_board(desk: Page, school: School) -> str:
    """Make a code with the keyboard alone and return what the board shows."""
    desk.goto(f"{school.path}code")
    assert_accessible(desk)
    tab_to(desk, "step")
    desk.keyboard.press("Enter")
    desk.wait_for_selector(".board-code")
    assert_accessible(desk)
    return "".join(desk.locator(".board-code span").all_inner_texts())


def count_three_woodlice(phone: Page, code: str) -> None:
    """Type the code as a pupil may, and count in trap 2."""
    phone.goto("/class")
    assert_accessible(phone)
    phone.fill("#code", f"{code[:3].lower()} {code[3:].lower()}")
    phone.keyboard.press("Enter")
    phone.wait_for_url("**/class/traps/")
    assert_accessible(phone)
    phone.click("text=Trap 2")
    phone.wait_for_selector("#n_woodlice")
    assert_accessible(phone)
    for _ in range(3):
        phone.click("button[value='plus:woodlice']")
    phone.click("button:has-text('Save for my teacher')")
    phone.wait_for_selector("text=is saved for your teacher")
    assert phone.locator("text=A saved count is kept for your teacher").is_visible()
    assert_accessible(phone)


def answer_for_all_traps(desk: Page) -> None:
    """Fill in what is asked once, with the keyboard alone."""
    for name, typed in (
        ("set_day", "2"), ("set_month", "may"), ("set_year", "2026"), ("set_time", "9:00"),
        ("emptied_day", "3"), ("emptied_month", "may"), ("emptied_year", "2026"), ("emptied_time", "9:00"),
        ("mouth_mm", "75"),
    ):  # fmt: skip
        tab_to(desk, name)
        desk.keyboard.press("Control+A")
        desk.keyboard.type(typed)
    for name in ("rim", "cover", "liquid", "trap_state"):
        tab_to(desk, name)
        desk.keyboard.press("Space")


def fill_the_cells(desk: Page, school: School) -> str:
    """Move by Enter and arrows, type one of each kind and one slip; return the cell of the slip."""
    one, two, _three = school.traps
    slip = cell(two, "ground_beetles")
    tab_to(desk, cell(one, "woodlice"))
    for typed, key in (
        ("12", "Enter"),
        ("0", "ArrowDown"),
        ("-", "ArrowDown"),
        ("?", "Enter"),
        ("16-31", "ArrowRight"),
    ):
        desk.keyboard.type(typed)
        desk.keyboard.press(key)
        assert_in_sight(desk)
    assert desk.evaluate("document.activeElement.id") == slip
    desk.keyboard.type("many")
    desk.keyboard.press("ArrowRight")
    desk.keyboard.type("2")
    desk.keyboard.press("Home")
    desk.keyboard.press("ArrowLeft")
    assert desk.evaluate("document.activeElement.id") == slip
    return slip


def press(desk: Page, awaited: str) -> None:
    """Go to the first button of the form and press it."""
    tab_to(desk, "step")
    desk.keyboard.press("Enter")
    desk.wait_for_selector(awaited)
    assert_accessible(desk)


def stored() -> dict[tuple[int, str], tuple[str, int | None, int | None]]:
    """Return every answer that is stored, by trap and group."""
    return {
        (report.trap.number, catch.group.code): (catch.answer, catch.low, catch.high)
        for report in Return.objects.select_related("trap")
        for catch in report.catches.select_related("group")
    }


def test_a_class_counts_and_its_teacher_looks_it_over_and_sends_it(pages: tuple[Page, Page]) -> None:
    desk, phone = pages
    school = make_school(traps=3)
    sign_in(desk, school.teacher.email)
    desk.click("nav >> text=My classes")
    desk.wait_for_url("**/my/classes/")
    assert_accessible(desk)
    count_three_woodlice(phone, code_on_the_board(desk, school))
    assert Draft.objects.get().answers == {"n_woodlice": "3"}

    desk.goto(f"{school.path}table/")
    assert_accessible(desk)
    answer_for_all_traps(desk)
    slip = fill_the_cells(desk, school)
    press(desk, ".summary")
    assert desk.title().startswith("Error: ")
    assert desk.locator(".summary a").get_attribute("href") == f"#{slip}"
    tab_to(desk, slip)
    assert_in_sight(desk)
    desk.keyboard.press("Control+A")
    desk.keyboard.type("4")
    press(desk, "text=Send all 3 returns")
    assert Return.objects.count() == 0
    press(desk, "text=3 returns have arrived.")
    assert stored() == {
        (1, "woodlice"): ("number", 12, 12),
        (1, "millipedes"): ("none_seen", 0, 0),
        (1, "centipedes"): ("did_not_look", None, None),
        (1, "spiders"): ("could_not_tell", None, None),
        (1, "ground_beetles"): ("class", 16, 31),
        (2, "woodlice"): ("number", 3, 3),
        (2, "ground_beetles"): ("number", 4, 4),
        (3, "ground_beetles"): ("number", 2, 2),
    }
    assert Draft.objects.count() == 0
