"""Mail: written down first, in the transaction that has the reason for it, and sent later, once.

Each letter is handed to the mail server **at most once** (its ``key`` is unique, and it is marked as sent
before it is handed over). So a crash between the mark and the server's answer loses a letter rather than
sending it twice; such a letter keeps the words of ``UNANSWERED`` in ``problem``.

A letter is tried again only where it surely did not go:

- no connection to the mail server came about, or the server turned us away before it took the letter;
- the server answered that it refuses the sender, the receiver or the letter (RFC 5321, section 4.2.1). A
  refusal for good (code 5yz of the receiver) drops the letter, one for now (4yz) puts it off.

A connection that broke, or an answer that never came, after the hand-over began is not such a case: the
server may have taken the letter, so it stays marked as sent, with what happened in ``problem``.
"""

from __future__ import annotations

import logging
import smtplib
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.core.mail import EmailMessage, get_connection
from django.core.mail.backends.base import BaseEmailBackend
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from surveys.errors import Conflict, NotFound
from surveys.models import Account, Letter, Opening
from surveys.permissions import regions_of
from surveys.queries.letters import (
    coordinators_of,
    letters_that_go_along,
    letters_to_send,
    overdue_openings,
)
from surveys.queries.openings import due_times
from surveys.queries.people import mail_is_confirmed
from surveys.services.events import write_event
from surveys.services.letter_texts import compose
from surveys.vocabulary import LetterKind

log = logging.getLogger(__name__)

#: A letter is given up after so many tries that surely failed.
MOST_ATTEMPTS = 5
#: Wait before the next try, doubled each time: 2, 4, 8, 16 minutes. Own choice.
FIRST_WAIT = timedelta(minutes=2)
#: A word about dusk is of no use hours later: how late each kind may still go out.
STALE_AFTER = {
    LetterKind.LOOK_AT_DUSK: timedelta(hours=3),
    LetterKind.LOOK_AT_DAWN: timedelta(hours=3),
    LetterKind.MORNING: timedelta(hours=6),
}
#: How often a coordinator may write again about one trap.
WRITE_AGAIN_AFTER = timedelta(hours=12)
UNANSWERED = "handed to the mail server; its answer was not noted"


@dataclass(frozen=True, slots=True)
class Claimed:
    """Letters that go out as one mail, and the mail."""

    letters: tuple[Letter, ...]
    mail: EmailMessage


def write_letter(
    *,
    account: Account,
    kind: LetterKind,
    key: str,
    due_at: datetime,
    context: dict[str, Any],
    opening: Opening | None = None,
) -> Letter:
    """Write down one letter, inside the transaction that has the reason for it; the same ``key`` is written once.

    ``context`` holds plain values for the text of ``letters/<kind>.txt``; ``path``, an address of our own such as
    ``/my/returns/``, becomes the link; a value whose name ends in ``_on`` is an ISO date. Neither a place nor a
    person's name belongs into it.
    """
    letter = Letter(key=key, account=account, kind=kind, due_at=due_at, context=context, opening=opening)
    # Not get_or_create: a race would break the transaction of whoever called.
    Letter.objects.bulk_create([letter], ignore_conflicts=True)
    return Letter.objects.get(key=key)


def plan_reminders(opening: Opening) -> None:
    """Write down the letters about a setting, inside the transaction that stores it.

    To the keeper: look at dusk, look in the early morning, empty now (24 h), still open (26 h); to the
    coordinators of the region: still open (30 h). Looks whose moment has passed are left out.
    """
    site, looks = opening.trap.site, due_times(opening)
    keeper = site.household.keeper
    letters = [
        _reminder(opening, coordinator, LetterKind.OVERDUE_REGION, looks.overdue_for_long)
        for coordinator in coordinators_of(site.region)
    ]
    if keeper is not None:
        now = timezone.now()
        for kind, due_at in (
            (LetterKind.LOOK_AT_DUSK, looks.dusk),
            (LetterKind.LOOK_AT_DAWN, looks.dawn),
            (LetterKind.EMPTY_NOW, looks.empty),
            (LetterKind.OVERDUE, looks.overdue),
        ):
            if due_at is not None and (due_at >= now or kind not in STALE_AFTER):
                letters.append(_reminder(opening, keeper, kind, due_at))
    Letter.objects.bulk_create(letters, ignore_conflicts=True)


