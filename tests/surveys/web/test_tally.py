"""The tally: blank, zero and "did not look" are three things; a press without a script is a press."""

from __future__ import annotations

import re

import pytest
from django.http import QueryDict
from django.test import Client
from django.utils import timezone

from surveys.models import Draft, Group, Trap
from surveys.vocabulary import DraftKind
from surveys.web.tally import changed_rows, make_tally, none_of_the_rest, rest_words, step_row, take_rest_back
from tests.factories import make_season, make_trap
from tests.surveys.web.asking_pages import begin, client_of, moment, open_trap, words
from tests.surveys.web.sending import summary_links, title_of

CODES = ("woodlice", "spiders", "mites")


def groups(*extra: str) -> list[Group]:
    """Return three groups that no table holds; those in ``extra`` are extra ones."""
    return [
        Group(code=code, name=code.title(), how_to_tell="Look.", tier="extra" if code in extra else "core")
        for code in CODES
    ]


def posted(**given: str) -> QueryDict:
    form = QueryDict(mutable=True)
    form.update(given)
    return form


@pytest.mark.parametrize(
    ("before", "by", "after"),
    [
        ("", 1, "1"), ("1", 1, "2"), ("19", 1, "20"), ("99999", 1, "100000"), ("100000", 1, "100000"),
        ("2", -1, "1"), ("1", -1, ""), ("0", 1, "1"), ("0", -1, ""), (" 7 ", 1, "8"),
    ],
)  # fmt: skip
def test_plus_and_minus_count_and_never_make_a_zero(before: str, by: int, after: str) -> None:
    assert step_row("spiders", by, {"n_spiders": before})["n_spiders"] == after


def test_minus_on_a_blank_and_a_press_on_words_change_nothing() -> None:
    assert step_row("spiders", -1, {}) == {}
    assert step_row("spiders", 1, {"n_spiders": "lots"}) == {}


def test_a_press_takes_the_place_of_a_range_or_another_answer() -> None:
    made = step_row("spiders", 1, {"a_spiders": "none_seen", "c_spiders": "c16to31"})
    assert made == {"n_spiders": "1", "c_spiders": "", "a_spiders": ""}


def test_none_of_the_rest_touches_blank_rows_only_and_can_be_taken_back() -> None:
    answers = {"n_woodlice": "3", "a_mites": "did_not_look"}
    made = none_of_the_rest(groups(), answers)
    assert made == {"a_spiders": "none_seen", "rest": "spiders"}
    assert take_rest_back({**answers, **made}) == {"a_spiders": "", "rest": ""}


def test_what_was_changed_after_none_of_the_rest_is_not_taken_back() -> None:
    answers = {**none_of_the_rest(groups(), {}), "a_mites": "", "n_mites": "2"}
    assert take_rest_back(answers) == {"a_woodlice": "", "a_spiders": "", "rest": ""}


def test_the_button_says_how_many_rows_it_sets() -> None:
    assert rest_words(1) == "None of the rest: set 1 row to Saw none"
    assert rest_words(28) == "None of the rest: set 28 rows to Saw none"


def test_an_old_tab_writes_only_what_it_changed() -> None:
    old = posted(w_woodlice="||", n_woodlice="", c_woodlice="", a_woodlice="", w_spiders="2||", n_spiders="3")
    assert changed_rows(groups(), old, {"n_woodlice": "5", "n_spiders": "2"}) == {
        "n_spiders": "3",
        "c_spiders": "",
        "a_spiders": "",
    }


def test_a_form_that_does_not_say_what_it_showed_means_every_row_it_names() -> None:
    assert changed_rows(groups(), posted(n_woodlice="4"), {"n_woodlice": "5"}) == {
        "n_woodlice": "4",
        "c_woodlice": "",
        "a_woodlice": "",
    }


def test_left_blank_is_chosen_only_where_there_is_no_answer() -> None:
    rows = make_tally(groups(), {"n_woodlice": "4", "a_spiders": "none_seen"}, {}).core
    assert [[value for value, _, chosen in row.others if chosen] for row in rows] == [[], ["none_seen"], [""]]


def test_core_groups_come_first_and_the_extra_ones_open_when_they_hold_something() -> None:
    tally = make_tally(groups("woodlice", "mites"), {}, {})
    assert [row.code for row in tally.core] == ["spiders"]
    assert [row.code for row in tally.extra] == ["woodlice", "mites"]
    assert not tally.extra_open
    assert make_tally(groups("mites"), {"a_mites": "none_seen"}, {}).extra_open
    assert make_tally(groups("mites"), {}, {"n_mites": "Mites: …"}).extra_open
    assert make_tally(groups("mites"), {}, {}, more=True).extra_open
    assert [row.code for row in make_tally(groups(*CODES), {}, {}).core] == list(CODES)  # only extra ones: no fold


def test_answered_rows_are_counted_and_animals_are_not() -> None:
    tally = make_tally(groups(), {"n_woodlice": "500", "a_spiders": "could_not_tell"}, {})
    assert (tally.answered, tally.total, tally.rest) == (2, 3, 1)


@pytest.fixture
def trap() -> Trap:
    make_season(year=timezone.now().year)
    return make_trap()


@pytest.fixture
def address(trap: Trap) -> str:
    given = {"opening": str(open_trap(trap).uuid), **moment("emptied", timezone.now()), "trap_state": "intact"}
    return begin(trap, DraftKind.EMPTY, given).replace("/empty/", "/count/").replace("check/", "")


@pytest.fixture
def client(trap: Trap) -> Client:
    return client_of(trap)


