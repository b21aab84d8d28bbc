"""Field sheets: what stands on the paper, and the way from its code back to the trap."""

from __future__ import annotations

import re
from io import BytesIO
from typing import Any

import pytest
import segno
from django.test import Client

from surveys.models import Trap
from surveys.web.field_sheet import read_code
from surveys.web.tries import WRONG_TRAP_CODES_AN_HOUR
from tests.factories import GROUPS, make_household, make_season, make_site, make_trap

pytestmark = pytest.mark.django_db


@pytest.fixture
def trap() -> Trap:
    make_season()
    return make_trap(site=make_site(household=make_household()))


@pytest.fixture
def client(trap: Trap) -> Client:
    client = Client()
    client.force_login(trap.site.household.keeper)
    return client


def sheet(client: Client, trap: Trap) -> str:
    return str(client.get(f"/my/traps/{trap.public_id}/sheet").content.decode())


def test_the_sheet_has_all_that_u10_asks_for(client: Client, trap: Trap) -> None:
    page = sheet(client, trap)
    for words in (
        "Site 1, trap 1", trap.code, "Short lawn", "Set it", "Look at dusk", "Look in the morning", "Empty it",
        "No water, no bait", "with no gap around it", "A cover on three sticks", "damp moss", "Empty it after 24 hours",
        "within the hour", "An adult digs", "Wash hands", "no names of people", "Local law",
    ):  # fmt: skip
        assert words in page, words


def test_each_group_has_strokes_and_four_other_answers(client: Client, trap: Trap) -> None:
    page = sheet(client, trap)
    table = page.split('class="paper-tally"')[1].split("</table>")[0]
    rows = re.findall(r"<tr>\s*<th scope=\"row\">(.*?)</th>(.*?)</tr>", table, re.DOTALL)
    assert [name for name, _ in rows] == [*(group[1] for group in GROUPS), "Something else:"]
    assert all(cells.count("<td") == 5 and cells.count('class="box"') == 3 for _, cells in rows)
    for words in ("over 20: about", "none", "did not look", "could not tell"):
        assert f">{words}</th>" in table


def test_the_square_code_holds_the_address_of_the_code(client: Client, trap: Trap) -> None:
    drawn = re.search(r'<svg[^>]*class="square-code".*?</svg>', sheet(client, trap), re.DOTALL)
    assert drawn
    assert "style=" not in drawn.group()
    # Drawn anew by the library's own writer of files, with the address written out by hand.
    again = BytesIO()
    segno.make_qr(f"http://testserver/t/?code={trap.code}", error="m").save(again, kind="svg", omitsize=True, border=4)
    path = re.search(r' d="([^"]+)"', again.getvalue().decode())
    assert path
    assert path.group(1) in drawn.group()


def test_a_site_has_one_sheet_for_each_trap(client: Client, trap: Trap) -> None:
    path = f"/my/sites/{trap.site.public_id}/sheets"
    for _ in range(3):
        make_trap(site=trap.site)
    page = client.get(path).content.decode()
    assert page.count('<article class="paper"') == 4
    assert all(f"Site 1, trap {number}" in page for number in (1, 2, 3, 4))


def test_more_sheets_ask_no_more_questions(client: Client, trap: Trap, django_assert_max_num_queries: Any) -> None:
    path = f"/my/sites/{trap.site.public_id}/sheets"
    for _ in range(9):
        make_trap(site=trap.site)
    client.get(path)
    with django_assert_max_num_queries(6):
        client.get(path)


def test_a_site_without_traps_has_nothing_to_print(client: Client, trap: Trap) -> None:
    empty = make_site(household=trap.site.household)
    assert "nothing to print" in client.get(f"/my/sites/{empty.public_id}/sheets").content.decode()


# The way back ----------------------------------------------------------------------------------


def test_a_code_leads_to_ones_own_trap(client: Client, trap: Trap) -> None:
    assert client.get("/t/", {"code": trap.code})["Location"] == f"/my/traps/{trap.public_id}/"


@pytest.mark.parametrize("typed", ["k7p2mx", " K7P-2MX ", "K7 P2 MX"])
def test_a_code_is_read_as_people_type_it(client: Client, trap: Trap, typed: str) -> None:
    Trap.objects.filter(pk=trap.pk).update(code="K7P2MX")
    assert client.get("/t/", {"code": typed}).status_code == 302


def test_signs_that_look_alike_are_taken_for_one_another() -> None:
    # Crockford's base 32: O reads as 0, I and L as 1.
    assert read_code("oil 00v") == "01100V"


def test_a_foreign_code_and_an_unknown_one_are_answered_in_the_same_words(client: Client, trap: Trap) -> None:
    foreign = make_trap()
    pages = []
    for code in (foreign.code, "000000"):
        answer = client.get("/t/", {"code": code})
        assert answer.status_code == 404
        pages.append(answer.content.decode().replace(code, ""))
    assert re.sub(r'value="[^"]*"', "", pages[0]) == re.sub(r'value="[^"]*"', "", pages[1])


@pytest.mark.parametrize("code", ["1", "<b>x</b>", "\x00", "A" * 5000, "ÄÖÜäöü"])
def test_what_is_no_code_is_answered_like_one_that_nobody_has(client: Client, code: str) -> None:
    answer = client.get("/t/", {"code": code})
    assert answer.status_code == 404
    assert "<b>x" not in answer.content.decode()
    assert "None of your traps has this code." in answer.content.decode()


def test_guessing_ends_after_some_tries_even_with_a_right_code_among_them(client: Client, trap: Trap) -> None:
    codes = [client.get("/t/", {"code": f"{number:06}"}).status_code for number in range(WRONG_TRAP_CODES_AN_HOUR + 1)]
    assert codes == [404] * WRONG_TRAP_CODES_AN_HOUR + [429]
    assert "too many tries" in client.get("/t/", {"code": "000000"}).content.decode()


def test_ones_own_codes_never_count_as_guesses(client: Client, trap: Trap) -> None:
    assert {client.get("/t/", {"code": trap.code}).status_code for _ in range(WRONG_TRAP_CODES_AN_HOUR + 5)} == {302}


def test_who_is_not_signed_in_signs_in_and_comes_back(trap: Trap) -> None:
    answer = Client().get("/t/", {"code": trap.code})
    assert answer["Location"].startswith("/sign-in")
    assert f"code%3D{trap.code}" in answer["Location"]
