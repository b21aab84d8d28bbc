"""Setting a trap without a script: one question a page, nothing lost, one setting however often it is sent."""

from __future__ import annotations

import re
import uuid
from datetime import UTC, datetime, timedelta

import pytest
from allauth.account.models import EmailAddress
from django.test import Client
from django.utils import timezone

from surveys.models import Draft, Event, Letter, Opening, Season, Trap
from surveys.queries.openings import due_times
from surveys.services.openings import call_off
from surveys.vocabulary import DraftKind, Ending
from surveys.web.due_looks import due_looks
from tests.factories import make_household, make_season, make_site, make_trap, send_return
from tests.frozen import thawed
from tests.surveys.web.asking_pages import (
    CUP,
    answer,
    begin,
    client_of,
    follow,
    forms,
    heading,
    moment,
    open_trap,
    walk_to_check,
    words,
)
from tests.surveys.web.sending import summary_links, title_of

pytestmark = pytest.mark.django_db(transaction=True)
START = "/my/traps/set/"


@pytest.fixture
def trap() -> Trap:
    make_season(year=timezone.now().year)
    return make_trap()


@pytest.fixture
def client(trap: Trap) -> Client:
    return client_of(trap)


def at_check(trap: Trap) -> str:
    """Keep an answer to every question; return the address of the page that shows them all."""
    an_hour_ago = timezone.now() - timedelta(hours=1)
    return begin(trap, DraftKind.SET, {"trap": str(trap.public_id), **moment("set", an_hour_ago), **CUP})


def test_a_trap_is_set_in_eight_presses_and_one_typed_number(client: Client, trap: Trap) -> None:
    page = client.get(START)
    assert heading(page) == "When did you open the trap?"  # the only trap is not asked for
    asked = [heading(page)]
    page = follow(client, answer(client, page, now="1"))
    for name, value in CUP.items():
        asked.append(heading(page))
        page = follow(client, answer(client, page, **{name: value}))
    assert len(asked) == 7
    assert heading(page) == "Check your answers"
    assert not Opening.objects.exists()
    done = answer(client, page)
    opening = Opening.objects.get()
    assert done["Location"] == f"/my/traps/open/{opening.uuid}/"
    assert opening.trap_id == trap.pk
    assert timezone.now() - opening.set_at < timedelta(minutes=2)
    # Codes are those of the vocabulary; settled two days or more is 48 h (protocol version 1, settling).
    assert opening.answers == {
        "time_precision": "quarter_hour", "mouth_mm": 75.0, "rim": "flush", "cover": "present",
        "refuge": "moss_or_grass", "liquid": "nothing", "settled_h": 48.0,
    }  # fmt: skip
    assert not Draft.objects.exists()
    assert Event.objects.filter(verb="trap set").count() == 1
    assert Letter.objects.filter(opening=opening).exists()
    assert heading(follow(client, done)) == "Your trap is set"


def test_every_step_shows_what_is_kept_and_asks_without_forcing(client: Client, trap: Trap) -> None:
    address = at_check(trap)
    for name, value in CUP.items():
        page = client.get(address.replace("check", name))
        text = page.content.decode()
        assert page.status_code == 200
        assert "required" not in text.split("<main")[1]
        assert "novalidate" in text
        kept = f'value="{value}"' in text
        assert kept, name
        assert "Your answer" in words(page) or name == "mouth_mm"
        assert "no-store" in page["Cache-Control"]
    assert "The day and time that you gave" in words(client.get(address.replace("check", "set")))


def test_sending_twice_reloading_and_back_and_send_make_one_setting(client: Client, trap: Trap) -> None:
    address = at_check(trap)
    first, second = client.post(address), client.post(address)
    assert first["Location"] == second["Location"] == client.get(address)["Location"]
    # Back to an earlier step of what was sent leads on, and begins no second draft.
    assert client.post(address.replace("check", "rim"), {"rim": "deep"})["Location"] == first["Location"]
    assert Opening.objects.count() == 1
    assert not Draft.objects.exists()
    assert Event.objects.filter(verb="trap set").count() == 1


def test_an_answer_left_open_is_named_and_nothing_else_is(client: Client, trap: Trap) -> None:
    for name in CUP:
        page = client.post(at_check(trap).replace("check", name), {name: ""})
        assert page.status_code == 422
        assert title_of(page.content.decode()).startswith("Error: ")
        assert summary_links(page.content.decode()) == [name]
        assert f'id="{name}"' in page.content.decode()


