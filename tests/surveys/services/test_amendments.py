"""Amendments: a new return takes the place of the old one, in every state, once, whole or not at all."""

from __future__ import annotations

import threading
import uuid
from datetime import UTC, date, datetime
from typing import Any

import pytest
from django.db import connection, transaction

from surveys.errors import Conflict, Faulty, NotFound, Refusal, Stale
from surveys.methods.records import Answer
from surveys.models import Account, Event, Query, Return, Season, Trap
from surveys.queries.returns import own_return
from surveys.queries.review import queue
from surveys.queries.season_returns import read_season
from surveys.queries.seasons import lists_of
from surveys.services.intake import Receipt, receive_return, withdraw_return
from surveys.services.night import ask_for_night, run_night
from surveys.services.review import give_verdict
from surveys.services.screening import screen_received
from surveys.services.sent_returns import SentAnswer, SentReturn
from surveys.vocabulary import AnswerKind, Decision, ReturnState, VerdictReason
from tests.factories import make_account, make_coordinator, make_season, make_trap, return_payload

pytestmark = pytest.mark.django_db(transaction=True)

REASONS = {
    Decision.UPHELD: VerdictReason.SENDER_CONFIRMED,
    Decision.CORRECTED: VerdictReason.COUNT_SLIP,
    Decision.DISCOUNTED: VerdictReason.NOT_EXPLAINED,
}


def sent_about(trap: Trap, *, woodlice: int = 3, **fields: Any) -> SentReturn:
    """Return a return to protocol about one night of a trap."""
    plain = return_payload(trap, water_mm=None)
    known = {name: value for name, value in plain.items() if name not in ("id", "trap", "catch", "habitat")}
    known |= fields
    del known["set_at"], known["emptied_at"]
    answers = (
        SentAnswer("woodlice", AnswerKind.NUMBER, count=woodlice),
        SentAnswer("spiders", AnswerKind.NUMBER, count=2),
        SentAnswer("millipedes", AnswerKind.NONE_SEEN),
    )
    return SentReturn(
        uuid.uuid4(), trap.public_id, datetime(2026, 5, 2, 17, tzinfo=UTC), datetime(2026, 5, 3, 17, tzinfo=UTC),
        trap.habitat.code, answers, known,
    )  # fmt: skip


def receive(by: Account, sent: SentReturn, amends: uuid.UUID | None = None) -> Return:
    receipt = receive_return(by=by, sent=sent, amends=amends)
    assert isinstance(receipt, Receipt)
    assert receipt.report is not None
    return receipt.report


@pytest.fixture
def season() -> Season:
    return make_season()


@pytest.fixture
def trap(season: Season) -> Trap:
    return make_trap()


@pytest.fixture
def keeper(trap: Trap) -> Account:
    return trap.site.household.keeper


def in_state(state: str, trap: Trap, keeper: Account) -> Return:
    """Return a return that has come into a state through the services."""
    odd = state in ("queried", "upheld", "corrected", "discounted")
    report = receive(keeper, sent_about(trap, liquid="soap" if odd else "nothing"))
    if state != "received":
        screen_received(most=10)
        report.refresh_from_db()
    if state in Decision.values():
        decision = Decision(state)
        answers = []
        if decision == Decision.CORRECTED:
            answers = [Answer("woodlice", AnswerKind.NUMBER, 1, 1)]
        give_verdict(
            by=make_coordinator(), uuid=report.uuid, version=report.version, decision=decision,
            reason=REASONS[decision], answers=answers,
        )  # fmt: skip
        report.refresh_from_db()
    assert report.state == state
    return report


@pytest.mark.parametrize("state", ["received", "standing", "queried", "upheld", "corrected", "discounted"])
def test_a_return_in_any_state_but_withdrawn_can_be_amended(state: str, trap: Trap, keeper: Account) -> None:
    old = in_state(state, trap, keeper)
    new = receive(keeper, sent_about(trap, woodlice=4), old.uuid)
    version = old.version
    old.refresh_from_db()
    assert (old.state, old.version, new.amends_id) == ("withdrawn", version + 1, old.pk)
    assert new.state == "received", "it is screened as any other"
    assert Return.objects.count() == 2
    event = Event.objects.order_by("-id").first()
    assert event is not None
    assert (event.verb, event.subject_id) == ("return amended", new.pk)
    assert event.details == {"answers": 3, "amends": old.pk, "was": state}
    screen_received(most=10)
    new.refresh_from_db()
    assert new.state == "standing", "what it amends is no earlier sending of the same night"


