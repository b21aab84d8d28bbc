"""Emptying a trap without a script: which one, when, how it was, the count, and one return in the end."""

from __future__ import annotations

import uuid
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from surveys.models import Draft, Event, Letter, Opening, Return, Season, Trap
from surveys.services.openings import call_off, note_look
from surveys.vocabulary import DraftKind, Ending
from tests.factories import make_household, make_season, make_site, make_trap
from tests.reading import grade_of, sentences_of
from tests.surveys.web.asking_pages import (
    CUP,
    answer,
    begin,
    client_of,
    follow,
    heading,
    moment,
    open_trap,
    words,
)
from tests.surveys.web.sending import summary_links

pytestmark = pytest.mark.django_db(transaction=True)
START = "/my/traps/empty/"
FOUND = {
    "trap_state": "intact", "looks": "dusk_and_dawn", "rain": "dry", "vertebrate_seen": "no", "n_woodlice": "3",
    "a_spiders": "none_seen", "release": "within_the_hour", "closing": "lidded", "note": "A fine night.",
}  # fmt: skip
CHOICES = ("trap_state", "looks", "rain", "vertebrate_seen", "release", "closing")


@pytest.fixture
def trap() -> Trap:
    make_season(year=timezone.now().year)
    return make_trap()


@pytest.fixture
def client(trap: Trap) -> Client:
    return client_of(trap)


def at_check(opening: Opening, **changes: str) -> str:
    """Keep an answer to every question; return the address of the page that shows them all."""
    given = {"opening": str(opening.uuid), **moment("emptied", timezone.now()), **FOUND, **changes}
    return begin(opening.trap, DraftKind.EMPTY, given)


def test_one_open_trap_is_not_asked_for_and_the_whole_way_makes_one_return(client: Client, trap: Trap) -> None:
    opening = open_trap(trap, refuge="moss_or_grass", settled_h=48.0)
    page = client.get(START)
    assert heading(page) == "When did you empty it?"
    assert "I set it without telling you" not in words(page)
    page = follow(client, answer(client, page, now="1"))
    for name in ("vertebrate_seen", "trap_state", "looks", "rain"):
        page = follow(client, answer(client, page, **{name: FOUND[name]}))
    assert heading(page) == "Count the animals"
    page = follow(client, answer(client, page, n_woodlice="3", a_spiders="none_seen", c_springtails="c32to63", go="on"))
    for name in ("release", "closing", "note"):
        page = follow(client, answer(client, page, **{name: FOUND[name]}))
    assert heading(page) == "Check your answers"
    said = words(page)
    for part in ("Woodlice: 3", "Springtails: 32 to 63", "Saw none: 1 kinds", "Left blank: 3 kinds", "A fine night."):
        assert part in said
    assert not Return.objects.exists()
    done = answer(client, page)
    report = Return.objects.get()
    assert done["Location"] == f"/my/returns/{report.uuid}/"
    opening.refresh_from_db()
    assert (opening.report_id, opening.ending, opening.ended_at) == (report.pk, "emptied", report.emptied_at)
    assert report.set_at == opening.set_at
    # What is known of the setting is in the return, without being asked again.
    assert (report.mouth_mm, report.rim, report.refuge, report.settled_h) == (75.0, "flush", "moss_or_grass", 48.0)
    assert (report.trap_state, report.looks, report.rain, report.note) == (
        "intact",
        "dusk_and_dawn",
        "dry",
        "A fine night.",
    )
    answers = {one.group.code: (one.answer, one.low) for one in report.catches.select_related("group")}
    assert answers == {"woodlice": ("number", 3), "spiders": ("none_seen", 0), "springtails": ("class", 32)}
    assert not Draft.objects.exists()
    assert not Letter.objects.filter(opening=opening, sent_at=None, dropped_at=None).exists()


def test_sending_twice_reloading_and_back_and_send_make_one_return(client: Client, trap: Trap) -> None:
    address = at_check(open_trap(trap))
    first, second = client.post(address), client.post(address)
    assert first["Location"] == second["Location"] == client.get(address)["Location"]
    back = address.replace("check", "rain")
    assert client.post(back, {"rain": "heavy"})["Location"] == first["Location"]
    assert client.get(back.replace("/empty/", "/count/").replace("rain/", ""))["Location"] == first["Location"]
    assert Return.objects.count() == 1
    assert Return.objects.get().rain == "dry"
    assert not Draft.objects.exists()
    assert Event.objects.filter(verb="return received").count() == 1


def test_two_drafts_of_one_setting_make_one_return(client: Client, trap: Trap) -> None:
    opening = open_trap(trap)
    one, other = at_check(opening), at_check(opening, rain="heavy")
    assert client.post(one).status_code == 302
    refused = client.post(other)
    assert refused.status_code == 422
    assert "was sent before" in words(refused)
    assert Return.objects.count() == 1