def test_a_wrong_answer_is_refused_in_words_and_kept(client: Client, trap: Trap) -> None:
    for name, wrong in (
        ("mouth_mm", "wide"), ("mouth_mm", "0"), ("mouth_mm", "1001"), ("mouth_mm", "-75"), ("mouth_mm", "7e1"),
        ("mouth_mm", "75 cm"), ("rim", "none"), ("cover", "unknown"), ("liquid", "unknown"), ("liquid", "tea"),
        ("refuge", "<b>moss</b>"), ("settled_h", "49"), ("settled_h", "two days"),
    ):  # fmt: skip
        address = at_check(trap)
        page = client.post(address.replace("check", name), {name: wrong})
        assert page.status_code == 422, wrong
        assert summary_links(page.content.decode()) == [name]
        if name == "mouth_mm":
            assert f'value="{wrong}"' in page.content.decode()
        # The page of all answers says so too, and what is wrong is not sent.
        sent = client.post(address)
        assert sent.status_code == 422
        assert summary_links(sent.content.decode()) == [f"change-{name}"]
    assert not Opening.objects.exists()


def test_a_width_may_be_typed_in_many_ways(client: Client, trap: Trap) -> None:
    for typed in ("75", " 75 ", "75.", "75mm", "75 mm", "75,0"):
        address = at_check(trap)
        client.post(address.replace("check", "mouth_mm"), {"mouth_mm": typed})
        client.post(address)
        opening = Opening.objects.get()
        assert opening.answers["mouth_mm"] == 75.0
        opening.delete()


def test_i_do_not_know_is_an_answer_where_it_may_be_true(client: Client, trap: Trap) -> None:
    address = at_check(trap)
    for name in ("mouth_mm", "rim", "refuge", "settled_h"):
        assert client.post(address.replace("check", name), {name: "unknown"}).status_code == 302
    assert words(client.get(address)).count("I do not know") == 4
    client.post(address)
    assert set(Opening.objects.get().answers) == {"time_precision", "cover", "liquid"}


def test_each_box_of_the_moment_is_read_on_its_own(client: Client, trap: Trap) -> None:
    address = at_check(trap).replace("check", "set")
    for changes, field in (
        ({"set_day": ""}, "set_day"), ({"set_month": "Mayday"}, "set_day"), ({"set_year": "1999"}, "set_year"),
        ({"set_time": "noon"}, "set_time"), ({"set_day": "31", "set_month": "June"}, "set_day"),
    ):  # fmt: skip
        page = client.post(address, {**moment("set", timezone.now() - timedelta(hours=1)), **changes})
        assert page.status_code == 422
        assert summary_links(page.content.decode()) == [field]
        for value in changes.values():
            assert f'value="{value}"' in page.content.decode()


def test_a_moment_that_is_still_to_come_is_refused_and_a_fast_clock_is_not(client: Client, trap: Trap) -> None:
    address = at_check(trap).replace("check", "set")
    late = client.post(address, moment("set", timezone.now() + timedelta(days=1)))
    assert late.status_code == 422
    assert "still to come" in words(late)
    assert client.post(address, moment("set", timezone.now() + timedelta(minutes=5))).status_code == 302


def test_with_two_traps_the_first_question_is_which_one_and_an_open_one_cannot_be_set_again(
    client: Client, trap: Trap
) -> None:
    other = make_trap(site=trap.site, habitat="hedge_base")
    open_trap(other)
    page = client.get(START)
    assert heading(page) == "Which trap do you set?"
    assert "It is open now." in words(page)
    assert str(trap.public_id) in page.content.decode()
    assert f'value="{other.public_id}"' not in page.content.decode()
    page = follow(client, answer(client, page, trap=str(trap.public_id)))
    assert heading(page) == "When did you open the trap?"


def test_a_trap_that_came_by_link_is_not_asked_for(client: Client, trap: Trap) -> None:
    make_trap(site=trap.site, habitat="hedge_base")
    page = client.get(f"{START}?trap={trap.public_id}")
    assert heading(page) == "When did you open the trap?"
    walk_to = walk_to_check(client, follow(client, answer(client, page, now="1")))
    answer(client, walk_to)
    assert Opening.objects.get().trap_id == trap.pk


def test_a_link_to_an_open_trap_leads_to_its_page(client: Client, trap: Trap) -> None:
    opening = open_trap(trap)
    assert client.get(f"{START}?trap={trap.public_id}")["Location"] == f"/my/traps/open/{opening.uuid}/"


