"""Questions to a household: one at a time, answered once, by the right people only, with a letter that says nothing."""

from __future__ import annotations

import threading
import uuid

import pytest
from django.db import connection

from surveys.errors import Conflict, Faulty, NotFound, Refusal
from surveys.models import Account, Event, Letter, Question, Return
from surveys.services.intake import withdraw_return
from surveys.services.questions import answer_question, ask_household
from surveys.services.review import give_verdict
from surveys.services.screening import screen_received
from surveys.vocabulary import Decision, LetterKind, VerdictReason
from tests.factories import ApiClient, make_account, make_coordinator, make_season, make_trap, return_payload, stored

pytestmark = pytest.mark.django_db(transaction=True)


def waiting_return() -> Return:
    trap = make_trap()
    payload = return_payload(trap, liquid="soap")
    assert ApiClient(trap.site.household.keeper).send("returns", payload).status_code == 201
    screen_received(most=10)
    report = stored(payload)
    assert report.state == "queried"
    return report


@pytest.fixture
def report() -> Return:
    make_season()
    return waiting_return()


@pytest.fixture
def coordinator(report: Return) -> Account:
    return make_coordinator("eastmark")


@pytest.fixture
def keeper(report: Return) -> Account:
    return report.trap.site.household.keeper


def test_a_question_is_kept_the_return_still_waits_and_a_letter_is_written(
    report: Return, coordinator: Account, keeper: Account
) -> None:
    question = ask_household(by=coordinator, uuid=report.uuid, text="Was it one trap?")
    report.refresh_from_db()
    assert (report.state, question.text, question.by) == ("queried", "Was it one trap?", coordinator)
    letter = Letter.objects.get()
    assert (letter.account, letter.kind, letter.key) == (keeper, LetterKind.QUESTION, f"question/{question.pk}")
    assert letter.context == {"path": f"/my/returns/{report.uuid}/"}, "what was asked is not in the mail"
    assert Event.objects.filter(verb="household asked", subject_id=report.pk).count() == 1


def test_one_question_waits_at_a_time_and_the_same_one_asked_twice_is_one(
    report: Return, coordinator: Account, keeper: Account
) -> None:
    first = ask_household(by=coordinator, uuid=report.uuid, text="Was it one trap?")
    assert ask_household(by=coordinator, uuid=report.uuid, text=" Was it one trap? ") == first
    with pytest.raises(Conflict) as refusal:
        ask_household(by=coordinator, uuid=report.uuid, text="Or two?")
    assert refusal.value.code == "question_open"
    assert Letter.objects.count() == 1
    answer_question(by=keeper, uuid=report.uuid, question=first.pk, text="One.")
    ask_household(by=coordinator, uuid=report.uuid, text="Or two?")
    assert Letter.objects.count() == 2


def test_two_coordinators_at_the_same_moment_ask_one_question(report: Return, coordinator: Account) -> None:
    other = make_coordinator()
    gate, refused = threading.Barrier(2), []

    def ask(by: Account) -> None:
        try:
            gate.wait()
            ask_household(by=by, uuid=report.uuid, text=f"Asked by {by.pk}?")
        except Refusal as refusal:
            refused.append(refusal.code)
        finally:
            connection.close()

    runs = [threading.Thread(target=ask, args=(one,)) for one in (coordinator, other)]
    for run in runs:
        run.start()
    for run in runs:
        run.join()
    assert refused == ["question_open"]
    assert Question.objects.count() == 1


def test_only_a_coordinator_of_the_region_asks(report: Return, keeper: Account) -> None:
    for by in (keeper, make_account(), make_coordinator("westmark")):
        with pytest.raises(NotFound):
            ask_household(by=by, uuid=report.uuid, text="Was it one trap?")
    with pytest.raises(NotFound):
        ask_household(by=make_coordinator(), uuid=uuid.uuid4(), text="Was it one trap?")