def test_with_two_open_traps_the_first_question_is_which_one(client: Client, trap: Trap) -> None:
    other = make_trap(site=trap.site, habitat="hedge_base")
    first, second = open_trap(trap, hours=25), open_trap(other, hours=24)
    page = client.get(START)
    assert heading(page) == "Which trap did you empty?"
    assert str(first.uuid) in page.content.decode()
    assert "I set it without telling you" in words(page)
    page = follow(client, answer(client, page, opening=str(second.uuid)))
    assert heading(page) == "When did you empty it?"
    assert heading(client.get(f"{START}?opening={first.uuid}")) == "When did you empty it?"
    assert heading(client.get(f"{START}?trap={trap.public_id}")) == "When did you empty it?"


def test_a_trap_that_was_set_without_telling_us_is_asked_all_about(client: Client, trap: Trap) -> None:
    page = client.get(START)
    assert heading(page) == "When did you open the trap?"  # one trap, none open
    page = follow(client, answer(client, page, **moment("set", timezone.now() - timedelta(hours=24))))
    asked = []
    for name, value in CUP.items():
        asked.append(heading(page))
        page = follow(client, answer(client, page, **{name: value}))
    assert asked[1] == "Where was the rim of the cup?"
    page = follow(client, answer(client, page, now="1"))
    address = page.wsgi_request.path.replace("vertebrate_seen", "{}")
    for name in ("vertebrate_seen", "trap_state", "looks", "rain", "release", "closing", "note"):
        client.post(address.format(name), {name: FOUND[name]})
    client.post(address.replace("/empty/", "/count/").replace("{}/", ""), {"n_woodlice": "3", "go": "on"})
    client.post(address.format("check"))
    report = Return.objects.get()
    assert (report.mouth_mm, report.cover, report.settled_h) == (75.0, "present", 48.0)
    assert report.habitat.code == "short_lawn"
    assert round(report.exposure_h) == 24
    assert not Opening.objects.exists()


def test_an_untold_setting_of_an_open_trap_still_ends_what_stands_open(client: Client, trap: Trap) -> None:
    opening = open_trap(trap, hours=20)
    given = {
        "opening": "untold", "trap": str(trap.public_id), **moment("set", timezone.now() - timedelta(hours=24)), **CUP,
        **moment("emptied", timezone.now()), **FOUND,
    }  # fmt: skip
    assert client.post(begin(trap, DraftKind.EMPTY, given)).status_code == 302
    opening.refresh_from_db()
    assert opening.ending == "emptied"


def test_each_answer_left_open_is_named_and_so_is_what_cannot_be_one(client: Client, trap: Trap) -> None:
    opening = open_trap(trap)
    for name in ("trap_state", "looks", "rain", "vertebrate_seen", "release", "closing"):
        for wrong in ("", "maybe", "\0"):
            address = at_check(opening)
            page = client.post(address.replace("check", name), {name: wrong})
            assert page.status_code == 422, (name, wrong)
            assert summary_links(page.content.decode()) == [name]
            sent = client.post(address)
            assert sent.status_code == 422
            assert summary_links(sent.content.decode()) == [f"change-{name}"]
    assert not Return.objects.exists()


def test_i_do_not_know_is_taken_where_it_may_be_true_and_nowhere_else(client: Client, trap: Trap) -> None:
    address = at_check(open_trap(trap))
    for name, status in (
        ("looks", 302), ("rain", 302), ("release", 302), ("trap_state", 422), ("vertebrate_seen", 422), ("closing", 422),
    ):  # fmt: skip
        assert client.post(address.replace("check", name), {name: "unknown"}).status_code == status


def test_emptied_before_it_was_set_and_still_to_come_are_refused_in_words(client: Client, trap: Trap) -> None:
    address = at_check(open_trap(trap, hours=10)).replace("check", "emptied")
    early = client.post(address, moment("emptied", timezone.now() - timedelta(hours=11)))
    assert (early.status_code, summary_links(early.content.decode())) == (422, ["emptied_day"])
    assert "before you opened it" in words(early)
    late = client.post(address, moment("emptied", timezone.now() + timedelta(hours=25)))
    assert (late.status_code, summary_links(late.content.decode())) == (422, ["emptied_day"])
    assert "still to come" in words(late)


def test_a_note_that_is_too_long_is_kept_and_named(client: Client, trap: Trap) -> None:
    address = at_check(open_trap(trap)).replace("check", "note")
    page = client.post(address, {"note": "x" * 501})
    assert (page.status_code, summary_links(page.content.decode())) == (422, ["note"])
    assert "x" * 501 in page.content.decode()
    assert client.post(address, {"note": ""}).status_code == 302


