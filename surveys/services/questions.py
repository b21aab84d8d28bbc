"""Questions about a return: a coordinator asks the household once at a time, and the household answers once."""

from __future__ import annotations

from uuid import UUID

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from surveys.errors import Conflict, Fault, Faulty, NotFound
from surveys.models import Account, Question, Return
from surveys.permissions import returns_in_care_of, returns_of
from surveys.services.events import write_event
from surveys.services.letters import write_letter
from surveys.services.plain_text import plain_text
from surveys.vocabulary import LetterKind, ReturnState

#: Letters of a question and of an answer, as the table holds them.
MOST_LETTERS = 500


def ask_household(*, by: Account, uuid: UUID, text: str) -> Question:
    """Ask the household about a queried return of one's own regions; the return stays queried.

    One question waits at a time; the same one asked again changes nothing. Raises :class:`Faulty` for a text that is
    empty or too long, :class:`Conflict` where nothing can be asked.
    """
    text = _checked(text, "text")
    with transaction.atomic(durable=True):
        report = returns_in_care_of(by).select_for_update(no_key=True, of=("self",)).filter(uuid=uuid).first()
        if report is None:
            raise NotFound("There is no return with this id in your regions.")
        waiting = report.questions.filter(answered_at__isnull=True).first()
        if waiting is not None:
            if waiting.by_id == by.pk and waiting.text == text:
                return waiting
            raise Conflict(
                gettext("A question about this return waits for its answer. Ask the next one when that is in."),
                code="question_open",
            )
        if report.state != ReturnState.QUERIED:
            raise Conflict(
                gettext("A question can be asked only while a return waits in the queue."), code="not_queried"
            )
        keeper = report.trap.site.household.keeper
        if keeper is None:
            raise Conflict(gettext("Nobody keeps this household any more, so nobody can answer."), code="nobody_to_ask")
        question = Question.objects.create(report=report, by=by, text=text)
        # The letter holds a link and no more: what was asked is read on the page, after signing in.
        _write_letter(keeper, question)
        write_event(by=by, verb="household asked", subject=report, details={"question": question.pk})
    return question


def answer_question(*, by: Account, uuid: UUID, question: int, text: str) -> Question:
    """Answer a question about one's own return, once; the same answer given again changes nothing."""
    text = _checked(text, "answer")
    with transaction.atomic(durable=True):
        report = returns_of(by).select_for_update(no_key=True, of=("self",)).filter(uuid=uuid).first()
        found = _question_about(report, question)
        if found.answered_at is not None:
            if found.answer == text:
                return found
            raise Conflict(
                gettext("You have answered this question already. Your first answer stands."), code="answered_once"
            )
        if found.report.state == ReturnState.WITHDRAWN:
            raise Conflict(gettext("You took this return back, so there is nothing left to answer."), code="withdrawn")
        found.answer, found.answered_at = text, timezone.now()
        found.save(update_fields=["answer", "answered_at"])
        write_event(by=by, verb="question answered", subject=found.report, details={"question": found.pk})
    return found


def _write_letter(keeper: Account, question: Question) -> None:
    write_letter(
        account=keeper,
        kind=LetterKind.QUESTION,
        key=f"question/{question.pk}",
        due_at=question.asked_at,
        context={"path": f"/my/returns/{question.report.uuid}/"},
    )


def _question_about(report: Return | None, question: int) -> Question:
    found = Question.objects.select_related("report").filter(report=report, pk=question).first() if report else None
    if found is None:
        raise NotFound("There is no question with this number about a return of yours.")
    return found


def _checked(text: str, field: str) -> str:
    """Return a text without what no page can show, or refuse it: the database takes no NUL."""
    shown = plain_text(text)
    if not shown:
        fault = Fault(f"/{field}", "empty", gettext("Write a few words here."))
        raise Faulty(gettext("There is nothing to send yet."), faults=(fault,))
    if len(shown) > MOST_LETTERS:
        numbers = {"letters": len(shown), "most": MOST_LETTERS}
        sentence = gettext("This has %(letters)s letters. Keep it to %(most)s.") % numbers
        raise Faulty(gettext("This is too long to send."), faults=(Fault(f"/{field}", "too_long", sentence),))
    return shown
