"""A new site: on the map of squares without any script, or typed; what is asked, what is kept."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

import pytest
from django.test import Client

from surveys.models import Household, Region, Site
from tests.factories import NOBODYS, make_account, make_household, make_season
from tests.frozen import thawed
from tests.surveys.web.sending import boxes, summary_links, title_of

pytestmark = pytest.mark.django_db
PATH = "/my/sites/new/"
CELL = "n51.50w17.60"


@pytest.fixture
def household() -> Household:
    make_season()
    return make_household()


@pytest.fixture
def client(household: Household) -> Client:
    client = Client()
    client.force_login(household.keeper)
    return client


def text_of(answer: Any) -> str:
    return str(answer.content.decode())


def place(latitude: str, longitude: str, **more: str) -> dict[str, str]:
    return {"step": "place", "latitude": latitude, "longitude": longitude, **more}


def on_the_map(square: str = "D10", **more: str) -> dict[str, str]:
    return {"step": "place", "region": "eastmark", "cell": CELL, "square": square, **more}


def add(client: Client, sent: dict[str, str], **more: str) -> Any:
    """Send a place, then the form of the page that comes back."""
    page = text_of(client.post(PATH, sent))
    assert "Is this the place?" in page, page
    return client.post(PATH, {name: unescape(value) for name, value in boxes(page).items()} | more)


def test_the_map_leads_from_region_to_square_to_small_square(client: Client) -> None:
    page = text_of(client.get(PATH))
    assert "?region=eastmark" in page
    page = text_of(client.get(f"{PATH}?region=eastmark"))
    assert f"?region=eastmark&amp;cell={CELL}" in page
    page = text_of(client.get(f"{PATH}?region=eastmark&cell={CELL}"))
    assert page.count('name="square"') == 60
    assert 'value="D10"' in page


def test_a_square_of_the_map_becomes_a_site_and_keeps_its_middle(client: Client, household: Household) -> None:
    answer = add(client, on_the_map())
    site = Site.objects.get()
    assert answer["Location"] == f"/my/sites/{site.public_id}/"
    assert (site.household, site.region.code, site.cell_code) == (household, "eastmark", CELL)
    # Fourth of six columns, last of ten rows: by hand.
    assert (site.point.latitude, site.point.longitude) == (51.505, pytest.approx(-17.6 + 3.5 / 60, abs=1e-6))
    assert site.point.kept_to_m == 1000


def test_a_square_alone_offers_no_finer_point_and_takes_none(client: Client) -> None:
    assert 'name="fine"' not in text_of(client.post(PATH, on_the_map()))
    add(client, on_the_map(), fine="yes")
    assert Site.objects.get().point.kept_to_m == 1000


def test_a_marker_inside_the_square_may_be_kept_fine(client: Client) -> None:
    add(client, on_the_map(latitude="51.501249", longitude="-17.543351"), fine="yes")
    point = Site.objects.get().point
    assert (point.latitude, point.longitude, point.kept_to_m) == (51.5012, -17.5434, 11)


def test_a_marker_outside_its_square_counts_for_nothing(client: Client) -> None:
    add(client, on_the_map(latitude="51.9", longitude="-17.1"), fine="yes")
    point = Site.objects.get().point
    assert (point.latitude, point.kept_to_m) == (51.505, 1000)


TYPED = {
    "decimals": ("51.5012", "-17.5433"),
    "commas": ("51,5012", "-17,5433"),
    "letters": ("51.5012 N", "17.5433 W"),
    "degrees, minutes, seconds": ("51° 30' 4.32\" N", "17° 32' 35.88\" W"),
    "a proper minus": ("51.5012", "\N{MINUS SIGN}17.5433"),
    "both in one box": ("51.5012, -17.5433", ""),
}


@pytest.mark.parametrize(("latitude", "longitude"), TYPED.values(), ids=TYPED.keys())
def test_a_place_may_be_typed_in_many_ways(client: Client, latitude: str, longitude: str) -> None:
    add(client, place(latitude, longitude), fine="yes")
    point = Site.objects.get().point
    assert (point.latitude, point.longitude) == (51.5012, -17.5433)


def test_a_typed_place_is_kept_as_a_square_unless_the_finer_point_is_wished(client: Client) -> None:
    page = text_of(client.post(PATH, place("51.5012", "-17.5433")))
    assert re.search(r'<input type="checkbox"[^>]*name="fine"[^>]*>', page)
    assert not re.search(r'<input type="checkbox"[^>]*\bchecked', page)
    add(client, place("51.5012", "-17.5433"), fine="")
    assert Site.objects.get().point.kept_to_m == 1000


WRONG = {
    "nothing": (place("", ""), ["latitude", "longitude"]),
    "words": (place("north", "-17.5433"), ["latitude"]),
    "not a number, as computers say it": (place("nan", "-17.5"), ["latitude"]),
    "endless": (place("51.5", "-inf"), ["longitude"]),
    "too many minutes": (place("51° 77' N", "-17.5"), ["latitude"]),
    "nowhere near": (place("10", "10"), ["latitude"]),
    "beyond the pole": (place("91", "-170"), ["latitude"]),
    "hostile": (place("<script>", "\x00"), ["latitude", "longitude"]),
    "no square": (on_the_map(""), ["square"]),
    "a square that is none": (on_the_map("Z99"), ["square"]),
    "a hostile square": (on_the_map("\x00<b>"), ["square"]),
    "a cell of no region": (on_the_map(cell="n00.00e00.00"), []),
    "a region that is none": (on_the_map(region="atlantis"), []),
}


@pytest.mark.parametrize(("sent", "targets"), WRONG.values(), ids=WRONG.keys())
def test_each_wrong_answer_is_named_and_what_was_typed_is_kept(
    client: Client, sent: dict[str, str], targets: list[str]
) -> None:
    answer = client.post(PATH, sent)
    page = text_of(answer)
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert summary_links(page) == targets
    assert "<script>" not in page.split("<main")[1]
    if "latitude" in sent and "square" not in sent:
        assert all(f'id="{target}"' in page for target in targets)
        assert boxes(page)["latitude"] == sent["latitude"].replace("'", "&#x27;").replace("<", "&lt;").replace(
            ">", "&gt;"
        )
    assert Site.objects.count() == 0


DOUBTFUL = {
    "a sign was lost": ("51.5012", "17.5433"),
    "swapped": ("-17.5433", "51.5012"),
    "swapped and a sign lost": ("17.5433", "51.5012"),
    "letters in the other box": ("17.5433 W", "51.5012 N"),
}


@pytest.mark.parametrize(("latitude", "longitude"), DOUBTFUL.values(), ids=DOUBTFUL.keys())
def test_what_is_doubtful_is_asked_and_never_mended_alone(client: Client, latitude: str, longitude: str) -> None:
    for step in ("place", "add"):
        page = text_of(client.post(PATH, place(latitude, longitude) | {"step": step}))
        assert "Which place do you mean?" in page
        assert "51.5012° N, 17.5433° W" in page
    assert Site.objects.count() == 0
    offer = re.search(
        r'name="latitude" value="(51\.501200)">\s*<input type="hidden" name="longitude" value="(-17\.543300)"', page
    )
    assert offer
    add(client, place(*offer.groups()), fine="yes")
    assert Site.objects.get().point.longitude == -17.5433


def test_nothing_is_asked_about_a_place_that_fits_as_it_stands(client: Client) -> None:
    assert "Is this the place?" in text_of(client.post(PATH, place("51.5012", "-17.5433")))


def test_the_page_that_asks_says_what_is_kept_and_who_sees_it(client: Client) -> None:
    page = text_of(client.post(PATH, place("51.5012", "-17.5433")))
    for words in (
        "about 1 km wide",
        "about 10 km wide",
        "added twice",
        "Only you and the coordinator",
        CELL,
        "Eastmark",
    ):
        assert words in page


def test_the_same_form_sent_twice_makes_one_site(client: Client) -> None:
    form = boxes(text_of(client.post(PATH, on_the_map())))
    first, second = (client.post(PATH, form) for _ in range(2))
    assert first["Location"] == second["Location"]
    assert Site.objects.count() == 1


def test_going_back_and_sending_anew_makes_a_second_site(client: Client) -> None:
    for _ in range(2):
        add(client, on_the_map())
    assert list(Site.objects.order_by("number").values_list("number", flat=True)) == [1, 2]


def test_an_id_of_somebody_elses_site_is_refused(client: Client) -> None:
    add(client, on_the_map())
    other = Client()
    other.force_login(make_household().keeper)
    answer = add(other, on_the_map(), id=str(Site.objects.get().public_id))
    assert answer.status_code == 422
    assert Site.objects.count() == 1


@pytest.mark.parametrize("given", ["", "x", "\x00", str(NOBODYS)])
def test_a_household_that_is_none_of_ones_own_gets_no_site(client: Client, household: Household, given: str) -> None:
    make_household(keeper=household.keeper)  # with two of them there is something to choose
    answer = add(client, place("51.5012", "-17.5433"), household=given, fine="yes")
    page = text_of(answer)
    assert (answer.status_code, summary_links(page)) == (422, ["household"])
    assert re.search(r'<input type="checkbox"[^>]*\bchecked', page)
    assert Site.objects.count() == 0


def test_a_household_of_somebody_else_gets_no_site(client: Client) -> None:
    answer = add(client, on_the_map(), household=str(make_household().public_id))
    assert answer.status_code == 422
    assert Site.objects.count() == 0


def test_somebody_without_a_household_is_told_so() -> None:
    make_season()
    client = Client()
    client.force_login(make_account())
    assert "no household or school yet" in text_of(client.get(PATH))
    assert "no household or school yet" in text_of(client.post(PATH, on_the_map()))


def test_one_has_to_sign_in_first() -> None:
    assert Client().get(PATH)["Location"].startswith("/sign-in")
    assert Client().post(PATH, on_the_map())["Location"].startswith("/sign-in")


def test_only_the_page_with_the_button_may_ask_a_phone_where_it_is(client: Client) -> None:
    """C8 of the standards notes."""
    assert "geolocation=(self)" in client.get(PATH)["Permissions-Policy"]
    for path in (f"{PATH}?region=eastmark", f"{PATH}?region=eastmark&cell={CELL}", "/my/sites/", "/"):
        assert "geolocation=()" in client.get(path)["Permissions-Policy"]
    assert "geolocation=()" in client.post(PATH, on_the_map())["Permissions-Policy"]


def test_where_one_stands_is_offered_first_and_only_where_a_script_can_ask(client: Client) -> None:
    page = text_of(client.get(PATH))
    form = page[page.index('class="here"') : page.index("Use where I am")]
    assert " hidden>" in form
    assert page.index("Use where I am") < page.index("Choose it on the map") < page.index("Or type where it is")


def test_no_garden_stands_in_an_address(client: Client) -> None:
    """Addresses go into logs: the finest that an address names is the public cell."""
    links = re.findall(r'(?:href|action)="([^"]*)"', text_of(client.get(f"{PATH}?region=eastmark&cell={CELL}")))
    assert not [link for link in links if "square=" in link or "latitude" in link]
    page = text_of(client.get(f"{PATH}?latitude=51.5&longitude=-17.5"))
    assert "Where is your ground?" in page


@pytest.mark.parametrize("query", ["?region=atlantis", "?region=%00", "?region=eastmark&cell=%3Cb%3E", "?cell=x"])
def test_an_address_that_names_nothing_shows_the_map_before_it(client: Client, query: str) -> None:
    answer = client.get(PATH + query)
    assert answer.status_code == 200
    assert "<b>" not in text_of(answer)


def test_before_there_is_any_region_the_page_says_so(client: Client) -> None:
    with thawed():
        Region.objects.all().delete()
    assert "There is no map yet" in text_of(client.get(PATH))
    assert client.post(PATH, place("51.5", "-17.5")).status_code == 422
