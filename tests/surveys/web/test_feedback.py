"""The sheet for the wall, and one's own places side by side."""

from __future__ import annotations

import re
from datetime import date, timedelta

import pytest
from django.test import Client

from surveys.methods.feedback import Caution, OwnCatch
from surveys.methods.feedback_words import CAUTIONS as OF_THE_METHODS
from surveys.models import Return, Site, Trap
from surveys.queries.feedback import nearest_nights
from surveys.web.side_by_side import CAUTIONS, places_shown
from surveys.web.wall import MOST_COLUMNS
from tests.factories import (
    NOBODYS,
    make_household,
    make_season,
    make_site,
    make_trap,
    send_return,
)
from tests.reading import grade_of, sentences_of

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def site() -> Site:
    make_season()
    return make_site(household=make_household())


@pytest.fixture
def client(site: Site) -> Client:
    client = Client()
    client.force_login(site.household.keeper)
    return client


def caught(**counts: object) -> list[dict[str, object]]:
    """Return a catch as it is sent: a number, 0 for none, a class by its code, or another answer."""
    found: list[dict[str, object]] = []
    for group, given in counts.items():
        if isinstance(given, int):
            kind = {"answer": "number", "count": given} if given else {"answer": "none_seen"}
        else:
            kind = {"answer": "class", "class": given} if str(given).startswith("c") else {"answer": str(given)}
        found.append({"group": group, **kind})
    return found


def send(trap: Trap, day: int = 2, **changes: object) -> Return:
    moments = {"set_at": f"2026-05-{day:02}T17:00:00+00:00", "emptied_at": f"2026-05-{day + 1:02}T17:00:00+00:00"}
    return send_return(trap, screened=True, **{**moments, **changes})


def main_of(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page.split("<main")[1].split("</main>", maxsplit=1)[0]).split())


def rows_of(page: str) -> list[list[str]]:
    """Return the cells of each row of the first table's body."""
    body = page.split("<tbody>")[1].split("</tbody>", maxsplit=1)[0]
    return [
        [" ".join(re.sub(r"<[^>]+>", " ", cell).split()) for cell in re.findall(r"<t[hd].*?</t[hd]>", row, re.DOTALL)]
        for row in re.findall(r"<tr>.*?</tr>", body, re.DOTALL)
    ]


# --- the sheet for the wall --------------------------------------------------------------------


def test_the_traps_of_one_night_stand_side_by_side_the_most_caught_first(client: Client, site: Site) -> None:
    lawn, hedge = make_trap(site=site), make_trap(site=site, habitat="hedge_base")
    report = send(lawn, catch=caught(woodlice=3, spiders=1, springtails=0))
    send(hedge, catch=caught(woodlice=4, spiders="did_not_look", springtails="c16to31"))
    send(lawn, day=9, catch=caught(centipedes=5))  # another night
    send(make_trap(site=make_site()), catch=caught(centipedes=5))  # another household
    page = client.get(f"/my/returns/{report.uuid}/wall/").content.decode()
    assert rows_of(page) == [
        ["Springtails", "none", "16 to 31"], ["Woodlice", "3", "4"], ["Spiders", "1", "?"],
    ]  # fmt: skip
    assert "3 kinds of animals walked into our cups." in page
    assert "Then we let them all go." in page
    assert "Short lawn" in page
    assert "Foot" not in page
    assert "Look for this: " in page


def test_the_sheet_names_no_place_and_the_household_only_when_asked(client: Client, site: Site) -> None:
    report = send(make_trap(site=site))
    plain, named = (
        main_of(client.get(f"/my/returns/{report.uuid}/wall/{query}").content.decode()) for query in ("", "?name=yes")
    )
    assert site.household.alias not in plain
    assert site.household.alias in named
    for page in (plain, named):
        assert site.region.name not in page
        assert site.cell_code not in page
        assert "Site" not in page