def test_what_was_queried_leaves_the_queue_and_its_reasons_stay_on_record(trap: Trap, keeper: Account) -> None:
    old = in_state("queried", trap, keeper)
    coordinator = make_coordinator()
    assert queue(coordinator).count() == 1
    receive(keeper, sent_about(trap), old.uuid)
    assert queue(coordinator).count() == 0
    assert Query.objects.filter(report=old).exists()


def test_without_an_amendment_the_same_night_sent_twice_is_queried(trap: Trap, keeper: Account) -> None:
    """The control: it is the taking back that keeps the reason "sent twice" away."""
    receive(keeper, sent_about(trap))
    again = receive(keeper, sent_about(trap))
    screen_received(most=10)
    again.refresh_from_db()
    assert again.state == "queried"
    assert again.queries.filter(reason="sent_twice").exists()


def test_an_amendment_goes_through_the_protocol_check_and_screening_as_any(trap: Trap, keeper: Account) -> None:
    old = in_state("standing", trap, keeper)
    new = receive(keeper, sent_about(trap, liquid="soap"), old.uuid)
    screen_received(most=10)
    new.refresh_from_db()
    assert (new.state, new.standing) == ("queried", "off_protocol")


def test_a_withdrawn_return_is_not_amended(trap: Trap, keeper: Account) -> None:
    old = in_state("received", trap, keeper)
    withdraw_return(by=keeper, uuid=old.uuid)
    with pytest.raises(Conflict) as refusal:
        receive_return(by=keeper, sent=sent_about(trap), amends=old.uuid)
    assert refusal.value.code == "withdrawn"
    assert Return.objects.count() == 1


def test_a_second_amendment_of_the_same_return_is_refused_and_the_newer_one_can_be_amended(
    trap: Trap, keeper: Account
) -> None:
    first = in_state("standing", trap, keeper)
    second = receive(keeper, sent_about(trap, woodlice=4), first.uuid)
    with pytest.raises(Conflict) as refusal:
        receive_return(by=keeper, sent=sent_about(trap, woodlice=5), amends=first.uuid)
    assert refusal.value.code == "amended_before"
    third = receive(keeper, sent_about(trap, woodlice=6), second.uuid)
    states = list(Return.objects.order_by("id").values_list("state", flat=True))
    assert states == ["withdrawn", "withdrawn", "received"]
    assert own_return(keeper, third.uuid).amends.uuid == second.uuid
    assert own_return(keeper, first.uuid).amended_by.uuid == second.uuid


def test_the_same_amendment_sent_twice_makes_one_return(trap: Trap, keeper: Account) -> None:
    old = in_state("standing", trap, keeper)
    sent = sent_about(trap, woodlice=4)
    first = receive(keeper, sent, old.uuid)
    second = receive_return(by=keeper, sent=sent, amends=old.uuid)
    assert isinstance(second, Receipt)
    assert (second.created, second.report) == (False, first)
    assert Return.objects.count() == 2
    assert Event.objects.filter(verb="return amended").count() == 1


def test_another_content_under_the_same_id_is_refused(trap: Trap, keeper: Account) -> None:
    old = in_state("standing", trap, keeper)
    sent = sent_about(trap, woodlice=4)
    receive(keeper, sent, old.uuid)
    other = SentReturn(**{**{name: getattr(sent, name) for name in SentReturn.__slots__}, "answers": sent.answers[:1]})
    with pytest.raises(Conflict):
        receive_return(by=keeper, sent=other, amends=old.uuid)


def test_the_id_of_a_return_that_stands_for_itself_amends_nothing(trap: Trap, keeper: Account) -> None:
    """Its own id included: nothing is taken back by a form that was sent with the id of the old return."""
    sent = sent_about(trap)
    old = receive(keeper, sent)
    other = receive(keeper, sent_about(make_trap(site=trap.site)))
    for named in (old.uuid, other.uuid):
        with pytest.raises(Conflict):
            receive_return(by=keeper, sent=sent, amends=named)
    assert set(Return.objects.values_list("state", flat=True)) == {"received"}


