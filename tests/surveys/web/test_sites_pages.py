"""One's own sites, one site, one trap: what is shown, what is changed, and to whom it is not there."""

from __future__ import annotations

import re
import uuid
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from surveys.models import Household, Opening, Trap
from surveys.services.sites import add_site
from tests.factories import (
    ApiClient,
    make_account,
    make_coordinator,
    make_household,
    make_season,
    make_site,
    make_trap,
    return_payload,
)
from tests.reading import grade_of, sentences_of
from tests.surveys.web.asking_pages import open_trap
from tests.surveys.web.sending import boxes, summary_links, title_of

pytestmark = pytest.mark.django_db


def signed_in(account: Any) -> Client:
    client = Client()
    client.force_login(account)
    return client


@pytest.fixture
def household() -> Household:
    make_season()
    return make_household()


@pytest.fixture
def client(household: Household) -> Client:
    return signed_in(household.keeper)


@pytest.fixture
def trap(household: Household) -> Trap:
    return make_trap(site=make_site(household=household))


def paths(trap: Trap) -> list[str]:
    return [
        f"/my/sites/{trap.site.public_id}/",
        f"/my/traps/{trap.public_id}/",
        f"/my/traps/{trap.public_id}/sheet",
        f"/my/sites/{trap.site.public_id}/sheets",
    ]


def test_the_owner_sees_each_page_and_to_all_others_it_is_not_there(client: Client, trap: Trap) -> None:
    others = [make_household().keeper, make_coordinator("eastmark"), make_coordinator("westmark")]
    for path in paths(trap):
        assert client.get(path).status_code == 200, path
        assert Client().get(path)["Location"].startswith("/sign-in"), path
        assert [signed_in(other).get(path).status_code for other in others] == [404, 404, 404], path


def test_what_a_stranger_sends_changes_nothing(trap: Trap) -> None:
    stranger = signed_in(make_household().keeper)
    site = f"/my/sites/{trap.site.public_id}"
    assert stranger.post(f"{site}/traps", {"habitat": "short_lawn"}).status_code == 404
    assert stranger.post(f"{site}/").status_code == 404
    assert stranger.post(f"/my/traps/{trap.public_id}/", {"plan_square": "A1"}).status_code == 404
    assert Client().post(f"{site}/traps", {"habitat": "short_lawn"}).status_code == 302
    assert Trap.objects.get().plan_square == ""


def test_the_list_shows_every_site_with_its_traps_and_the_square_that_others_see(client: Client, trap: Trap) -> None:
    page = client.get("/my/sites/").content.decode()
    assert trap.site.cell_code in page
    assert f"/my/sites/{trap.site.public_id}/" in page
    assert "Trap 1: Short lawn" in page
    assert f"{trap.site.point.latitude:.3f}" not in page


def test_the_list_asks_no_more_questions_for_more_sites(
    client: Client, trap: Trap, django_assert_max_num_queries: Any
) -> None:
    client.get("/my/sites/")
    with django_assert_max_num_queries(9):
        client.get("/my/sites/")
    for _ in range(5):
        open_trap(make_trap(site=make_site(household=trap.site.household)))
    with django_assert_max_num_queries(9):
        client.get("/my/sites/")


def test_an_open_trap_stands_on_top_of_the_list_and_is_emptied_first(client: Client, trap: Trap) -> None:
    assert "Animals may sit in these cups now" not in client.get("/my/sites/").content.decode()
    other = make_trap(site=trap.site)
    opening = open_trap(trap)
    page = client.get("/my/sites/").content.decode()
    assert page.index("Animals may sit in these cups now") < page.index('class="trap-list"')
    # The time zone of the test season is UTC all year.
    since = f"{opening.set_at.day} {opening.set_at:%B, %H:%M}"
    assert f"Trap {trap.number} of site {trap.site.number}: open since {since}." in page
    assert f'href="/my/traps/empty/?opening={opening.uuid}"' in page
    assert page.index('href="/my/traps/empty/"') < page.index('href="/my/traps/set/"')
    assert f"Trap {other.number} of site" not in page


def test_a_site_page_asks_no_more_questions_for_more_traps(
    client: Client, trap: Trap, django_assert_max_num_queries: Any
) -> None:
    path = f"/my/sites/{trap.site.public_id}/"
    client.get(path)
    with django_assert_max_num_queries(9):
        client.get(path)
    for _ in range(8):
        make_trap(site=trap.site)
    with django_assert_max_num_queries(9):
        client.get(path)


def test_somebody_without_a_household_is_told_so() -> None:
    make_season()
    page = signed_in(make_account()).get("/my/sites/").content.decode()
    assert "no household or school yet" in page
    assert "/my/sites/new/" not in page


