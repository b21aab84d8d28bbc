"""Adding a site and its traps."""

from __future__ import annotations

import pytest
from django.test import Client

from surveys.models import Household, Site, Trap
from tests.factories import make_account, make_household, make_season, make_site, make_trap
from tests.surveys.web.sending import boxes, summary_links, title_of

pytestmark = pytest.mark.django_db(transaction=True)
PATH = "/my/sites/"


@pytest.fixture
def household() -> Household:
    make_season()
    return make_household()


@pytest.fixture
def client(household: Household) -> Client:
    client = Client()
    client.force_login(household.keeper)
    return client


def site(household: Household, /, **changes: str) -> dict[str, str]:
    return {"household": str(household.public_id), "latitude": "51.5012", "longitude": "-17.5433", **changes}


def test_a_typed_point_becomes_a_site_of_the_region_that_holds_it(client: Client, household: Household) -> None:
    answer = client.post(PATH, site(household))
    assert (answer.status_code, answer["Location"]) == (302, PATH)
    found = Site.objects.get()
    assert (found.household, found.region.code, found.number) == (household, "eastmark", 1)
    assert (found.point.latitude, found.point.longitude) == (51.5012, -17.5433)


@pytest.mark.parametrize(
    ("typed", "longitude"), [("-17,5433", -17.5433), (" -17.5433 ", -17.5433), ("\N{MINUS SIGN}18.25", -18.25)]
)
def test_a_point_may_be_typed_in_many_ways(client: Client, household: Household, typed: str, longitude: float) -> None:
    client.post(PATH, site(household, longitude=typed))
    assert Site.objects.get().point.longitude == longitude


WRONG = {
    "no latitude": ({"latitude": ""}, ["latitude"]),
    "latitude in words": ({"latitude": "north"}, ["latitude"]),
    "degrees and minutes": ({"longitude": "17° 32' W"}, ["longitude"]),
    "not a number, as computers say it": ({"latitude": "nan"}, ["latitude"]),
    "endless": ({"longitude": "-inf"}, ["longitude"]),
    "both": ({"latitude": "", "longitude": "1_7"}, ["latitude", "longitude"]),
    "beyond the pole": ({"latitude": "91"}, ["latitude"]),
    "swapped": ({"latitude": "-17.5433", "longitude": "51.5012"}, ["latitude"]),
    "no household": ({"household": ""}, ["household"]),
    "everything": ({"household": "x", "latitude": "", "longitude": ""}, ["latitude", "longitude", "household"]),
}


@pytest.mark.parametrize(("change", "targets"), WRONG.values(), ids=WRONG.keys())
def test_each_wrong_answer_is_named_and_what_was_typed_is_kept(
    client: Client, household: Household, change: dict[str, str], targets: list[str]
) -> None:
    make_household(keeper=household.keeper)  # with two of them there is something to choose
    sent = site(household, **change)
    answer = client.post(PATH, sent)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert summary_links(page) == targets
    assert all(f'id="{target}"' in page for target in targets)
    came = boxes(page)
    assert came["latitude"] == sent["latitude"]
    assert came["longitude"] == sent["longitude"].replace("'", "&#x27;")
    assert Site.objects.count() == 0


def test_a_household_of_somebody_else_gets_no_site(client: Client, household: Household) -> None:
    page = client.post(PATH, site(make_household())).content.decode()
    assert summary_links(page) == ["household"]
    assert Site.objects.count() == 0


def test_a_trap_gets_the_next_number_of_its_site(client: Client, household: Household) -> None:
    place = make_site(household=household)
    for habitat in ("short_lawn", "hedge_base"):
        assert client.post(f"/my/sites/{place.public_id}/traps", {"habitat": habitat})["Location"] == PATH
    assert list(Trap.objects.order_by("number").values_list("number", "habitat__code")) == [
        (1, "short_lawn"),
        (2, "hedge_base"),
    ]
    page = client.get(PATH).content.decode()
    assert "Short lawn" in page
    assert "Trap 2 is there." in page


@pytest.mark.parametrize("habitat", ["", "moonscape", "\x00", "<b>"])
def test_a_habitat_that_is_none_adds_no_trap(client: Client, household: Household, habitat: str) -> None:
    place = make_site(household=household)
    answer = client.post(f"/my/sites/{place.public_id}/traps", {"habitat": habitat})
    assert answer.status_code == 422
    assert title_of(answer.content.decode()).startswith("Error: ")
    assert Trap.objects.count() == 0


def test_a_site_of_somebody_else_is_not_there(client: Client) -> None:
    foreign = make_site()
    assert client.post(f"/my/sites/{foreign.public_id}/traps", {"habitat": "short_lawn"}).status_code == 404
    assert Trap.objects.count() == 0
    assert str(foreign.public_id) not in client.get(PATH).content.decode()


def test_the_page_names_the_square_that_others_see_and_never_the_point(client: Client, household: Household) -> None:
    place = make_site(household=household)
    make_trap(site=place)
    page = client.get(PATH).content.decode()
    assert place.cell_code in page
    assert f"{place.point.latitude:.4f}" not in page


def test_somebody_without_a_household_is_told_so() -> None:
    make_season()
    client = Client()
    client.force_login(make_account())
    answer = client.get(PATH)
    assert answer.status_code == 200
    assert "no household or school yet" in answer.content.decode()