def test_many_traps_are_added_up_by_habitat(client: Client, site: Site) -> None:
    traps = [make_trap(site=site, habitat=("short_lawn", "hedge_base")[n % 2]) for n in range(MOST_COLUMNS + 2)]
    reports = [
        send(trap, catch=caught(woodlice=n + 1, spiders="c128up" if n == 1 else 2)) for n, trap in enumerate(traps)
    ]
    page = client.get(f"/my/returns/{reports[0].uuid}/wall/").content.decode()
    # By hand: lawn 1 + 3 + 5 + 7, hedge 2 + 4 + 6 + 8; spiders 4 x 2, and 128 or more with 3 x 2.
    assert rows_of(page) == [["Spiders", "8", "134 or more"], ["Woodlice", "16", "20"]]
    assert "4 traps" in page


def test_a_return_that_was_taken_back_is_not_on_the_wall(client: Client, site: Site) -> None:
    first, second = (send(make_trap(site=site), catch=caught(woodlice=n)) for n in (3, 4))
    client.post(f"/my/returns/{second.uuid}/withdraw")
    assert rows_of(client.get(f"/my/returns/{first.uuid}/wall/").content.decode()) == [["Woodlice", "3"]]
    client.post(f"/my/returns/{first.uuid}/withdraw")
    assert client.get(f"/my/returns/{first.uuid}/wall/").status_code == 404, "a cup that nobody counted is not empty"


def test_an_empty_cup_makes_a_sheet_too(client: Client, site: Site) -> None:
    report = send(make_trap(site=site), catch=caught(woodlice=0))
    assert "Nobody walked in this time." in client.get(f"/my/returns/{report.uuid}/wall/").content.decode()


def test_nobody_is_said_to_have_been_let_go_or_to_be_missing_where_that_is_not_known(
    client: Client, site: Site
) -> None:
    kept = send(make_trap(site=site), release="not_released", catch=caught(woodlice=1))
    assert "we let them all go" not in client.get(f"/my/returns/{kept.uuid}/wall/").content.decode()
    unseen = send(make_trap(site=site), day=9, catch=caught(woodlice="did_not_look"))
    page = client.get(f"/my/returns/{unseen.uuid}/wall/").content.decode()
    assert "We did not count this time." in page
    assert "Nobody walked in" not in page


def test_the_sheet_costs_the_same_for_a_class(client: Client, site: Site, django_assert_max_num_queries) -> None:
    reports = [send(make_trap(site=site)) for _ in range(8)]
    client.get(f"/my/returns/{reports[0].uuid}/wall/")  # the season's lists are read once a minute
    # Eight for the return, four for its night, three for session, account and roles.
    with django_assert_max_num_queries(15):
        client.get(f"/my/returns/{reports[0].uuid}/wall/")


# --- own places side by side -------------------------------------------------------------------


def test_each_place_is_animals_over_trap_nights(client: Client, site: Site) -> None:
    lawn, hedge = make_trap(site=site), make_trap(site=site, habitat="hedge_base")
    for day, (few, many) in {2: (1, 6), 9: (2, 8), 16: (0, 10)}.items():
        send(lawn, day, catch=caught(woodlice=few, spiders=4))
        send(hedge, day, catch=caught(woodlice=many))
    page = client.get("/my/places/").content.decode()
    # By hand: 3 over 3 nights, 24 over 3 nights. Woodlice were caught most, so the page begins with them.
    assert rows_of(page) == [["Woodlice", "1.0", "8.0"], ["Spiders", "4.0", "not looked for"]]
    assert "Woodlice. Short lawn: 1.0 a night; Hedge base: 8.0 a night." in page
    assert str(CAUTIONS[Caution.FEW_NIGHTS]) in page
    assert "Spiders. Short lawn: 4.0 a night." in client.get("/my/places/?group=spiders").content.decode()


def test_the_chart_draws_each_night_and_has_its_text(client: Client, site: Site) -> None:
    trap = make_trap(site=site)
    send(trap, 2, catch=caught(woodlice=2))
    send(trap, 9, catch=caught(woodlice="c16to31"))
    page = client.get("/my/places/").content.decode()
    chart = page.split('<svg class="chart"')[1].split("</figure>")[0]
    assert chart.count('class="ring"') == 2
    assert chart.count('class="one-night"') == 2
    assert "Woodlice. Short lawn: 9.0 to 16 a night." in chart  # by hand: 18 over 2 and 33 over 2, two figures each
    assert "style=" not in page