def test_a_trap_gets_the_next_number_and_its_square_of_the_plan(client: Client, household: Household) -> None:
    place = make_site(household=household)
    path = f"/my/sites/{place.public_id}/"
    for habitat, square in (("short_lawn", "B2"), ("hedge_base", "")):
        assert client.post(f"{path}traps", {"habitat": habitat, "plan_square": square})["Location"] == path
    page = client.get(path).content.decode()
    assert [*Trap.objects.order_by("number").values_list("number", "habitat__code", "plan_square")] == [
        (1, "short_lawn", "B2"),
        (2, "hedge_base", ""),
    ]
    assert "Trap 2 is there. You can add the next one, or dig it in." in page
    assert "What comes next? Dig the cup in" in page
    assert "On square B2 of the plan." in page
    assert "Not on the plan yet." in page


def test_twelve_traps_are_added_by_one_press(client: Client, household: Household) -> None:
    path = f"/my/sites/{make_site(household=household).public_id}/"
    form = boxes(client.get(path).content.decode())
    assert form["number"] == "1"
    sent = form | {"habitat": "hedge_base", "number": "12"}
    for _ in range(2):  # a double press
        page = client.post(f"{path}traps", sent, follow=True).content.decode()
    assert "Traps 1 to 12 are there." in page
    assert "Trap 12: Hedge base" in page
    assert Trap.objects.count() == 12


def test_a_form_that_is_sent_twice_adds_one_trap(client: Client, household: Household) -> None:
    path = f"/my/sites/{make_site(household=household).public_id}/"
    sent = boxes(client.get(path).content.decode()) | {"habitat": "short_lawn"}
    for _ in range(2):
        assert client.post(f"{path}traps", sent).status_code == 302
    assert Trap.objects.count() == 1


WRONG = {
    "no habitat": ({"habitat": ""}, "habitat"),
    "unknown habitat": ({"habitat": "moonscape"}, "habitat"),
    "a habitat no page can show": ({"habitat": "\x00"}, "habitat"),
    "mark-up for a habitat": ({"habitat": "<b>"}, "habitat"),
    "a square off the plan": ({"plan_square": "Z9"}, "plan_square"),
    "a square no page can show": ({"plan_square": "\x00"}, "plan_square"),
    "one square for two traps": ({"number": "2"}, "plan_square"),
    "no trap at all": ({"number": "0"}, "number"),
    "too many traps": ({"number": "13"}, "number"),
    "a number in words": ({"number": "two"}, "number"),
    "a number no page can show": ({"number": "\x00"}, "number"),
    "a number without an end": ({"number": "9" * 5000}, "number"),
}


@pytest.mark.parametrize(("change", "target"), WRONG.values(), ids=WRONG.keys())
def test_each_wrong_answer_is_named_and_what_was_chosen_is_kept(
    client: Client, household: Household, change: dict[str, str], target: str
) -> None:
    sent = {"habitat": "hedge_base", "plan_square": "C4", **change}
    answer = client.post(f"/my/sites/{make_site(household=household).public_id}/traps", sent)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert summary_links(page) == [target]
    kept = {"habitat": "hedge_base", "plan_square": "C4"}
    kept.pop(target, None)
    assert kept.items() <= boxes(page).items()
    assert "<b></option" not in page
    assert Trap.objects.count() == 0


def test_a_trap_is_put_on_the_plan_and_taken_off(client: Client, trap: Trap) -> None:
    path = f"/my/traps/{trap.public_id}/"
    assert "Trap 1 stands on square H8." in client.post(path, {"plan_square": "H8"}, follow=True).content.decode()
    assert boxes(client.get(path).content.decode())["plan_square"] == "H8"
    assert "Trap 1 is off the plan." in client.post(path, {"plan_square": ""}, follow=True).content.decode()


@pytest.mark.parametrize("square", ["I1", "<b>", "A" * 500, "\x00"])
def test_a_square_off_the_plan_is_refused(client: Client, trap: Trap, square: str) -> None:
    answer = client.post(f"/my/traps/{trap.public_id}/", {"plan_square": square})
    page = answer.content.decode()
    assert (answer.status_code, summary_links(page)) == (422, ["plan_square"])
    assert 'id="plan_square"' in page


def test_the_plan_draws_each_trap_on_its_square(client: Client, trap: Trap) -> None:
    Trap.objects.filter(pk=trap.pk).update(plan_square="B2")
    page = client.get(f"/my/sites/{trap.site.public_id}/").content.decode()
    # Border 26 and squares of 40: the middle of B2 is 26 + 40 + 20 each way.
    assert re.search(r'<text class="plan-number"\s+x="86"\s+y="86"[^>]*>1</text>', page)


