"""Taking returns in: whatever was sent is kept, checked against the protocol, and left to wait.

A return that arrives is *received*; screening, a stage of its own, picks it up from there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction
from django.utils import timezone

from surveys.errors import Conflict, Faulty, NotFound, Refusal, Stale
from surveys.models import Account, Return, TrayPhoto
from surveys.permissions import returns_of
from surveys.queries.sending import TrapToSendFor, traps_to_send_for
from surveys.services.amendments import lock_to_amend, take_the_place
from surveys.services.events import write_event
from surveys.services.intake_at_once import store_at_once
from surveys.services.intake_rows import ReadyReturn, StoredAnswer, insert_drafts
from surveys.services.known_findings import StoredFinding
from surveys.services.once import Kept, Once
from surveys.services.openings import end_with_returns
from surveys.services.sent_returns import SentReturn, ready_return
from surveys.services.worked import MOVED, move_return
from surveys.vocabulary import ReturnState

#: Returns in one sending; a larger one is refused before anything is stored.
MOST_AT_ONCE = 500

_HELD_BACK = Conflict(
    "Not stored, because another return of this sending has faults and all were to go in together. "
    "Mend that one and send them all again.",
    code="held_back",
)


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of one sent return. ``report`` is None exactly where ``refusal`` is not."""

    report: Return | None
    created: bool = False
    refusal: Refusal | None = None
    catches: Sequence[StoredAnswer] = ()
    findings: Sequence[StoredFinding] = ()


def receive_return(
    *,
    by: Account,
    sent: SentReturn,
    opening: UUID | None = None,
    amends: UUID | None = None,
    once: Once | None = None,
    answer: Callable[[Receipt], Kept] | None = None,
) -> Receipt | Kept:
    """Store one return with its findings; the same return sent again changes nothing.

    With ``once`` and ``answer`` the rendered answer is kept in the same transaction and returned,
    as is the kept answer of an earlier sending. Of the findings, those that are as asked are not
    stored: the protocol version gives them again at any time. With ``amends`` the new return takes the
    place of that one, which is taken back at the same time. Raises :class:`Faulty` with every fault, or
    :class:`Conflict` for another return under this id, or where the old one may not be amended.
    ``opening`` is the setting that the return ends; without it the one that stands open at its trap ends.
    """
    if once is not None and answer is not None and opening is None and amends is None:
        kept = _receive_at_once(by, sent, once, answer)
        if kept is not None:
            return kept
    with transaction.atomic(durable=True):
        kept = once.claim() if once else None
        if kept is not None:
            return kept
        before = lock_to_amend(by=by, uuid=amends, into=sent.uuid) if amends else None
        traps = traps_to_send_for(by, {sent.trap})
        receipt = _receive_all(by, [sent], traps, before)[0]
        if receipt.refusal is not None:
            raise receipt.refusal
        told: dict[str, object] = {"answers": len(sent.answers)}
        if before is not None and receipt.report is not None:
            told |= take_the_place(before=before, after=receipt.report, created=receipt.created)
        elif receipt.created and receipt.report is not None:
            named = {} if opening is None else {sent.uuid: opening}
            if named or traps[sent.trap].stands_open:
                end_with_returns(reports=[receipt.report], named=named)
        rendered = _keep(once, answer, receipt)
        if receipt.created and receipt.report is not None:
            verb = "return amended" if before else "return received"
            write_event(by=by, verb=verb, subject=receipt.report, details=told)
    return rendered or receipt


def _receive_at_once(by: Account, sent: SentReturn, once: Once, answer: Callable[[Receipt], Kept]) -> Kept | None:
    """Take an ordinary return in by one statement; return its answer, or None where the long way must be gone."""
    traps = traps_to_send_for(by, {sent.trap})
    if any(known.stands_open for known in traps.values()):
        return None
    try:
        draft = ready_return(by=by, sent=sent, traps=traps, before=None, now=timezone.now())
    except Refusal:
        return None  # it may have been taken in before, and hears the same answer again
    kept = answer(_created(draft))
    return kept if store_at_once(by=by, draft=draft, once=once, kept=kept) else None