@pytest.mark.parametrize("how", ["queried", "off_protocol", "withdrawn"])
def test_only_nights_that_count_are_set_side_by_side(client: Client, site: Site, how: str) -> None:
    changes = {"queried": {"liquid": "soap"}, "off_protocol": {"mouth_mm": 140}, "withdrawn": {}}[how]
    report = send(make_trap(site=site), **changes)
    if how == "withdrawn":
        client.post(f"/my/returns/{report.uuid}/withdraw")
    assert "There is nothing to set side by side yet." in client.get("/my/places/").content.decode()


def test_nothing_of_others_is_on_the_page(client: Client, site: Site) -> None:
    report = send(make_trap(site=site), catch=caught(woodlice=2))
    before = main_of(client.get("/my/places/").content.decode())
    other = send(make_trap(site=make_site()), catch=caught(woodlice=90))
    assert main_of(client.get("/my/places/").content.decode()) == before
    assert client.get(f"/my/places/?site={other.trap.site.public_id}").status_code == 404
    assert client.get(f"/my/places/?site={report.trap.site.public_id}").status_code == 200


@pytest.mark.parametrize("query", ["site=x", f"site={NOBODYS}", "group=x", "season=x", "site=%00", "group=%00"])
def test_a_choice_that_there_is_not_is_not_found(client: Client, site: Site, query: str) -> None:
    send(make_trap(site=site))
    assert client.get(f"/my/places/?{query}").status_code == 404


def test_without_season_or_site_the_page_says_what_to_do(client: Client, site: Site) -> None:
    assert "There is nothing to set side by side yet." in client.get("/my/places/").content.decode()


def test_strangers_and_the_unknown_are_kept_out(client: Client, site: Site) -> None:
    foreign = send(make_trap(site=make_site()))
    assert client.get(f"/my/returns/{foreign.uuid}/wall/").status_code == 404
    assert Client().get(f"/my/returns/{foreign.uuid}/wall/").status_code == 302
    assert Client().get("/my/places/").status_code == 302


def test_the_cost_does_not_grow_with_the_nights(client: Client, site: Site, django_assert_max_num_queries) -> None:
    trap = make_trap(site=site)
    for day in (2, 9, 16, 23):
        send(trap, day)
    client.get("/my/places/")
    # Two for the sites, one for the season, four for the nights, three for session, account and roles.
    with django_assert_max_num_queries(10):
        client.get("/my/places/")


def test_the_pages_read_at_grade_five_or_below(client: Client, site: Site) -> None:
    report = send(make_trap(site=site))
    for address in ("/my/places/", f"/my/returns/{report.uuid}/wall/"):
        assert grade_of(sentences_of(client.get(address).content.decode())).grade <= 5.0, address


# --- pure --------------------------------------------------------------------------------------


def test_each_caution_is_that_of_the_methods() -> None:
    assert {key: str(words) for key, words in CAUTIONS.items()} == OF_THE_METHODS


def test_an_open_class_is_drawn_to_the_end_of_the_scale() -> None:
    catches = [OwnCatch(1, 7, False, 1.0, 128, -1, night=1), OwnCatch(1, 8, False, 1.0, 4, 4, night=1)]
    shown = places_shown(catches, {7: "Hedge", 8: "Lawn"})
    assert shown["places"][0].right == 96.0
    assert shown["places"][0].words == "128 or more a night"
    assert shown["ticks"][-1][0] == "150"


def test_nothing_caught_at_all_is_drawn_at_zero() -> None:
    shown = places_shown([OwnCatch(1, 7, False, 1.0, 0, 0, night=1)], {7: "Hedge"})
    assert (shown["places"][0].left, shown["places"][0].right) == (4.0, 4.0)


def test_of_a_big_season_the_nearest_nights_are_read() -> None:
    first, last, own = date(2026, 4, 1), date(2026, 4, 30), date(2026, 4, 5)
    counts = {first + timedelta(days=n): 10 for n in range(30)}
    assert nearest_nights(own, first, last, counts, 300) == (first, last)  # all of them are no more than enough
    assert nearest_nights(own, first, last, counts, 25) == (date(2026, 4, 4), date(2026, 4, 6))
    assert nearest_nights(own, first, last, counts, 100) == (first, date(2026, 4, 10))
