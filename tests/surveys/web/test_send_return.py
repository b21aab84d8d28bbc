"""The form to send a return: five answers, every fault at once, and nothing lost."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime

import pytest
from django.test import Client

from surveys.models import Catch, Event, Return, Season, Trap
from surveys.services.intake import withdraw_return
from tests.factories import make_account, make_season, make_site, make_trap
from tests.surveys.web.sending import PATH, attributes, boxes, form, summary_links, title_of

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def trap() -> Trap:
    make_season()
    return make_trap()


@pytest.fixture
def client(trap: Trap) -> Client:
    client = Client()
    client.force_login(trap.site.household.keeper)
    return client


def catch_of(report: Return) -> dict[str, tuple[str, int | None, int | None]]:
    rows = Catch.objects.filter(report=report).select_related("group")
    return {row.group.code: (row.answer, row.low, row.high) for row in rows}


def test_the_empty_form_asks_without_forcing_and_brings_an_id(client: Client, trap: Trap) -> None:
    page = client.get(PATH).content.decode()
    assert title_of(page).startswith("Send a return")
    assert "required" not in page.split("<main")[1]
    assert "novalidate" in page
    came = boxes(page)
    assert uuid.UUID(came["id"])
    assert came["trap"] == str(trap.public_id)  # the only trap is chosen already
    assert {value for name, value in came.items() if name.startswith(("n_", "c_", "a_"))} == {""}


def test_the_form_says_how_to_handle_the_animals_before_its_rows(client: Client) -> None:
    page = client.get(PATH).content.decode()
    assert page.index("Use a soft brush or a spoon, not your fingers.") < page.index('class="tally-row')


def test_two_openings_of_the_form_bring_two_ids(client: Client) -> None:
    assert boxes(client.get(PATH).content.decode())["id"] != boxes(client.get(PATH).content.decode())["id"]


def test_a_filled_form_becomes_a_return_with_the_five_answers(client: Client, trap: Trap) -> None:
    sent = form(trap, a_ground_beetles="did_not_look")
    answer = client.post(PATH, sent)
    assert (answer.status_code, answer["Location"]) == (302, f"/my/returns/{sent['id']}/")
    report = Return.objects.get()
    assert str(report.uuid) == sent["id"]
    # The season's zone, Atlantic/Reykjavik, is UTC all year (tz database).
    assert report.set_at == datetime(2026, 5, 2, 17, tzinfo=UTC)
    assert report.emptied_at == datetime(2026, 5, 3, 17, tzinfo=UTC)
    assert (report.mouth_mm, report.rim, report.cover, report.liquid) == (75, "flush", "present", "nothing")
    assert (report.trap_state, report.time_precision) == ("intact", "quarter_hour")
    assert report.habitat.code == "short_lawn"  # the trap's own, as no other was chosen
    # Bounds of the class by hand: its name says 16 to 31.
    assert catch_of(report) == {
        "woodlice": ("number", 3, 3),
        "millipedes": ("none_seen", 0, 0),
        "spiders": ("number", 2, 2),
        "springtails": ("class", 16, 31),
        "centipedes": ("could_not_tell", None, None),
        "ground_beetles": ("did_not_look", None, None),
    }


def test_an_untouched_group_stays_unknown_and_a_typed_zero_is_looked_and_none(client: Client, trap: Trap) -> None:
    client.post(PATH, form(trap, n_spiders="0", n_woodlice="", a_millipedes="", a_centipedes=""))
    caught = catch_of(Return.objects.get())
    assert caught["spiders"] == ("none_seen", 0, 0)
    assert set(caught) == {"spiders", "springtails"}


def test_a_double_tap_makes_one_return_and_leads_to_it_both_times(client: Client, trap: Trap) -> None:
    sent = form(trap)
    first, second = client.post(PATH, sent), client.post(PATH, sent)
    assert first["Location"] == second["Location"]
    assert Return.objects.count() == 1
    assert Event.objects.filter(verb="return received").count() == 1


def test_a_form_that_is_changed_and_sent_again_is_explained_and_can_be_sent_on(client: Client, trap: Trap) -> None:
    sent = form(trap)
    client.post(PATH, sent)
    answer = client.post(PATH, {**sent, "n_woodlice": "4"})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "This form was sent before, with other answers" in page
    again = boxes(page)
    assert again["n_woodlice"] == "4"
    assert again["id"] != sent["id"]
    withdraw_return(by=trap.site.household.keeper, uuid=uuid.UUID(sent["id"]))
    assert client.post(PATH, again).status_code == 302
    assert Return.objects.count() == 2


def test_the_id_of_somebody_elses_return_gives_nothing_away(client: Client, trap: Trap) -> None:
    other = make_trap()
    theirs = Client()
    theirs.force_login(other.site.household.keeper)
    sent = form(other)
    theirs.post(PATH, sent)
    page = client.post(PATH, form(trap, id=sent["id"])).content.decode()
    assert "sent before" not in page
    assert boxes(page)["id"] != sent["id"]
    assert Return.objects.count() == 1


WRONG = {
    "no trap": ({"trap": None}, "trap"),
    "a trap that is not theirs": ({"trap": str(uuid.uuid4())}, "trap"),
    "no day": ({"set_day": ""}, "set_day"),
    "a month that is none": ({"emptied_month": "Brrr"}, "emptied_day"),
    "a day that is none": ({"set_day": "31", "set_month": "2"}, "set_day"),
    "a year that is none": ({"set_year": "2206"}, "set_year"),
    "no time": ({"emptied_time": ""}, "emptied_time"),
    "a time that is none": ({"set_time": "25:00"}, "set_time"),
    "emptied before it was set": ({"emptied_day": "1"}, "emptied_day"),
    "no rim": ({"rim": None}, "rim"),
    "a rim that is none": ({"rim": "wobbly"}, "rim"),
    "no cover": ({"cover": None}, "cover"),
    "nothing about liquid": ({"liquid": None}, "liquid"),
    "nothing about the trap": ({"trap_state": None}, "trap_state"),
    "a width in words": ({"mouth_mm": "wide"}, "mouth_mm"),
    "a width in centimetres": ({"mouth_mm": "7,5 cm"}, "mouth_mm"),
    "a width of nothing": ({"mouth_mm": "0"}, "mouth_mm"),
    "a warmth beyond all weather": ({"temp_max_c": "71"}, "temp_max_c"),
    "a count in words": ({"n_woodlice": "three"}, "n_woodlice"),
    "a count with a sign": ({"n_woodlice": "-3"}, "n_woodlice"),
    "a broken count": ({"n_woodlice": "3.5"}, "n_woodlice"),
    "a count beyond a cup": ({"n_woodlice": "100001"}, "n_woodlice"),
    "a number and another answer": ({"a_woodlice": "none_seen"}, "n_woodlice"),
    "a number and a range": ({"c_woodlice": "c16to31"}, "n_woodlice"),
    "a long note": ({"note": "m" * 501}, "note"),
}


def test_a_width_in_centimetres_is_told_what_it_is_in_millimetres(client: Client, trap: Trap) -> None:
    page = client.post(PATH, form(trap, mouth_mm="7,5 cm")).content.decode()
    assert "We cannot read “7,5 cm” as a number. Give millimetres as digits: 7.5 cm is 75." in page


@pytest.mark.parametrize(("change", "target"), WRONG.values(), ids=WRONG.keys())
def test_each_wrong_answer_alone_is_named_at_its_field_and_stores_nothing(
    client: Client, trap: Trap, change: dict[str, str | None], target: str
) -> None:
    sent = form(trap, **change)
    answer = client.post(PATH, sent)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert summary_links(page) == [target]
    assert f'id="{target}"' in page
    assert page.count('class="fault"') == 1
    assert Return.objects.count() == 0


def test_all_faults_come_at_once_and_every_answer_is_kept(client: Client, trap: Trap) -> None:
    sent = form(
        trap, habitat="hedge_base", set_day="", emptied_time="late", mouth_mm="wide", rim=None, n_spiders="lots",
        note="Found <b>&</b> moss", rain="light", temp_min_c="-2", release="later",
    )  # fmt: skip
    page = client.post(PATH, sent).content.decode()
    assert summary_links(page) == ["set_day", "emptied_time", "rim", "mouth_mm", "n_spiders"]
    came = boxes(page)
    assert {name: came.get(name) for name in sent if name != "note"} == {
        name: value for name, value in sent.items() if name != "note"
    }
    assert came["note"] == "Found &lt;b&gt;&amp;&lt;/b&gt; moss"
    assert "<details open>" in page  # what was told there is in sight


def test_nothing_counted_is_asked_about_unless_the_trap_was_lost(client: Client, trap: Trap) -> None:
    nothing = dict.fromkeys(("n_woodlice", "a_millipedes", "n_spiders", "c_springtails", "a_centipedes"), "")
    page = client.post(PATH, form(trap, **nothing)).content.decode()
    assert summary_links(page) == ["n_woodlice"]
    assert client.post(PATH, form(trap, **nothing, trap_state="dug_up")).status_code == 302
    report = Return.objects.get()
    assert catch_of(report) == {}
    assert report.standing == "off_protocol"


def test_what_a_service_refuses_stands_at_its_field(client: Client, trap: Trap) -> None:
    page = client.post(PATH, form(trap, habitat="moonscape")).content.decode()
    assert summary_links(page) == ["habitat"]
    assert "This season does not know this kind of place." in page
    assert Return.objects.count() == 0


def test_a_closed_season_is_said_in_words_and_keeps_the_answers(client: Client, trap: Trap) -> None:
    Season.objects.update(state="closed")
    answer = client.post(PATH, form(trap))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "The count is not on here now, so nothing can be sent." in page
    assert boxes(page)["n_woodlice"] == "3"


def test_characters_that_no_database_takes_do_no_harm(client: Client, trap: Trap) -> None:
    assert client.post(PATH, form(trap, note="moss\x00\x07 and\r\nleaves", n_woodlice="3")).status_code == 302
    assert Return.objects.get().note == "moss and\nleaves"


@pytest.mark.parametrize("name", ["trap", "habitat", "set_day", "rim", "n_woodlice", "c_woodlice", "a_woodlice", "id"])
def test_rubbish_in_any_box_never_breaks_the_page(client: Client, trap: Trap, name: str) -> None:
    for rubbish in ("\x00", "' OR 1=1 --", "<script>", "²", "9" * 400):
        assert client.post(PATH, form(trap, **{name: rubbish})).status_code in (302, 422), (name, rubbish)


def test_somebody_with_two_traps_chooses_and_sees_only_their_own(client: Client, trap: Trap) -> None:
    second = make_trap(site=trap.site, habitat="hedge_base")
    foreign = make_trap(site=make_site())
    page = client.get(PATH).content.decode()
    assert "trap" not in boxes(page)
    assert str(second.public_id) in page
    assert str(foreign.public_id) not in page


def test_somebody_without_a_trap_is_led_to_add_one() -> None:
    make_season()
    client = Client()
    client.force_login(make_account())
    page = client.get(PATH).content.decode()
    assert "You have no trap yet." in page
    assert 'href="/my/sites/"' in page


def test_every_box_has_a_name_that_is_read_aloud(client: Client) -> None:
    page = client.get(PATH).content.decode()
    for tag in page.split("<input")[1:]:
        given = attributes(tag)
        if given.get("type") == "text":
            assert f'for="{given["id"]}"' in page, given


def test_a_return_wakes_the_screening(client: Client, trap: Trap, monkeypatch: pytest.MonkeyPatch) -> None:
    woken = []
    monkeypatch.setattr("surveys.web.returns.wake_screening", lambda: woken.append(1))
    client.post(PATH, form(trap, rim=None))
    assert woken == []
    client.post(PATH, form(trap))
    assert woken == [1]