def _reminder(opening: Opening, account: Account, kind: LetterKind, due_at: datetime) -> Letter:
    """Return a letter that is not stored yet."""
    key = reminder_key(opening, account, kind)
    return Letter(key=key, account=account, kind=kind, due_at=due_at, opening=opening)


def reminder_key(opening: Opening, account: Account, kind: LetterKind) -> str:
    """Return the key under which a reminder of a setting is written once."""
    return f"{kind}:{opening.uuid}:{account.pk}"


def drop_reminders(opening: Opening) -> None:
    """Drop the letters that a setting no longer needs, inside the transaction that ends it or notes a look.

    Whoever forgets to call this sends nothing wrong: the same is asked once more when a letter goes out.
    """
    for letter in opening.letters.filter(sent_at__isnull=True, dropped_at__isnull=True):
        if reason := _no_longer_needed(letter, opening):
            Letter.objects.filter(pk=letter.pk, sent_at__isnull=True).update(dropped_at=timezone.now(), problem=reason)


def _no_longer_needed(letter: Letter, opening: Opening) -> str:
    """Return why a reminder need not go out, or nothing.

    A look in the morning does for the dusk before it, and never for the dusk after it.
    """
    dusk, dawn = opening.looked_dusk_at, opening.looked_dawn_at
    if opening.ended_at is not None:
        return "the trap was closed"
    if letter.kind == LetterKind.LOOK_AT_DUSK and (dusk or (dawn and dawn >= letter.due_at)):
        return "somebody looked"
    if letter.kind == LetterKind.LOOK_AT_DAWN and dawn:
        return "somebody looked"
    return ""


def write_again(*, by: Account, uuid: UUID, now: datetime) -> Letter:
    """Write to the keeper of a trap that stands open too long, once more, at most every 12 hours."""
    with transaction.atomic(durable=True):
        opening = Opening.objects.select_for_update(no_key=True).filter(uuid=uuid).first()
        late = overdue_openings(by, now=now).filter(uuid=uuid).first() if opening else None
        if opening is None or late is None:
            raise NotFound("There is no trap in your regions that stands open too long and has this id.")
        keeper = late.trap.site.household.keeper
        if keeper is None:
            raise Conflict("Nobody keeps this household any more, so nobody can be written to.", code="nobody_keeps_it")
        lately = Q(sent_at__gt=now - WRITE_AGAIN_AFTER) | Q(sent_at__isnull=True, dropped_at__isnull=True)
        if opening.letters.filter(lately, kind=LetterKind.OVERDUE).exists():
            raise Conflict(
                "A letter went out within 12 hours, or is about to. Wait before you write again.", code="written_lately"
            )
        number = opening.letters.filter(kind=LetterKind.OVERDUE).count()
        key = f"{reminder_key(opening, keeper, LetterKind.OVERDUE)}:{number}"
        letter = write_letter(account=keeper, kind=LetterKind.OVERDUE, key=key, due_at=now, context={}, opening=opening)
        write_event(by=by, verb="letter asked for", subject=opening, details={"kind": letter.kind})
    return letter


def send_due_letters(*, now: datetime, most: int = 200) -> int:
    """Send what is due, at most ``most`` mails; return how many the mail server took.

    Not one transaction but two for each mail: one that marks it as sent, one that notes how it went. While
    the mail server is away nothing is marked. Any number of workers may do this at the same time.
    """
    sent = 0
    connection = get_connection()
    try:
        for _ in range(most):
            if not letters_to_send().filter(due_at__lte=now).exists() or not _opened(connection):
                break
            with transaction.atomic(durable=True):
                claimed = _claim(now)
            if claimed is None:
                break
            if claimed.letters:
                sent += _hand_over(connection, claimed, now)
    finally:
        _close(connection)
    return sent