def test_the_cup_of_last_time_is_one_tap(client: Client, trap: Trap) -> None:
    other = make_trap(site=trap.site, habitat="hedge_base")
    call_off(
        by=other.site.household.keeper,
        uuid=open_trap(other, mouth_mm=82.5).uuid,
        ending=Ending.CALLED_OFF,
        at=timezone.now(),
    )
    page = follow(client, answer(client, client.get(f"{START}?trap={trap.public_id}"), now="1"))
    assert "Same cup as last time: 82.5 mm" in words(page)  # another trap of the household
    call_off(
        by=trap.site.household.keeper, uuid=open_trap(trap, mouth_mm=70).uuid, ending=Ending.LOST, at=timezone.now()
    )
    page = follow(client, answer(client, client.get(f"{START}?trap={trap.public_id}"), now="1"))
    assert "Same cup as last time: 70 mm" in words(page)  # its own comes first


def test_a_draft_is_found_again_after_the_page_was_closed(client: Client, trap: Trap) -> None:
    page = follow(client, answer(client, client.get(START), now="1"))
    answer(client, page, mouth_mm="77")
    again = client_of(trap)
    page = again.get(START)
    assert "Go on with those answers" in words(page)
    check = again.get(f"{START}{Draft.objects.get().uuid}/check/")
    assert "77 mm" in words(check)
    assert "Some answers are still open" in words(check)


def test_two_tabs_may_answer_the_same_draft_and_the_last_one_wins_by_question(client: Client, trap: Trap) -> None:
    address = at_check(trap)
    other = client_of(trap)
    client.post(address.replace("check", "rim"), {"rim": "deep"})
    other.post(address.replace("check", "cover"), {"cover": "absent"})
    other.post(address.replace("check", "rim"), {"rim": "above"})
    other.post(address)
    assert client.post(address)["Location"].startswith("/my/traps/open/")
    answers = Opening.objects.get().answers
    assert (answers["rim"], answers["cover"]) == ("above", "absent")


def test_changing_one_answer_comes_back_to_all_of_them(client: Client, trap: Trap) -> None:
    address = at_check(trap)
    page = client.get(address.replace("check", "rim") + "?change=1")
    assert answer(client, page, rim="deep")["Location"] == address
    assert "more than 5 mm below the soil" in words(client.get(address))


def test_another_household_finds_neither_draft_nor_setting(client: Client, trap: Trap) -> None:
    address = at_check(trap)
    stranger = client_of(make_trap(site=make_site(household=make_household())))
    for step in ("check", "rim", "set"):
        assert stranger.get(address.replace("check", step)).status_code == 404
        assert stranger.post(address.replace("check", step), {"rim": "deep", "now": "1"}).status_code == 404
    client.post(address)
    opening = Opening.objects.get()
    assert stranger.get(f"/my/traps/open/{opening.uuid}/").status_code == 404
    assert stranger.post(f"/my/traps/open/{opening.uuid}/look", {"look": "dusk"}).status_code == 404
    assert stranger.post(f"/my/traps/open/{opening.uuid}/call-off", {"ending": "lost"}).status_code == 404
    opening.refresh_from_db()
    assert (opening.looked_dusk_at, opening.ended_at) == (None, None)


def test_another_households_trap_cannot_be_set(client: Client, trap: Trap) -> None:
    strange = make_trap(site=make_site(household=make_household()))
    page = client.get(f"{START}?trap={strange.public_id}")
    assert f'value="{strange.public_id}"' not in page.content.decode()
    draft = f"{START}{uuid.uuid4()}/"
    refused = client.post(f"{draft}trap/", {"trap": str(strange.public_id)})
    assert refused.status_code == 422
    client.post(f"{draft}set/", {"now": "1"})
    for name, value in CUP.items():
        client.post(f"{draft}{name}/", {name: value})
    assert client.post(f"{draft}check/").status_code == 422
    assert not Opening.objects.exists()


def test_somebody_who_is_not_signed_in_is_sent_to_sign_in(trap: Trap) -> None:
    opening = open_trap(trap)
    for path in (START, f"{START}{uuid.uuid4()}/rim/", f"/my/traps/open/{opening.uuid}/"):
        assert "/sign-in" in Client().get(path)["Location"]