def test_an_open_trap_says_since_when_and_what_to_do_next(client: Client, trap: Trap) -> None:
    path = f"/my/traps/{trap.public_id}/"
    assert f"/my/traps/set/?trap={trap.public_id}" in client.get(path).content.decode()
    since = timezone.now() - timedelta(hours=3)
    opening = Opening.objects.create(
        uuid=uuid.uuid4(), trap=trap, by=trap.site.household.keeper, fingerprint="-", set_at=since, looked_dusk_at=since
    )
    page = client.get(path).content.decode()
    for words in ("This trap has been open since", "You looked at dusk", "No look in the morning yet", trap.code):
        assert words in page
    assert f"/my/traps/empty/?opening={opening.uuid}" in page
    assert f"/my/traps/open/{opening.uuid}/calendar.ics" in page
    assert "Open since" in client.get(f"/my/sites/{trap.site.public_id}/").content.decode()


def test_a_site_leads_on_to_setting_its_traps_but_for_those_that_are_open(client: Client, trap: Trap) -> None:
    path, one = f"/my/sites/{trap.site.public_id}/", f'"/my/traps/set/?trap={trap.public_id}"'
    page = client.get(path).content.decode()
    assert page.count(one) == 1  # the button, as there is no other trap
    other = make_trap(site=trap.site)
    page = client.get(path).content.decode()
    assert page.count(one) == 1
    assert f'"/my/traps/set/?trap={other.public_id}"' in page
    assert '"/my/traps/set/"' in page
    for each in (trap, other):
        Opening.objects.create(
            uuid=uuid.uuid4(), trap=each, by=trap.site.household.keeper, fingerprint="-", set_at=timezone.now()
        )
    assert "/my/traps/set/" not in client.get(path).content.decode()


def test_a_trap_page_links_the_latest_returns(client: Client, trap: Trap) -> None:
    payload = return_payload(trap)
    assert ApiClient(trap.site.household.keeper).send("returns", payload).status_code == 201
    page = client.get(f"/my/traps/{trap.public_id}/").content.decode()
    assert f"/my/returns/{payload['id']}/" in page
    assert "Emptied on 3 May 2026" in page


def test_the_advice_speaks_of_distance_ponds_shrews_and_the_law(client: Client, trap: Trap) -> None:
    page = client.get(f"/my/sites/{trap.site.public_id}/").content.decode()
    for words in ("2 metres apart", "pond", "hedgehog", "shrew", "Local law, codes, school rules"):
        assert words in page


def test_a_finer_point_is_forgotten_by_its_button(client: Client, household: Household) -> None:
    fine = add_site(by=household.keeper, household=household, latitude=51.5012, longitude=-17.5433, fine=True)
    path = f"/my/sites/{fine.public_id}/"
    assert "Forget the finer point" in client.get(path).content.decode()
    page = client.post(path, follow=True).content.decode()
    assert "Forget the finer point" not in page
    fine.point.refresh_from_db()
    assert fine.point.kept_to_m == 1000


def test_no_page_shows_the_point(client: Client, household: Household) -> None:
    fine = add_site(by=household.keeper, household=household, latitude=51.5012, longitude=-17.5433, fine=True)
    for path in paths(make_trap(site=fine)):
        page = client.get(path).content.decode()
        assert "51.501" not in page
        assert "17.543" not in page


@pytest.mark.parametrize("method", ["put", "delete", "patch"])
def test_other_methods_are_not_allowed(client: Client, trap: Trap, method: str) -> None:
    for path in (*paths(trap), "/my/sites/", "/my/sites/new/"):
        assert getattr(client, method)(path).status_code == 405


def test_family_pages_read_at_school_grade_five(client: Client, trap: Trap) -> None:
    more = ["/my/sites/", "/my/sites/new/", "/my/sites/new/?region=eastmark", "/t/"]
    more += ["/my/sites/new/?region=eastmark&cell=n51.50w17.60"]
    grades = {path: grade_of(sentences_of(client.get(path).content.decode())).grade for path in [*paths(trap), *more]}
    sent = {"step": "place", "latitude": "51.5012", "longitude": "-17.5433"}
    grades["check"] = grade_of(sentences_of(client.post("/my/sites/new/", sent).content.decode())).grade
    grades["which"] = grade_of(
        sentences_of(client.post("/my/sites/new/", sent | {"longitude": "17.5433"}).content.decode())
    ).grade
    assert {path: grade for path, grade in grades.items() if grade > 5} == {}
