"""A teacher's pages: classes, and codes for the board."""

from __future__ import annotations

import re
import uuid

import pytest
from django.test import Client
from django.utils import timezone

from surveys.models import ClassCode, SchoolClass
from surveys.queries.schools import pass_of_code
from surveys.services.schools import save_class_draft
from surveys.vocabulary import HouseholdKind
from tests.factories import make_account, make_household
from tests.surveys.web.classes import School, make_school, new_class
from tests.surveys.web.sending import boxes, summary_links, title_of

pytestmark = pytest.mark.django_db
PATH = "/my/classes/"


@pytest.fixture
def school() -> School:
    return make_school()


def test_a_class_is_added_by_one_press_under_a_made_up_name(school: School) -> None:
    client = school.client
    form = boxes(client.get(PATH).content.decode())
    for _ in range(2):  # a double tap
        answer = client.post(PATH, {"id": form["id"]})
        assert (answer.status_code, answer["Location"]) == (302, f"{PATH}{form['id']}/")
    assert SchoolClass.objects.count() == 2
    made = SchoolClass.objects.get(public_id=form["id"])
    assert made.pseudonym in client.get(PATH).content.decode()


def test_nothing_that_is_typed_becomes_a_name(school: School) -> None:
    client = school.client
    client.post(PATH, {"pseudonym": "Class of somebody", "name": "Class of somebody", "id": "\x00<b>"})
    assert SchoolClass.objects.count() == 2
    assert "somebody" not in str(list(SchoolClass.objects.values_list("pseudonym", flat=True)))


def test_a_keeper_of_two_schools_chooses_one(school: School) -> None:
    second = make_household(keeper=school.teacher, kind=HouseholdKind.SCHOOL)
    client = school.client
    page = client.post(PATH, {}).content.decode()
    assert title_of(page).startswith("Error: ")
    assert summary_links(page) == ["household"]
    assert 'id="household"' in page
    assert client.post(PATH, {"household": str(second.public_id)}).status_code == 302
    assert SchoolClass.objects.filter(household=second).count() == 1


def test_a_school_of_somebody_else_gets_no_class(school: School) -> None:
    foreign = make_school(season=school.season)
    assert school.client.post(PATH, {"household": str(foreign.household.public_id)}).status_code == 404
    assert SchoolClass.objects.count() == 2


@pytest.mark.parametrize("keeps", [True, False])
def test_a_household_is_told_that_classes_are_for_schools(keeps: bool) -> None:
    client = Client()
    client.force_login(make_household().keeper if keeps else make_account())
    answer = client.get(PATH)
    assert answer.status_code == 200
    assert "Classes are for schools." in answer.content.decode()
    assert client.post(PATH, {}).status_code == 404


PLACES = ("", "code", "table/")


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("method", ["get", "post"])
def test_a_class_of_somebody_else_is_not_there(school: School, place: str, method: str) -> None:
    client = make_school(season=school.season).client
    assert getattr(client, method)(f"{school.path}{place}").status_code == 404
    school.school_class.refresh_from_db()
    assert school.school_class.closed_at is None
    assert ClassCode.objects.count() == 0


@pytest.mark.parametrize("place", PLACES)
def test_who_is_not_signed_in_signs_in_first(school: School, place: str) -> None:
    answer = Client().get(f"{school.path}{place}")
    assert answer.status_code == 302
    assert answer["Location"].startswith("/sign-in")
    assert Client().get(PATH)["Location"].startswith("/sign-in")


def code_on(page: str) -> str:
    """Return the code that a page shows large."""
    found = re.search(r'<p class="board-code">(.*?)</p>', page, re.DOTALL)
    assert found is not None
    return "".join(re.findall(r"<span>(\w+)</span>", found.group(1)))


def test_a_code_is_shown_once_with_the_address_to_type(school: School) -> None:
    client = school.client
    page = client.post(f"{school.path}code", {"step": "make", "hours": "3"}).content.decode()
    code = code_on(page)
    assert "testserver/class<" in page
    ticket = pass_of_code(code, now=timezone.now())
    assert ticket is not None
    row = ClassCode.objects.get()
    assert (row.expires_at - row.made_at).total_seconds() == 3 * 3600
    for place in PLACES:
        again = client.get(f"{school.path}{place}")
        assert code not in again.content.decode()
        assert code[:3] + "</span>" not in again.content.decode()


def test_the_page_with_the_code_is_kept_nowhere(school: School) -> None:
    answer = school.client.post(f"{school.path}code", {"hours": "2"})
    assert "no-store" in answer["Cache-Control"]


@pytest.mark.parametrize("hours", ["", "0", "5", "two", "-1", "1.5", "²", "\x00", "9" * 400])
def test_hours_that_cannot_be_are_named(school: School, hours: str) -> None:
    answer = school.client.post(f"{school.path}code", {"hours": hours})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert summary_links(page) == ["hours"]
    assert ClassCode.objects.count() == 0


def test_two_hours_are_offered_first(school: School) -> None:
    assert boxes(school.client.get(f"{school.path}code").content.decode())["hours"] == "2"


def test_a_teacher_who_lost_the_code_is_told_how_to_get_a_new_one_and_what_becomes_of_the_old(school: School) -> None:
    client = school.client
    assert "Is the code lost?" not in client.get(school.path).content.decode()
    old = school.code()
    page = client.get(school.path).content.decode()
    for words in ("Is the code lost?", "Make a new code", "The old code then ends at once.", "loses nothing"):
        assert words in page
    new = code_on(client.post(f"{school.path}code", {"step": "make", "hours": "2"}).content.decode())
    assert pass_of_code(old, now=timezone.now()) is None
    assert pass_of_code(new, now=timezone.now()) is not None


def test_a_code_is_ended_by_a_press(school: School) -> None:
    code, client = school.code(), school.client
    assert "A code is live until" in client.get(school.path).content.decode()
    assert client.post(f"{school.path}code", {"step": "end"})["Location"] == school.path
    assert pass_of_code(code, now=timezone.now()) is None
    assert "No code is live" in client.get(school.path).content.decode()


def test_a_class_is_closed_and_stays_to_be_read(school: School) -> None:
    client = school.client
    assert client.post(school.path)["Location"] == PATH
    assert client.post(school.path).status_code == 302
    page = client.get(school.path).content.decode()
    assert "This class is closed." in page
    assert "Make a code" not in page
    answer = client.post(f"{school.path}code", {"hours": "2"})
    assert answer.status_code == 422
    assert "closed" in answer.content.decode()


def test_the_counts_that_wait_are_listed(school: School) -> None:
    ticket = pass_of_code(school.code(), now=timezone.now())
    assert ticket is not None
    save_class_draft(ticket=ticket, trap=school.traps[1].public_id, answers={"n_woodlice": "3"})
    assert "1 count waits for you." in school.client.get(PATH).content.decode()
    assert "Site 1, trap 2, saved" in school.client.get(school.path).content.decode()


def test_the_list_of_classes_costs_the_same_however_long_it_is(
    school: School, django_assert_max_num_queries: object
) -> None:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    client, costs = school.client, []
    for more in (0, 8):
        for _ in range(more):
            new_class(school.household)
        with CaptureQueriesContext(
            connection,
        ) as seen:
            assert client.get(PATH).status_code == 200
        costs.append(len(seen))
    assert costs[0] == costs[1] <= 8


def test_an_unknown_class_is_not_there(school: School) -> None:
    assert school.client.get(f"{PATH}{uuid.uuid4()}/").status_code == 404