def test_without_a_trap_the_page_leads_to_the_ground() -> None:
    make_season(year=timezone.now().year)
    client = Client()
    client.force_login(make_household().keeper)
    page = client.get(START)
    assert "/my/sites/" in page.content.decode()
    assert heading(page) == "You have no trap yet"


def test_when_no_season_is_open_nobody_is_asked_to_set_a_trap(client: Client, trap: Trap) -> None:
    address = at_check(trap)
    Season.objects.update(state="closed")
    assert "Do not set a trap today" in words(client.get(START))
    refused = client.post(address)
    assert refused.status_code == 422
    assert "Do not set a trap today" in words(refused)
    assert Draft.objects.count() == 1  # what was answered is kept
    assert not Opening.objects.exists()


def test_a_trap_that_was_opened_meanwhile_is_refused_in_words(client: Client, trap: Trap) -> None:
    address = at_check(trap)
    open_trap(trap)
    refused = client.post(address)
    assert refused.status_code == 422
    assert "This trap is open already" in words(refused)
    assert Opening.objects.count() == 1


def test_a_draft_of_a_trap_that_was_removed_is_gone_without_an_error(client: Client, trap: Trap) -> None:
    address = at_check(trap)
    trap.delete()
    for step in ("check", "rim"):
        assert client.get(address.replace("check", step)).status_code == 404
    assert client.post(address).status_code == 404
    assert client.get(START).status_code == 200


def test_hostile_text_is_refused_in_words_and_shown_as_text(client: Client, trap: Trap) -> None:
    address = at_check(trap)
    for hostile in ("\0", "<script>alert(1)</script>", "' OR 1=1 --", "𝟟𝟝", "٧٥", "\u202e75", "9" * 9000, "\ud800"):
        page = client.post(
            address.replace("check", "mouth_mm"), {"mouth_mm": hostile.encode("utf-8", "replace").decode()}
        )
        assert page.status_code == 422
        assert "<script>alert" not in page.content.decode()
        assert client.get(address).status_code == 200


def test_unknown_steps_and_drafts_are_not_there(client: Client, trap: Trap) -> None:
    address = at_check(trap)
    assert client.get(address.replace("check", "nothing")).status_code == 404
    assert client.post(address.replace("check", "nothing")).status_code == 404
    assert client.get(f"{START}{uuid.uuid4()}/rim/").status_code == 404
    assert client.post(f"{START}{uuid.uuid4()}/check/").status_code == 404
    assert client.get(f"/my/traps/open/{uuid.uuid4()}/").status_code == 404


def test_an_hour_that_the_clocks_left_out_is_refused(client: Client, trap: Trap) -> None:
    """Lisbon's clocks go from 01:00 to 02:00 on the last Sunday of March (tz database, rule EU)."""
    with thawed():
        Season.objects.update(time_zone="Europe/Lisbon")
    address = at_check(trap)
    last = max(
        day for n in range(25, 32) if (day := datetime(timezone.now().year - 1, 3, n, tzinfo=UTC)).weekday() == 6
    )
    spring = {"set_day": f"{last.day}.", "set_month": "März", "set_year": str(last.year), "set_time": "01:30"}
    page = client.post(address.replace("check", "set"), spring)
    assert page.status_code == 422
    assert "clocks went forward" in words(page)
    assert client.post(address.replace("check", "set"), {**spring, "set_time": "02:30"}).status_code == 302
    client.post(address)
    assert Opening.objects.get().set_at == last.replace(hour=1, minute=30)


def test_the_page_of_a_set_trap_says_when_to_look_and_when_to_empty(client: Client, trap: Trap) -> None:
    opening = open_trap(trap, hours=1)
    page = client.get(f"/my/traps/open/{opening.uuid}/")
    empty = opening.set_at + timedelta(hours=24)  # one whole day and night
    assert empty.strftime("%H:%M") in words(page)
    assert "We will write to you" in words(page)
    assert f"/my/traps/empty/?opening={opening.uuid}" in page.content.decode()
    assert "/safety/eastmark/#bigger-animal" in page.content.decode()


@pytest.mark.parametrize(("hour", "first"), [(2, "morning"), (13, "dusk")])
def test_the_sooner_look_comes_first(client: Client, trap: Trap, hour: int, first: str) -> None:
    """A cup that is opened at two in the morning sees its first morning before its first dusk."""
    opening = open_trap(trap, hours=1)
    set_at = (timezone.now() - timedelta(days=2)).replace(hour=hour, minute=0, second=0, microsecond=0)
    Opening.objects.filter(pk=opening.pk).update(set_at=set_at)
    page = client.get(f"/my/traps/open/{opening.uuid}/")
    looks = re.findall(r"Look at it (?:at|in the early) (\w+)", words(page))
    assert words(page).count("Is a mouse, a shrew, a frog or a newt in it? An adult with gloves lays the cup") == 2
    assert looks == sorted(["dusk", "morning"], key=lambda look: look != first)