def _claim(now: datetime) -> Claimed | None:
    """Mark the next letters as sent and return their mail: without letters if none was of use, None if none is due."""
    first = (
        letters_to_send().filter(due_at__lte=now).select_for_update(no_key=True, skip_locked=True, of=("self",)).first()
    )
    if first is None:
        return None
    along = letters_that_go_along(first, now=now).select_for_update(no_key=True, skip_locked=True, of=("self",))
    wanted = [letter for letter in (first, *along) if not _drop_if_useless(letter, now)]
    if not wanted:
        return Claimed((), EmailMessage())
    mail = compose(wanted)
    for letter in wanted:
        letter.sent_at, letter.problem, letter.attempts = now, UNANSWERED, letter.attempts + 1
    Letter.objects.bulk_update(wanted, ["sent_at", "problem", "attempts"])
    details = {"kind": first.kind, "letters": len(wanted)}
    write_event(by=None, verb="letter handed over", subject=wanted[0], details=details)
    return Claimed(tuple(wanted), mail)


def _drop_if_useless(letter: Letter, now: datetime) -> bool:
    """Drop a letter that nobody should get any more, and say whether it was one."""
    reason = _no_use(letter, now)
    if reason:
        letter.dropped_at, letter.problem = now, reason
        letter.save(update_fields=["dropped_at", "problem"])
    return bool(reason)


def _no_use(letter: Letter, now: datetime) -> str:
    """Return why a letter should not go out, or nothing."""
    kind = LetterKind(letter.kind)
    if not letter.account.is_active:
        return "the account is closed"
    if not mail_is_confirmed(letter.account):
        return "the mail address was never confirmed"
    if kind in STALE_AFTER and now - letter.due_at > STALE_AFTER[kind]:
        return "it was too late for it"
    reason = _not_theirs(kind, letter)
    return reason or (_no_longer_needed(letter, letter.opening) if letter.opening else "")


def _not_theirs(kind: LetterKind, letter: Letter) -> str:
    """Return why a coordinator's letter is for the account no more, or nothing."""
    if kind == LetterKind.MORNING and not regions_of(letter.account).exists():
        return "the account is not a coordinator any more"
    if kind == LetterKind.OVERDUE_REGION and letter.opening is not None:
        region = letter.opening.trap.site.region_id
        if not regions_of(letter.account).filter(pk=region).exists():
            return "the account is not a coordinator of the region any more"
    return ""


def _opened(connection: BaseEmailBackend) -> bool:
    """Open the way to the mail server, if it is not open; say whether it is."""
    try:
        connection.open()
    except (OSError, smtplib.SMTPException) as fault:
        log.warning("the mail server is away (%s): letters wait for the next minute", type(fault).__name__)
        return False
    return True


def _close(connection: BaseEmailBackend) -> None:
    try:
        connection.close()
    except (OSError, smtplib.SMTPException) as fault:
        log.info("the mail server hung up first (%s)", type(fault).__name__)


def _hand_over(connection: BaseEmailBackend, claimed: Claimed, now: datetime) -> int:
    """Give the mail to the server and note how it went; return 1 if the server took it, else 0."""
    try:
        connection.send_messages([claimed.mail])
    except smtplib.SMTPRecipientsRefused as refusal:
        codes = [code for code, _ in refusal.recipients.values()]
        _did_not_go(claimed, now, f"the mail server refused the receiver ({codes[0]})", for_good=min(codes) >= 500)
    except smtplib.SMTPNotSupportedError:
        _did_not_go(claimed, now, "the mail server cannot send to such an address", for_good=True)
    except (smtplib.SMTPSenderRefused, smtplib.SMTPDataError) as refusal:
        _did_not_go(claimed, now, f"the mail server refused the letter ({refusal.smtp_code})")
    except Exception as fault:  # whatever broke, the server may have taken the letter: note it, never try again
        log.warning("a letter was handed over and not answered (%s)", type(fault).__name__)
        _note(claimed, problem=f"{UNANSWERED} ({type(fault).__name__})")
    else:
        _note(claimed, problem="")
        return 1
    _close(connection)
    return 0


def _did_not_go(claimed: Claimed, now: datetime, problem: str, *, for_good: bool = False) -> None:
    """Put letters off that surely did not go, or drop them when that is no use."""
    attempts = claimed.letters[0].attempts
    if for_good or attempts >= MOST_ATTEMPTS:
        _note(claimed, problem=problem, sent_at=None, dropped_at=now)
    else:
        _note(claimed, problem=problem, sent_at=None, due_at=now + FIRST_WAIT * 2 ** (attempts - 1))


def _note(claimed: Claimed, **columns: Any) -> None:
    Letter.objects.filter(pk__in=[letter.pk for letter in claimed.letters]).update(**columns)