def kept() -> dict[str, str]:
    """Return the counts in the draft that are not blank."""
    answers = Draft.objects.get().answers
    return {name: value for name, value in answers.items() if value and name[:2] in ("n_", "c_", "a_")}


@pytest.mark.django_db(transaction=True)
def test_a_press_comes_back_to_its_row(client: Client, address: str) -> None:
    answer = client.post(address, {"step": "plus:spiders", "n_woodlice": "3"})
    assert answer["Location"] == f"{address}#row-spiders"
    assert kept() == {"n_spiders": "1", "n_woodlice": "3"}
    assert 'id="row-spiders"' in client.get(address).content.decode()
    Group.objects.filter(code="spiders").update(tier="extra")
    from surveys.queries.seasons import _lists_of

    _lists_of.cache_clear()  # a list is kept for a minute
    answer = client.post(f"{address}?change=1", {"step": "minus:spiders"})
    assert answer["Location"] == f"{address}?more=1&change=1#row-spiders"
    _lists_of.cache_clear()


@pytest.mark.django_db(transaction=True)
def test_none_of_the_rest_is_one_press_and_undo_another(client: Client, address: str) -> None:
    assert "set 6 rows to Saw none" in words(client.get(address))
    client.post(address, {"rest": "none_seen", "n_woodlice": "3"})
    assert len(kept()) == 6
    page = client.get(address)
    assert "6 of 6 rows answered" in words(page)
    assert re.search(r'value="undo"[^>]*hidden', page.content.decode()) is None
    client.post(address, {"rest": "undo"})
    assert kept() == {"n_woodlice": "3"}
    assert "1 of 6 rows answered" in words(client.get(address))


@pytest.mark.django_db(transaction=True)
def test_nothing_counted_is_not_sent_on_as_nothing_there(client: Client, address: str) -> None:
    page = client.post(address, {"go": "on"})
    assert page.status_code == 422
    assert title_of(page.content.decode()).startswith("Error: ")
    assert summary_links(page.content.decode()) == ["n_woodlice"]


@pytest.mark.django_db(transaction=True)
def test_each_wrong_count_is_named_at_its_row_and_kept(client: Client, address: str) -> None:
    for wrong, said in (
        ("lots", "we cannot read"), ("-3", "we cannot read"), ("2.5", "we cannot read"), ("100001", "more than a cup"),
        ("<b>9</b>", "we cannot read"), ("٣", "we cannot read"),
    ):  # fmt: skip
        for press in ({"go": "on"}, {"step": "plus:spiders"}):
            page = client.post(address, {"n_spiders": wrong, **press})
            if press == {"step": "plus:spiders"} and wrong == "100001":
                continue  # a press brings it down to what a cup may hold
            assert page.status_code == 422, wrong
            assert summary_links(page.content.decode()) == ["n_spiders"]
            assert said in words(page)
            assert 'id="n_spiders"' in page.content.decode()
            assert "<b>9" not in page.content.decode()
        client.post(address, {"n_spiders": "", "go": "keep"})


@pytest.mark.django_db(transaction=True)
def test_two_answers_in_one_row_are_named(client: Client, address: str) -> None:
    page = client.post(address, {"n_spiders": "3", "a_spiders": "none_seen", "go": "on"})
    assert page.status_code == 422
    assert "there are two answers" in words(page)


@pytest.mark.django_db(transaction=True)
def test_going_to_the_key_keeps_the_counts_and_knows_the_way_back(client: Client, address: str) -> None:
    answer = client.post(address, {"which": "spiders", "n_spiders": "2"})
    assert answer["Location"].startswith("/which-group/?back=/my/traps/count/")
    assert answer["Location"].endswith("%23row-spiders")
    assert kept() == {"n_spiders": "2"}
    assert client.get(answer["Location"]).status_code == 200


@pytest.mark.django_db(transaction=True)
def test_a_range_is_kept_and_unknown_codes_are_not(client: Client, address: str) -> None:
    client.post(address, {"c_springtails": "c64to127", "n_dragons": "3", "rest_set": "spiders dragons", "go": "keep"})
    assert kept() == {"c_springtails": "c64to127"}
    assert Draft.objects.get().answers["rest"] == "spiders"
    assert client.post(address, {"step": "plus:dragons"}).status_code == 302
    assert kept() == {"c_springtails": "c64to127"}


@pytest.mark.django_db(transaction=True)
def test_the_page_asks_the_database_the_same_however_many_groups_there_are(
    client: Client, address: str, django_assert_max_num_queries
) -> None:
    client.get(address)
    # Session, account, return of this id, draft, setting, traps, seasons of the region; the lists are kept.
    with django_assert_max_num_queries(14):
        client.get(address)


@pytest.mark.django_db(transaction=True)
def test_what_may_bite_or_sting_leads_to_the_safety_page_of_the_region() -> None:
    make_season(year=timezone.now().year)
    trap = make_trap()
    opening = open_trap(trap)
    check = begin(trap, DraftKind.EMPTY, {"opening": str(opening.uuid), **moment("emptied", timezone.now())})
    page = client_of(trap).get(check.replace("/empty/", "/count/").replace("check/", "")).content.decode()
    rows = {code: page[page.index(f'id="row-{code}"') :].split("</fieldset>")[0] for code in ("spiders", "woodlice")}
    assert "/safety/eastmark/#own" in page[: page.index("<fieldset")]
    assert "/safety/eastmark/#own" in rows["spiders"]
    assert "/safety/" not in rows["woodlice"]


@pytest.mark.django_db(transaction=True)
def test_the_count_says_how_to_handle_the_animals_before_its_rows(client: Client, address: str) -> None:
    page = client.get(address).content.decode()
    assert page.index("Use a soft brush or a spoon, not your fingers.") < page.index('id="row-')