def test_a_lost_trap_is_not_counted_and_the_page_says_why(client: Client, trap: Trap) -> None:
    for state, let_go in (("dug_up", False), ("kicked", False), ("moved", False), ("water_in", True)):
        opening = open_trap(trap)
        address = at_check(opening, n_woodlice="", a_spiders="").replace("check", "{}")
        answered = client.post(address.format("trap_state"), {"trap_state": state})
        assert "a lost trap is not a zero" in words(client.get(answered["Location"]))
        page = client.get(address.format("check"))
        assert "Count the animals" not in words(page)
        assert ("let the animals go" in words(page)) is let_go
        assert "not a zero" in words(client.get(address.replace("/empty/", "/count/").replace("{}/", "")))
        assert client.post(address.format("check")).status_code == 302
        opening.refresh_from_db()
        assert opening.ending == "lost"
        assert opening.report is not None
        assert (opening.report.trap_state, opening.report.catches.count()) == (state, 0)


def test_a_trap_that_was_noted_as_lost_may_still_be_sent(client: Client, trap: Trap) -> None:
    opening = open_trap(trap)
    call_off(by=trap.site.household.keeper, uuid=opening.uuid, ending=Ending.LOST, at=timezone.now())
    assert heading(client.get(f"{START}?opening={opening.uuid}")) == "When did you empty it?"
    assert client.post(at_check(opening, trap_state="dug_up")).status_code == 302
    opening.refresh_from_db()
    assert opening.ending == "lost"
    assert opening.report is not None
    # And it is sent once: the link leads to what was sent.
    assert client.get(f"{START}?opening={opening.uuid}")["Location"] == f"/my/returns/{opening.report.uuid}/"


def test_changing_lost_to_found_asks_for_the_count(client: Client, trap: Trap) -> None:
    address = at_check(open_trap(trap), trap_state="kicked", n_woodlice="", a_spiders="")
    changed = client.post(address.replace("check", "trap_state") + "?change=1", {"trap_state": "intact"})
    assert changed["Location"].startswith("/my/traps/count/")


def test_a_backbone_leads_to_the_words_about_it_first(client: Client, trap: Trap) -> None:
    address = at_check(open_trap(trap))
    answered = client.post(address.replace("check", "vertebrate_seen"), {"vertebrate_seen": "yes"})
    page = client.get(answered["Location"])
    assert heading(page) == "Help this animal first"
    assert "/safety/eastmark/" in page.content.decode()
    assert "Write to Test office: office@test.example" in words(page)
    assert "I have done this. Go on" in words(page)
    assert "If it is hurt or dead: it is not your fault." in words(page)
    assert f'href="{address.replace("check", "trap_state")}"' in page.content.decode()
    assert "A coordinator looks at this return first" in words(client.get(address))
    client.post(address)
    report = Return.objects.get()
    assert report.vertebrate_seen == "yes"
    assert report.findings.filter(check_id__contains="vertebrate").exists()


def test_ticked_looks_are_filled_in(client: Client, trap: Trap) -> None:
    opening = open_trap(trap)
    keeper = trap.site.household.keeper
    note_look(by=keeper, uuid=opening.uuid, look="dawn", at=timezone.now())
    address = at_check(opening, looks="")
    assert "in the early morning only" in words(client.get(address))
    client.post(address)
    assert Return.objects.get().looks == "dawn_only"


def test_a_trap_emptied_early_or_in_the_dark_is_taken_with_a_kind_word(client: Client, trap: Trap) -> None:
    opening = open_trap(trap, hours=6)
    assert "less than 16 hours" in words(client.get(START))
    address = at_check(opening)
    assert "less than 16 hours" in words(client.get(address))
    # Midnight is dark at 51.5 degrees north on every day of the year.
    Opening.objects.update(set_at=opening.set_at - timedelta(days=2))
    midnight = timezone.now().replace(hour=1, minute=15)
    midnight -= timedelta(days=0 if midnight < timezone.now() else 1)
    client.post(address.replace("check", "emptied"), moment("emptied", midnight))
    assert "It was dark then" in words(client.get(address))
    assert client.post(address).status_code == 302


def test_a_draft_is_gone_on_with_after_the_page_was_closed(client: Client, trap: Trap) -> None:
    opening = open_trap(trap)
    page = follow(client, answer(client, client.get(START), now="1"))
    answer(client, page, vertebrate_seen="no")
    again = client_of(trap)
    # The link of the setting leads to the first question without an answer.
    went = again.get(f"{START}?opening={opening.uuid}")
    assert went["Location"].endswith("/trap_state/")
    assert again.get(START)["Location"] == went["Location"]


def test_a_removed_trap_takes_its_draft_along_and_nothing_breaks(client: Client, trap: Trap) -> None:
    address = at_check(open_trap(trap))
    trap.delete()
    for step in ("check", "rain", "backbone"):
        assert client.get(address.replace("check", step)).status_code == 404
    assert client.post(address).status_code == 404
    assert client.get(START).status_code == 200


