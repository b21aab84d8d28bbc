"""Settings of traps: one at a time, the same one once, and ended by what ended them."""

from __future__ import annotations

import threading
import uuid
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

import pytest
from django.db import connection
from django.utils import timezone

from surveys.errors import Conflict, Faulty, NotFound
from surveys.models import Draft, Letter, Opening, Return, Trap
from surveys.queries.openings import due_times, is_dark, set_with_last_time
from surveys.services.drafts import MOST_ANSWERS, drop_draft, keep_answers
from surveys.services.intake import receive_return, receive_returns
from surveys.services.openings import SentOpening, call_off, note_look, set_trap
from surveys.services.sent_returns import SentReturn
from surveys.vocabulary import DraftKind, Ending
from tests.factories import make_account, make_season, make_trap

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def trap() -> Trap:
    make_season(year=timezone.now().year)
    return make_trap()


def sent(trap: Trap, /, **changes: Any) -> SentOpening:
    at = timezone.now().replace(microsecond=0) - timedelta(hours=24)
    found = SentOpening(uuid.uuid4(), trap.public_id, at, {"mouth_mm": 75.0, "rim": "flush", "liquid": "nothing"})
    return replace(found, **changes)


def returned(trap: Trap, /, **changes: Any) -> SentReturn:
    now = timezone.now().replace(microsecond=0)
    found = SentReturn(uuid.uuid4(), trap.public_id, now - timedelta(hours=24), now, "short_lawn", ())
    return replace(found, **changes)


def test_the_same_setting_sent_again_changes_nothing(trap: Trap) -> None:
    keeper, one = trap.site.household.keeper, sent(trap)
    first = set_trap(by=keeper, sent=one)
    letters = Letter.objects.count()
    assert set_trap(by=keeper, sent=one).pk == first.pk
    assert Letter.objects.count() == letters
    call_off(by=keeper, uuid=one.uuid, ending=Ending.CALLED_OFF, at=timezone.now())
    assert set_trap(by=keeper, sent=one).ending == "called_off"  # sent late, it does not open again


def test_another_setting_under_the_same_id_and_a_second_open_one_are_refused(trap: Trap) -> None:
    keeper, one = trap.site.household.keeper, sent(trap)
    set_trap(by=keeper, sent=one)
    with pytest.raises(Conflict) as other:
        set_trap(by=keeper, sent=replace(one, fields={"rim": "deep"}))
    with pytest.raises(Conflict) as second:
        set_trap(by=keeper, sent=sent(trap))
    stranger = make_trap()
    with pytest.raises(Conflict) as strange:
        set_trap(by=stranger.site.household.keeper, sent=replace(one, trap=stranger.public_id))
    assert [one.value.code for one in (other, second, strange)] == ["other_content", "already_open", "other_content"]


@pytest.mark.parametrize(
    ("fields", "name"),
    [
        ({"rim": "none"}, "rim"), ({"mouth_mm": 1001}, "mouth_mm"), ({"mouth_mm": "75"}, "mouth_mm"),
        ({"mouth_mm": True}, "mouth_mm"), ({"trap_state": "intact"}, "trap_state"), ({"colour": ["clear"]}, "colour"),
        ({"id": 1}, "id"), ({"mouth_mm": float("nan")}, "mouth_mm"),
    ],
)  # fmt: skip
def test_a_field_that_no_return_could_hold_is_refused(trap: Trap, fields: dict[str, Any], name: str) -> None:
    with pytest.raises(Faulty) as refused:
        set_trap(by=trap.site.household.keeper, sent=sent(trap, fields=fields))
    assert [fault.pointer for fault in refused.value.faults] == [f"/fields/{name}"]


def test_every_fault_of_a_setting_is_listed_at_once(trap: Trap) -> None:
    wrong = sent(trap, trap=uuid.uuid4(), set_at=timezone.now() + timedelta(hours=1), fields={"rim": "none"})
    with pytest.raises(Faulty) as refused:
        set_trap(by=trap.site.household.keeper, sent=wrong)
    assert [fault.code for fault in refused.value.faults] == ["unknown_trap", "in_the_future", "unknown_value"]


def test_only_the_keeper_may_touch_a_setting(trap: Trap) -> None:
    one = set_trap(by=trap.site.household.keeper, sent=sent(trap))
    for touch in (
        lambda: note_look(by=make_account(), uuid=one.uuid, look="dusk", at=timezone.now()),
        lambda: call_off(by=make_account(), uuid=one.uuid, ending=Ending.LOST, at=timezone.now()),
    ):
        with pytest.raises(NotFound):
            touch()
    with pytest.raises(Faulty):
        set_trap(by=make_account(), sent=sent(trap))