def test_only_the_household_that_sent_it_answers(report: Return, coordinator: Account) -> None:
    question = ask_household(by=coordinator, uuid=report.uuid, text="Was it one trap?")
    other = waiting_return()
    for by, named in (
        (make_account(), report.uuid),
        (coordinator, report.uuid),
        (other.trap.site.household.keeper, report.uuid),
        (other.trap.site.household.keeper, other.uuid),  # a question about another return
    ):
        with pytest.raises(NotFound):
            answer_question(by=by, uuid=named, question=question.pk, text="Yes.")
    question.refresh_from_db()
    assert question.answered_at is None


def test_an_answer_is_given_once_and_a_second_tap_does_no_harm(
    report: Return, coordinator: Account, keeper: Account
) -> None:
    question = ask_household(by=coordinator, uuid=report.uuid, text="Was it one trap?")
    first = answer_question(by=keeper, uuid=report.uuid, question=question.pk, text="Yes, one.")
    again = answer_question(by=keeper, uuid=report.uuid, question=question.pk, text="Yes, one.\r\n")
    assert (first.answered_at, again.answer) == (again.answered_at, "Yes, one.")
    with pytest.raises(Conflict) as refusal:
        answer_question(by=keeper, uuid=report.uuid, question=question.pk, text="No, two.")
    assert refusal.value.code == "answered_once"
    report.refresh_from_db()
    assert report.state == "queried"
    assert Event.objects.filter(verb="question answered").count() == 1


@pytest.mark.parametrize("text", ["", "   \n ", "\0", "\u200b"])
def test_an_empty_text_is_neither_asked_nor_answered(
    report: Return, coordinator: Account, keeper: Account, text: str
) -> None:
    with pytest.raises(Faulty) as refusal:
        ask_household(by=coordinator, uuid=report.uuid, text=text)
    assert [one.pointer for one in refusal.value.faults] == ["/text"]
    question = ask_household(by=coordinator, uuid=report.uuid, text="Was it one trap?")
    with pytest.raises(Faulty) as refusal:
        answer_question(by=keeper, uuid=report.uuid, question=question.pk, text=text)
    assert [one.pointer for one in refusal.value.faults] == ["/answer"]


def test_a_text_of_500_letters_is_taken_and_one_of_501_is_not(report: Return, coordinator: Account) -> None:
    with pytest.raises(Faulty, match="too long to send"):
        ask_household(by=coordinator, uuid=report.uuid, text="x" * 501)
    assert ask_household(by=coordinator, uuid=report.uuid, text="x" * 500).text == "x" * 500


def test_signs_that_no_page_can_show_are_left_out(report: Return, coordinator: Account) -> None:
    text = ask_household(by=coordinator, uuid=report.uuid, text="one\0\x07 trap\r\nor two \u202e?").text
    assert text == "one trap\nor two ?"


@pytest.mark.parametrize("how", ["decided", "withdrawn"])
def test_a_return_that_no_longer_waits_is_not_asked_about(
    report: Return, coordinator: Account, keeper: Account, how: str
) -> None:
    question = ask_household(by=coordinator, uuid=report.uuid, text="Was it one trap?")
    if how == "withdrawn":
        withdraw_return(by=keeper, uuid=report.uuid)
        with pytest.raises(Conflict) as refusal:
            answer_question(by=keeper, uuid=report.uuid, question=question.pk, text="Yes.")
        assert refusal.value.code == "withdrawn"
    else:
        give_verdict(
            by=coordinator, uuid=report.uuid, version=report.version, decision=Decision.UPHELD,
            reason=VerdictReason.SENDER_CONFIRMED,
        )  # fmt: skip
        answer_question(by=keeper, uuid=report.uuid, question=question.pk, text="Yes.")  # late, and still welcome
        with pytest.raises(Conflict) as refusal:
            ask_household(by=coordinator, uuid=report.uuid, text="And the lid?")
        assert refusal.value.code == "not_queried"


def test_nobody_is_asked_where_the_household_is_gone(report: Return, coordinator: Account) -> None:
    household = report.trap.site.household
    household.keeper = None
    household.save()
    with pytest.raises(Conflict) as refusal:
        ask_household(by=coordinator, uuid=report.uuid, text="Was it one trap?")
    assert refusal.value.code == "nobody_to_ask"