def test_nobody_is_promised_a_letter_that_cannot_go_out(client: Client, trap: Trap) -> None:
    EmailAddress.objects.update(verified=False)
    page = client.get(f"/my/traps/open/{open_trap(trap, hours=1).uuid}/")
    assert "We will write to you" not in words(page)
    assert "We cannot write to you when it is time." in words(page)
    assert '"/"' in page.content.decode()


def test_a_closed_trap_leads_to_the_newest_return_of_its_chain(client: Client, trap: Trap) -> None:
    opening = open_trap(trap)
    first = send_return(trap, set_at=opening.set_at.isoformat(), emptied_at=timezone.now().isoformat())
    Opening.objects.filter(pk=opening.pk).update(report=first, ended_at=first.emptied_at, ending=Ending.EMPTIED)
    before = first
    for rain in ("light", "heavy"):
        before = send_return(trap, amends=str(before.uuid), rain=rain)
    page = client.get(f"/my/traps/open/{opening.uuid}/").content.decode()
    assert f"/my/returns/{before.uuid}/" in page
    assert str(first.uuid) not in page
    assert client.get(f"/my/traps/empty/?opening={opening.uuid}")["Location"] == f"/my/returns/{before.uuid}/"


def test_a_look_is_one_press_and_its_first_moment_stays(client: Client, trap: Trap) -> None:
    opening = open_trap(trap, hours=24)
    address = f"/my/traps/open/{opening.uuid}/look"
    assert client.post(address, {"look": "dusk"})["Location"] == f"/my/traps/open/{opening.uuid}/"
    opening.refresh_from_db()
    first = opening.looked_dusk_at
    assert first is not None
    assert opening.looked_dawn_at is None
    client.post(address, {"look": "dusk"})
    opening.refresh_from_db()
    assert opening.looked_dusk_at == first
    assert client.get(address).status_code == 405
    assert Event.objects.filter(verb="trap looked at").count() == 1


def test_a_look_is_ticked_from_two_hours_before_it_is_due(trap: Trap) -> None:
    opening = open_trap(trap, hours=1)
    due = due_times(opening)
    for name, moment_due in (("dusk", due.dusk), ("dawn", due.dawn)):
        if moment_due is None:
            continue
        two_hours = moment_due - timedelta(hours=2)
        for now, opens in ((two_hours, None), (two_hours - timedelta(minutes=1), two_hours)):
            found = next(look for look in due_looks(opening, due, now) if look.name == name)
            assert found.opens == opens


def test_a_look_cannot_be_ticked_the_moment_the_trap_is_set(client: Client, trap: Trap) -> None:
    """Dusk and dawn are more than four hours apart at 51 degrees north, so that one of them is far off at any time."""
    opening = open_trap(trap, hours=1)
    due = due_times(opening)
    later, name = max((at, name) for at, name in ((due.dusk, "dusk"), (due.dawn, "dawn")) if at)
    address = f"/my/traps/open/{opening.uuid}/"
    assert f"You can tick this from {later - timedelta(hours=2):%H:%M}." in words(client.get(address))
    assert f'value="{name}"' not in client.get(address).content.decode()
    page = client.post(f"{address}look", {"look": name}, follow=True)
    assert "It is too early for this look." in page.content.decode()
    opening.refresh_from_db()
    assert (opening.looked_dusk_at, opening.looked_dawn_at) == (None, None)
    assert not Letter.objects.filter(dropped_at__isnull=False).exists()


def test_a_trap_may_be_closed_early_and_then_set_again(client: Client, trap: Trap) -> None:
    opening = open_trap(trap, hours=3)
    address = f"/my/traps/open/{opening.uuid}/call-off"
    page = client.get(address)
    assert "Send it as a return" in words(page)
    assert client.post(address, {"ending": ""}).status_code == 422
    assert client.post(address, {"ending": "emptied"}).status_code == 422
    client.post(address, {"ending": "called_off"})
    client.post(address, {"ending": "called_off"})
    opening.refresh_from_db()
    assert opening.ending == "called_off"
    assert Event.objects.filter(verb="trap called off").count() == 1
    page = client.get(f"/my/traps/open/{opening.uuid}/")
    assert heading(page) == "This trap is closed"
    assert "Set this trap again" in words(page)
    assert heading(client.get(f"{START}?trap={trap.public_id}")) == "When did you open the trap?"