def test_another_household_finds_nothing(client: Client, trap: Trap) -> None:
    opening = open_trap(trap)
    address = at_check(opening)
    stranger = client_of(make_trap(site=make_site(household=make_household())))
    count = address.replace("/empty/", "/count/").replace("check/", "")
    for path in (address, address.replace("check", "rain"), count, f"{START}?opening={opening.uuid}"):
        assert stranger.get(path).status_code == 404, path
    for path in (address, address.replace("check", "rain"), count):
        assert stranger.post(path, {"rain": "dry", "go": "on"}).status_code == 404, path
    # A foreign setting in the first answer is not taken up: it is asked again.
    posted = stranger.post(f"{START}{uuid.uuid4()}/opening/", {"opening": str(opening.uuid)})
    assert posted.status_code == 422
    assert not Return.objects.exists()


def test_wrong_addresses_are_not_there(client: Client, trap: Trap) -> None:
    address = at_check(open_trap(trap))
    for path in (f"{START}?opening=nothing", f"{START}?opening={uuid.uuid4()}", address.replace("check", "tally")):
        assert client.get(path).status_code == 404
    assert client.get(f"{START}{uuid.uuid4()}/rain/").status_code == 404
    assert client.get(f"/my/traps/count/{uuid.uuid4()}/").status_code == 404


def test_somebody_who_is_not_signed_in_is_sent_to_sign_in(trap: Trap) -> None:
    address = at_check(open_trap(trap))
    for path in (START, address, address.replace("/empty/", "/count/").replace("check/", "")):
        assert "/sign-in" in Client().get(path)["Location"]


def test_when_the_season_closed_meanwhile_the_answers_are_kept(client: Client, trap: Trap) -> None:
    address = at_check(open_trap(trap))
    Season.objects.update(state="closed")
    refused = client.post(address)
    assert refused.status_code == 422
    assert "answers are kept" in words(refused)
    assert "Woodlice: 3" in words(refused)
    assert Draft.objects.count() == 1
    assert not Return.objects.exists()
    Draft.objects.all().delete()
    assert "Let the animals go today" in words(client.get(START))


def test_two_tabs_may_empty_the_same_trap_and_the_last_one_wins_by_question(client: Client, trap: Trap) -> None:
    address = at_check(open_trap(trap))
    other = client_of(trap)
    other.post(address.replace("check", "rain"), {"rain": "heavy"})
    client.post(address.replace("check", "closing"), {"closing": "left_open"})
    client.post(address.replace("check", "rain"), {"rain": "light"})
    assert other.post(address)["Location"] == client.post(address)["Location"]
    report = Return.objects.get()
    assert (report.rain, report.closing) == ("light", "left_open")


def test_an_overdue_trap_is_taken_as_any_other(client: Client, trap: Trap) -> None:
    opening = open_trap(trap, hours=60)
    assert client.post(at_check(opening)).status_code == 302
    assert Return.objects.get().standing == "off_protocol"  # protocol version 1: more than 52 h is out


def test_hostile_notes_are_shown_as_text(client: Client, trap: Trap) -> None:
    address = at_check(open_trap(trap), note="<script>alert('x')</script> {{ 7 }} \u202e\0")
    page = client.get(address)
    assert "<script>alert" not in page.content.decode()
    client.post(address)
    assert Return.objects.get().note.startswith("<script>")
    assert "\u202e" not in Return.objects.get().note


def test_every_page_reads_at_school_grade_five_or_below(client: Client, trap: Trap) -> None:
    """Each page by itself, with the reader of tests/reading.py (Flesch-Kincaid)."""
    other = make_trap(site=trap.site, habitat="hedge_base")
    opening = open_trap(other, hours=27)
    setting = begin(trap, DraftKind.SET, {"trap": str(trap.public_id), **moment("set", timezone.now()), **CUP})
    emptying = at_check(opening)
    untold = begin(trap, DraftKind.EMPTY, {"opening": "untold", "trap": str(trap.public_id), **CUP, **FOUND})
    pages = ["/my/traps/set/", f"/my/traps/open/{opening.uuid}/", f"/my/traps/open/{opening.uuid}/call-off"]
    pages += [setting.replace("check", name) for name in ("trap", "set", *CUP, "check")]
    pages += [emptying.replace("check", name) for name in ("opening", "emptied", "note", "backbone", "check", *CHOICES)]
    pages += [untold.replace("check", name) for name in ("trap", "set", *CUP)]
    pages.append(emptying.replace("/empty/", "/count/").replace("check/", ""))
    grades = {}
    for path in pages:
        page = client.get(path)
        assert page.status_code == 200, path
        grades[path] = grade_of(sentences_of(page.content.decode())).grade
    assert {path: grade for path, grade in grades.items() if grade > 5} == {}