@pytest.mark.parametrize("look", ["dusk", "dawn"])
def test_a_look_counts_from_two_hours_before_its_time(trap: Trap, look: Literal["dusk", "dawn"]) -> None:
    noon = (timezone.now() - timedelta(days=2)).replace(hour=13, minute=0, second=0, microsecond=0)
    keeper = trap.site.household.keeper
    one = set_trap(by=keeper, sent=sent(trap, set_at=noon))
    due = getattr(due_times(one), look)
    with pytest.raises(Faulty) as refused:
        note_look(by=keeper, uuid=one.uuid, look=look, at=due - timedelta(hours=2, minutes=1))
    assert refused.value.code == "too_early"
    assert f"{due - timedelta(hours=2):%H:%M}" in refused.value.sentence
    note_look(by=keeper, uuid=one.uuid, look=look, at=due - timedelta(hours=2))


def test_looks_are_refused_outside_the_setting_and_for_unknown_words(trap: Trap) -> None:
    keeper = trap.site.household.keeper
    one = set_trap(by=keeper, sent=sent(trap))
    for at in (one.set_at - timedelta(hours=1), timezone.now() + timedelta(hours=1)):
        with pytest.raises(Faulty):
            note_look(by=keeper, uuid=one.uuid, look="dusk", at=at)
        with pytest.raises(Faulty):
            call_off(by=keeper, uuid=one.uuid, ending=Ending.LOST, at=at)
    with pytest.raises(Faulty):
        note_look(by=keeper, uuid=one.uuid, look="noon", at=timezone.now())  # type: ignore[arg-type]
    with pytest.raises(Faulty):
        call_off(by=keeper, uuid=one.uuid, ending=Ending.EMPTIED, at=timezone.now())
    call_off(by=keeper, uuid=one.uuid, ending=Ending.LOST, at=timezone.now())
    with pytest.raises(Conflict):
        note_look(by=keeper, uuid=one.uuid, look="dawn", at=timezone.now())
    with pytest.raises(Conflict):
        call_off(by=keeper, uuid=one.uuid, ending=Ending.CALLED_OFF, at=timezone.now())


def test_a_return_ends_the_setting_it_names_and_its_letters(trap: Trap) -> None:
    keeper = trap.site.household.keeper
    one = set_trap(by=keeper, sent=sent(trap))
    assert Letter.objects.filter(opening=one, dropped_at=None).exists()
    report = returned(trap)
    receive_return(by=keeper, sent=report, opening=one.uuid)
    receive_return(by=keeper, sent=report, opening=one.uuid)
    one.refresh_from_db()
    assert (one.ending, one.ended_at) == ("emptied", report.emptied_at)
    assert one.report == Return.objects.get()
    assert not Letter.objects.filter(opening=one, sent_at=None, dropped_at=None).exists()
    set_trap(by=keeper, sent=sent(trap))  # it may be set again


def test_a_return_that_names_no_setting_ends_the_open_one_of_its_trap_alone(trap: Trap) -> None:
    keeper = trap.site.household.keeper
    near = make_trap(site=trap.site, habitat="hedge_base")
    one, other = set_trap(by=keeper, sent=sent(trap)), set_trap(by=keeper, sent=sent(near))
    receive_returns(by=keeper, sent=[returned(trap)])
    one.refresh_from_db()
    other.refresh_from_db()
    assert (one.ending, other.ending) == ("emptied", None)


def test_a_return_about_an_earlier_night_leaves_the_open_setting_open(trap: Trap) -> None:
    keeper = trap.site.household.keeper
    one = set_trap(by=keeper, sent=sent(trap))
    before = one.set_at - timedelta(hours=1)
    receive_return(by=keeper, sent=returned(trap, set_at=before - timedelta(hours=24), emptied_at=before))
    one.refresh_from_db()
    assert (one.ending, one.report) == (None, None)


def test_a_return_is_never_turned_away_for_its_setting(trap: Trap) -> None:
    keeper = trap.site.household.keeper
    strange = make_trap()
    foreign = set_trap(by=strange.site.household.keeper, sent=sent(strange))
    receive_return(by=keeper, sent=returned(trap), opening=foreign.uuid)
    receive_return(by=keeper, sent=returned(trap), opening=uuid.uuid4())
    foreign.refresh_from_db()
    assert (foreign.ending, foreign.report) == (None, None)
    assert Return.objects.count() == 2