def test_a_lost_trap_is_noted_and_may_be_sent_as_a_return_all_the_same(client: Client, trap: Trap) -> None:
    opening = open_trap(trap)
    client.post(f"/my/traps/open/{opening.uuid}/call-off", {"ending": "lost"})
    page = client.get(f"/my/traps/open/{opening.uuid}/")
    assert f"/my/traps/empty/?opening={opening.uuid}" in page.content.decode()
    # Saying something else afterwards changes nothing and says so.
    page = client.post(f"/my/traps/open/{opening.uuid}/call-off", {"ending": "called_off"}, follow=True)
    assert "emptied or closed before" in words(page)
    opening.refresh_from_db()
    assert opening.ending == "lost"


def test_an_overdue_trap_says_so(client: Client, trap: Trap) -> None:
    opening = open_trap(trap, hours=27)
    page = words(client.get(f"/my/traps/open/{opening.uuid}/"))
    assert "Go and empty it now" in page
    assert "I looked" not in page  # a look that is noted now would be none of that night
    assert "We will write to you" not in page


DANGERS = ("preservative", "soap", "beer", "food_bait", "other")  # brief, safety: never any liquid or bait


@pytest.mark.parametrize("liquid", DANGERS)
def test_a_liquid_or_bait_stops_the_way_until_the_cup_is_clean(client: Client, trap: Trap, liquid: str) -> None:
    address = at_check(trap)
    stop = follow(client, client.post(address.replace("check", "liquid"), {"liquid": liquid}))
    assert heading(stop) == "Do not leave this in the garden"
    assert "Put the lid on the cup now and keep children and pets away." in words(stop)
    assert "Pour nothing on the ground or down a drain." in words(client.get(address))
    assert "Write to Test office: office@test.example" in words(stop)
    assert ("Call a vet, or your poison line" in words(stop)) == (liquid == "preservative")
    onward = answer(client, stop, liquid="nothing")  # "The cup is clean and dry now"
    assert heading(follow(client, onward)) == "How long was the cup in the ground before you opened it?"
    assert Draft.objects.get().answers["liquid"] == "nothing"
    assert "Put the lid on" not in words(client.get(address))
    assert client.get(address.replace("check", "liquid-stop"))["Location"] == address.replace("check", "liquid")


@pytest.mark.parametrize("liquid", ["nothing", "standing_water"])
def test_a_dry_cup_or_a_little_rain_stops_nothing(client: Client, trap: Trap, liquid: str) -> None:
    answered = client.post(at_check(trap).replace("check", "liquid"), {"liquid": liquid})
    assert answered["Location"].endswith("/settled_h/")


def test_a_trap_that_was_taken_out_for_its_liquid_leaves_no_draft(client: Client, trap: Trap) -> None:
    address = at_check(trap)
    stop = follow(client, client.post(address.replace("check", "liquid"), {"liquid": "preservative"}))
    action = forms(stop.content.decode())[1][0]
    assert client.post(action, {"out": "1"})["Location"] == "/my/sites/"
    assert not Draft.objects.exists()
    assert client.post(action, {"out": "1"}).status_code == 404


def test_a_slip_leads_back_to_the_question_and_a_change_back_to_all_answers(client: Client, trap: Trap) -> None:
    address = at_check(trap)
    stop = follow(client, client.post(address.replace("check", "liquid") + "?change=1", {"liquid": "soap"}))
    assert f'href="{address.replace("check", "liquid")}?change=1"' in stop.content.decode()
    assert answer(client, stop, liquid="nothing")["Location"] == address


def test_a_trap_that_is_set_with_a_liquid_says_so_and_is_closed_at_one_press(client: Client, trap: Trap) -> None:
    assert "Put the lid on" not in words(client.get(f"/my/traps/open/{open_trap(trap).uuid}/"))
    Opening.objects.all().delete()
    opening = open_trap(trap, liquid="preservative")
    page = client.get(f"/my/traps/open/{opening.uuid}/")
    assert "Antifreeze can kill a cat or a dog from one lick." in words(page)
    answer(client, page, ending="called_off")  # "I have taken the trap out"
    opening.refresh_from_db()
    assert opening.ending == "called_off"