def test_only_the_sender_may_amend(trap: Trap, keeper: Account) -> None:
    old = in_state("standing", trap, keeper)
    stranger = make_trap()
    for by, named in ((stranger.site.household.keeper, old.uuid), (make_account(), old.uuid), (keeper, uuid.uuid4())):
        with pytest.raises(NotFound):
            receive_return(by=by, sent=sent_about(stranger), amends=named)
    old.refresh_from_db()
    assert old.state == "standing"


def test_a_faulty_amendment_takes_nothing_back(trap: Trap, keeper: Account) -> None:
    old = in_state("standing", trap, keeper)
    sent = sent_about(make_trap())  # somebody else's trap
    with pytest.raises(Faulty):
        receive_return(by=keeper, sent=sent, amends=old.uuid)
    old.refresh_from_db()
    assert old.state == "standing"
    assert Event.objects.filter(verb="return amended").count() == 0


def test_a_closed_season_takes_no_amendment(season: Season, trap: Trap, keeper: Account) -> None:
    old = in_state("standing", trap, keeper)
    Season.objects.update(state="closed")
    with pytest.raises(Refusal):
        receive_return(by=keeper, sent=sent_about(trap), amends=old.uuid)
    old.refresh_from_db()
    assert old.state == "standing"


def test_two_amendments_at_the_same_moment_leave_one(trap: Trap, keeper: Account) -> None:
    old = in_state("standing", trap, keeper)
    gate = threading.Barrier(2)
    refused: list[Refusal] = []

    def amend(woodlice: int) -> None:
        try:
            gate.wait()
            receive_return(by=keeper, sent=sent_about(trap, woodlice=woodlice), amends=old.uuid)
        except Refusal as refusal:
            refused.append(refusal)
        finally:
            connection.close()

    runs = [threading.Thread(target=amend, args=(n,)) for n in (4, 5)]
    for run in runs:
        run.start()
    for run in runs:
        run.join()
    assert [one.code for one in refused] == ["amended_before"]
    assert Return.objects.filter(amends=old).count() == 1


def test_a_night_counts_the_new_return_and_not_the_old_one(season: Season, trap: Trap, keeper: Account) -> None:
    old = in_state("standing", trap, keeper)
    new = receive(keeper, sent_about(trap, woodlice=7), old.uuid)
    run = run_night(job_id=ask_for_night(season=season, night=date(2026, 5, 9))[0].pk)
    assert run is not None
    assert (run.counts["returns"], run.counts["in_indices"]) == (1, 1)
    frame, _, number = read_season(lists_of(season))
    assert number == 1
    assert frame.report.tolist() == [new.pk]
    woodlice = [group.code for group in lists_of(season).groups].index("woodlice")
    assert frame.low[woodlice].tolist() == [7]


def test_a_withdrawal_names_the_version_that_was_read(trap: Trap, keeper: Account) -> None:
    report = in_state("standing", trap, keeper)
    with pytest.raises(Stale):
        withdraw_return(by=keeper, uuid=report.uuid, version=report.version - 1)
    report.refresh_from_db()
    assert report.state == "standing"
    assert withdraw_return(by=keeper, uuid=report.uuid, version=report.version).state == ReturnState.WITHDRAWN


def test_a_return_that_moves_while_it_is_taken_back_is_not_taken_back_unseen(trap: Trap, keeper: Account) -> None:
    """The version is compared when the row is held: a verdict given in between is not overrun."""
    report = in_state("queried", trap, keeper)
    found: list[Refusal] = []

    def take_back() -> None:
        try:
            withdraw_return(by=keeper, uuid=report.uuid, version=report.version)
        except Refusal as refusal:
            found.append(refusal)
        finally:
            connection.close()

    other = threading.Thread(target=take_back)
    with transaction.atomic():
        held = Return.objects.select_for_update().get(pk=report.pk)
        other.start()
        wait_until_somebody_waits()
        held.version += 1
        held.save(update_fields=["version"])
    other.join()
    assert [type(one) for one in found] == [Stale]
    report.refresh_from_db()
    assert report.state == "queried"


def wait_until_somebody_waits() -> None:
    """Return once another connection waits for a lock that this one holds."""
    with connection.cursor() as cursor:
        for _ in range(1000):
            cursor.execute(
                "SELECT count(*) FROM pg_locks WHERE NOT granted AND pg_backend_pid() = ANY(pg_blocking_pids(pid))"
            )
            if cursor.fetchone()[0]:
                return
            threading.Event().wait(0.01)
    raise AssertionError("Nobody waited for the row.")