def test_the_return_of_a_lost_trap_ends_its_setting_as_lost(trap: Trap) -> None:
    keeper = trap.site.household.keeper
    one = set_trap(by=keeper, sent=sent(trap))
    receive_return(by=keeper, sent=returned(trap, fields={"trap_state": "kicked"}), opening=one.uuid)
    one.refresh_from_db()
    assert one.ending == "lost"


def test_ten_phones_that_set_a_trap_at_once_make_one_setting(trap: Trap) -> None:
    keeper, one = trap.site.household.keeper, sent(trap)
    codes: list[str] = []

    def try_to_set(uuid_: uuid.UUID) -> None:
        try:
            set_trap(by=keeper, sent=replace(one, uuid=uuid_))
            codes.append("set")
        except Conflict as refusal:
            codes.append(refusal.code)
        finally:
            connection.close()

    threads = [threading.Thread(target=try_to_set, args=[one.uuid if n % 2 else uuid.uuid4()]) for n in range(10)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert Opening.objects.count() == 1
    assert len(codes) == 10
    assert set(codes) <= {"set", "already_open"}


def test_a_draft_keeps_other_answers_and_belongs_to_one_account(trap: Trap) -> None:
    keeper, number = trap.site.household.keeper, uuid.uuid4()
    keep_answers(by=keeper, uuid=number, kind=DraftKind.SET, answers={"trap": str(trap.public_id), "rim": "deep"})
    draft = keep_answers(by=keeper, uuid=number, kind=DraftKind.SET, answers={"rim": "flush\0"})
    assert draft.answers == {"trap": str(trap.public_id), "rim": "flush"}
    assert draft.trap == trap
    with pytest.raises(NotFound):
        keep_answers(by=make_account(), uuid=number, kind=DraftKind.SET, answers={"rim": "above"})
    with pytest.raises(NotFound):
        keep_answers(by=keeper, uuid=number, kind=DraftKind.EMPTY, answers={"rim": "above"})
    with pytest.raises(Faulty):
        keep_answers(by=keeper, uuid=number, kind=DraftKind.SET, answers={str(n): "" for n in range(MOST_ANSWERS + 1)})
    drop_draft(by=make_account(), uuid=number)
    assert Draft.objects.get().answers["rim"] == "flush"
    drop_draft(by=keeper, uuid=number)
    drop_draft(by=keeper, uuid=number)
    assert not Draft.objects.exists()


def test_last_time_is_that_of_the_trap_before_that_of_its_household_and_of_nobody_else(trap: Trap) -> None:
    keeper = trap.site.household.keeper
    near = make_trap(site=trap.site, habitat="hedge_base")
    assert set_with_last_time(keeper, trap.public_id) == {}
    receive_return(by=keeper, sent=returned(near, fields={"mouth_mm": 82.0}))
    assert set_with_last_time(keeper, trap.public_id) == {"mouth_mm": 82.0}
    set_trap(by=keeper, sent=sent(trap, fields={"mouth_mm": 70.0}))
    assert set_with_last_time(keeper, trap.public_id) == {"mouth_mm": 70.0}
    assert set_with_last_time(make_account(), trap.public_id) == {}
    assert set_with_last_time(make_trap().site.household.keeper, trap.public_id) == {}


def test_due_times_follow_the_sun_and_night_is_dark(trap: Trap) -> None:
    """At 51.5 N, 17.5 W on 21 June 2026 the sun sets at 21:31 and rises at 04:53 UTC (NOAA calculator's equations,
    worked by hand from London's 20:21 and 03:43 UTC: 17.5 degrees further west is 70 minutes later)."""
    opening = Opening(trap=trap, set_at=datetime(2026, 6, 21, 17, tzinfo=UTC))
    due = due_times(opening)
    assert due.dusk is not None
    assert abs(due.dusk - datetime(2026, 6, 21, 21, 31, tzinfo=UTC)) < timedelta(minutes=4)
    assert due.empty == datetime(2026, 6, 22, 17, tzinfo=UTC)
    assert [is_dark(opening, datetime(2026, 6, 22, hour, tzinfo=UTC)) for hour in (0, 4, 6, 12, 20, 23)] == [
        True, True, False, False, False, True,
    ]  # fmt: skip
