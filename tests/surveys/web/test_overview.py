"""The desk's overview: one's own regions and nothing of anybody else's, with its numbers counted by hand."""

from __future__ import annotations

from datetime import date

import pytest
from django.test import Client

from surveys.models import Region, Season
from surveys.vocabulary import Decision
from tests.factories import client_of, make_coordinator, make_household, make_season, make_site, square
from tests.surveys.web.desk_worlds import bytes_of_page, decide, left_open, night_of, sent, words_of_page

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def season() -> Season:
    return make_season()


@pytest.fixture
def client(season: Season) -> Client:
    return client_of(make_coordinator("eastmark"))


def test_without_a_season_of_hers_the_page_says_so() -> None:
    make_season()
    Region.objects.create(code="northmark", name="Northmark", boundary=square(-18, 53), position=9)
    assert "There is no season in your regions yet." in words_of_page(
        client_of(make_coordinator("northmark")), "/desk/"
    )


def test_before_the_first_night_nothing_is_counted_but_what_has_come_in(client: Client) -> None:
    sent("eastmark", sites=2)
    page = words_of_page(client, "/desk/")
    assert "No night has run yet, so nothing is counted. 2 returns have come in." in page
    assert "This is counted each night." in page


def test_the_numbers_of_a_night_are_those_of_her_regions_alone(client: Client, season: Season) -> None:
    sent("eastmark", sites=3, nights=2)
    sent("eastmark")
    sent("westmark", sites=4)
    night_of(season, date(2026, 5, 9))
    sent("eastmark")
    page = words_of_page(client, "/desk/")
    assert "Counted in the night of 9 May 2026. 1 return has come in since." in page
    # By hand: three sites on 2 and on 4 May 2026, and one more site on 2 May. 2 May is a Saturday, 4 May a Monday.
    assert "7 returns so far. The fullest week began on 27 April 2026, with 4." in page
    assert "27 April 2026 4 4 May 2026 3" in page
    # Five sites joined in Eastmark (the last one after the night); four of them are in figures.
    assert "5 sites have joined. Grid cells with sites: 1." in page
    assert "Eastmark 5 4" in page
    assert "Westmark" not in page
    # The gate is 10 sites and 20 site-nights (METHODS.md, section 5.8): 4 and 7 are there.
    assert "4 sites so far, 6 more are needed. 13 site-nights are missing." in page


def test_shares_to_protocol_are_those_of_the_returns(client: Client, season: Season) -> None:
    sent("eastmark", sites=3)
    sent("eastmark", liquid="soap")
    night_of(season, date(2026, 5, 9))
    page = words_of_page(client, "/desk/")
    assert "To protocol 3 75 %" in page
    assert "Off protocol 1 25 %" in page
    assert "Nothing liquid in the cup 1 25 %" in page


def test_what_waits_leads_to_where_it_is_dealt_with(client: Client) -> None:
    sent("eastmark", liquid="soap")
    left_open("eastmark", hours=30)
    page = client.get("/desk/").content.decode()
    text = words_of_page(client, "/desk/")
    assert "1 return is about danger." in text
    assert "1 trap is open too long." in text
    assert "1 return waits for you." in text
    for address in ("/desk/cases/", "/overdue/", "/queue/", "/desk/nights/"):
        assert f'href="{address}"' in page


def test_another_season_is_chosen_by_its_code_and_an_unknown_one_is_not_there(client: Client) -> None:
    make_season(year=2025)
    page = client.get("/desk/").content.decode()
    assert 'href="?season=test-2025"' in page
    assert 'href="?season=test-2026" aria-current="true"' in page
    assert "Test count 2025." in words_of_page(client, "/desk/?season=test-2025")
    assert client.get("/desk/?season=nothing").status_code == 404


def test_nothing_that_happens_in_another_region_changes_a_byte(client: Client, season: Season) -> None:
    sent("eastmark", sites=2)
    night_of(season, date(2026, 5, 9))
    addresses = ("/desk/", "/desk/nights/", "/desk/cases/")
    before = [bytes_of_page(client, address) for address in addresses]
    theirs = make_coordinator("westmark")
    waiting = sent("westmark", sites=2, liquid="soap")
    sent("westmark", sites=3, closing="left_open")
    decide(theirs, waiting[0], Decision.DISCOUNTED)
    left_open("westmark", hours=80)
    make_site(household=make_household(), region="westmark")
    assert [bytes_of_page(client, address) for address in addresses] == before
    # The other coordinator does see it: the comparison can fail.
    assert "1 return is about danger." in words_of_page(client_of(theirs), "/desk/")


def test_the_cost_does_not_grow_with_the_season(client: Client, season: Season, django_assert_max_num_queries) -> None:
    sent("eastmark", sites=4, nights=2)
    night_of(season, date(2026, 5, 9))
    client.get("/desk/")
    with django_assert_max_num_queries(40):
        client.get("/desk/")