def receive_returns(
    *,
    by: Account,
    sent: Sequence[SentReturn],
    together: bool = False,
    once: Once | None = None,
    answer: Callable[[list[Receipt]], Kept] | None = None,
) -> list[Receipt] | Kept:
    """Store many returns, each for itself, or with ``together`` all of them or none.

    Returns one receipt for each, in the order sent.
    """
    if len(sent) > MOST_AT_ONCE:
        raise Faulty(
            f"There are {len(sent)} returns in this sending, and at most {MOST_AT_ONCE} are taken at once. "
            "Send them in parts."
        )
    with transaction.atomic(durable=True):
        kept = once.claim() if once else None
        if kept is not None:
            return kept
        traps = traps_to_send_for(by, {one.trap for one in sent})
        with transaction.atomic():
            receipts = _receive_all(by, sent, traps)
            if together and any(receipt.refusal for receipt in receipts):
                transaction.set_rollback(True)
                receipts = [Receipt(None, refusal=r.refusal or _HELD_BACK) for r in receipts]
        if any(known.stands_open for known in traps.values()):
            end_with_returns(reports=[r.report for r in receipts if r.created and r.report is not None])
        rendered = _keep(once, answer, receipts)
        stored = [r.report.pk for r in receipts if r.created and r.report is not None]
        if stored:
            write_event(by=by, verb="returns received", details={"returns": stored})
    return rendered or receipts


def withdraw_return(*, by: Account, uuid: UUID, version: int | None = None) -> Return:
    """Take one's own return back: it leaves every index and later release, and its tray photo is deleted.

    With ``version`` another version than the one that was read raises :class:`Stale` and changes nothing; it is
    compared while the row is held, so that nobody moves it in between.
    """
    with transaction.atomic(durable=True):
        report = returns_of(by).select_for_update(no_key=True, of=("self",)).filter(uuid=uuid).first()
        if report is None:
            raise NotFound("There is no return of yours with this id.")
        if version not in (None, report.version):
            raise Stale("Somebody else has worked on this since you read it. Load it again and look once more.")
        move_return(report, ReturnState.WITHDRAWN)
        report.save(update_fields=MOVED)
        TrayPhoto.objects.filter(report=report).delete()
        write_event(by=by, verb="return withdrawn", subject=report, details={})
    return report


def _keep(once: Once | None, answer: Callable[[Any], Kept] | None, result: Any) -> Kept | None:
    if once is None or answer is None:
        return None
    kept = answer(result)
    once.keep(kept.status, kept.body)
    return kept


def _receive_all(
    by: Account, sent: Sequence[SentReturn], traps: Mapping[UUID, TrapToSendFor], before: Return | None = None
) -> list[Receipt]:
    """Ready every return, store the good ones at once, and answer in the order sent; each amends ``before``."""
    outcome: list[Receipt | ReadyReturn] = []
    now = timezone.now()
    for one in sent:
        try:
            outcome.append(ready_return(by=by, sent=one, traps=traps, before=before, now=now))
        except Refusal as refusal:
            outcome.append(Receipt(None, refusal=refusal))
    return _store(outcome)


def _store(outcome: Sequence[Receipt | ReadyReturn]) -> list[Receipt]:
    """Store all drafts in one go; where an id is taken already, settle one by one."""
    drafts = [one for one in outcome if isinstance(one, ReadyReturn)]
    if drafts and _all_new(drafts):
        try:
            with transaction.atomic():
                insert_drafts(drafts)
            return [_created(one) if isinstance(one, ReadyReturn) else one for one in outcome]
        except IntegrityError:
            pass  # somebody sent one of them at this very moment: settle one by one
    return [_store_one(one) if isinstance(one, ReadyReturn) else one for one in outcome]


def _all_new(drafts: Sequence[ReadyReturn]) -> bool:
    ids = {one.report.uuid for one in drafts}
    return len(ids) == len(drafts) and not Return.objects.filter(uuid__in=ids).exists()


def _store_one(draft: ReadyReturn) -> Receipt:
    try:
        with transaction.atomic():
            insert_drafts([draft])
        return _created(draft)
    except IntegrityError:
        before = Return.objects.filter(uuid=draft.report.uuid).first()
        if before is None:
            raise
    if before.sender_id != draft.report.sender_id or before.fingerprint != draft.report.fingerprint:
        return Receipt(
            None,
            refusal=Conflict(
                "There is already a return with this id and it says something else. "
                "Give each new return an id of its own; to change one, amend it on its page."
            ),
        )
    return Receipt(before)


def _created(draft: ReadyReturn) -> Receipt:
    return Receipt(draft.report, created=True, catches=draft.catches, findings=draft.findings)
