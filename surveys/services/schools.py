"""Classes of a school, their short-lived entry codes, what a class has counted, and a whole table of traps."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from random import Random
from uuid import UUID

from django.db import IntegrityError, transaction
from django.utils import timezone
from django.utils.translation import gettext

from surveys.errors import Conflict, Fault, Faulty, NotFound, Refusal
from surveys.models import Account, ClassCode, Draft, SchoolClass
from surveys.queries.schools import (
    CODE_LENGTH,
    ClassPass,
    class_behind,
    class_trap,
    classes_of,
    code_digest,
    draft_of_today,
    own_schools,
)
from surveys.services.events import write_event
from surveys.services.intake import Receipt, receive_returns
from surveys.services.once import Kept, Once
from surveys.services.sent_returns import SentReturn
from surveys.services.sites import CODE_SIGNS
from surveys.vocabulary import DraftKind

#: Weather and night, then moths and mosses: nothing that is a person's, a place's or a maker's name.
FIRST = (
    "Breezy", "Chilly", "Cloudy", "Dewy", "Drizzly", "Drowsy", "Foggy", "Frosty", "Gusty", "Midnight", "Moonlit",
    "Nightly", "Rainy", "Showery", "Sleety", "Snowy", "Starry", "Thundery", "Twinkling", "Windy",
)  # fmt: skip
SECOND = (
    "Bogmoss", "Caterpillar", "Clearwing", "Cocoon", "Cushionmoss", "Feathermoss", "Footman", "Forkmoss", "Haircap",
    "Hawkmoth", "Leafroller", "Looper", "Peatmoss", "Plumemoth", "Screwmoss", "Silkmoth", "Threadmoss", "Tigermoth",
    "Tussock", "Underwing",
)  # fmt: skip
#: Own choice: more classes than any school has, and few enough for one page.
MOST_CLASSES = 100
#: Hours that a code may live: a lesson or two, never until tomorrow.
CODE_HOURS = (1, 2, 3, 4)
USUAL_HOURS = 2
#: Letters of one answer that are kept: the list of rows that "none of the rest" set is the longest.
LONGEST_ANSWER = 2000
_CODES_TO_TRY = 5


class CodeOver(Refusal):
    """The class's code has run out, was ended, or never was."""

    code = "code_over"


@dataclass(frozen=True, slots=True)
class MadeCode:
    """A fresh code. ``code`` is in clear here and nowhere else: show it now."""

    code: str
    expires_at: datetime


def add_class(*, by: Account, household: UUID, uuid: UUID, rng: Random) -> SchoolClass:
    """Add a class under a fresh pseudonym; the same ``uuid`` sent again makes no second one."""
    with transaction.atomic(durable=True):
        school = own_schools(by).select_for_update(no_key=True, of=("self",)).filter(public_id=household).first()
        if school is None:
            raise NotFound("There is no school of yours with this id.")
        before = SchoolClass.objects.filter(public_id=uuid).first()
        if before is not None:
            return _the_same(before, school.pk)
        if school.classes.filter(closed_at__isnull=True).count() >= MOST_CLASSES:
            raise Conflict(
                gettext("This school has %(most)d open classes. Close one that is over, then add a new one.")
                % {"most": MOST_CLASSES}
            )
        taken = set(school.classes.values_list("pseudonym", flat=True))
        made = SchoolClass.objects.create(household=school, public_id=uuid, pseudonym=make_pseudonym(rng, taken))
        write_event(by=by, verb="class added", subject=made, details={})
    return made


def make_pseudonym(rng: Random, taken: set[str]) -> str:
    """Return a name such as "Foggy Hawkmoth 27" that is not taken: one of 36,000."""
    while True:
        name = f"{rng.choice(FIRST)} {rng.choice(SECOND)} {rng.randint(10, 99)}"
        if name not in taken:
            return name


def close_class(*, by: Account, school_class: UUID) -> SchoolClass:
    """Close a class and end its codes; what it has counted stays. Doing it twice changes nothing."""
    with transaction.atomic(durable=True):
        found = _own_class(by, school_class)
        if found.closed_at is not None:
            return found
        found.closed_at = timezone.now()
        found.save(update_fields=["closed_at"])
        _end_codes(found, found.closed_at)
        write_event(by=by, verb="class closed", subject=found, details={})
    return found


def make_class_code(*, by: Account, school_class: UUID, hours: int) -> MadeCode:
    """Make a code for a class, valid for some hours, and end the one before. Only its digest is kept."""
    if hours not in CODE_HOURS:
        faults = (Fault("/hours", "unknown_hours", gettext("Choose for how many hours the code works: 1, 2, 3 or 4.")),)
        raise Faulty(gettext("No code was made yet."), faults=faults)
    with transaction.atomic(durable=True):
        found = _own_class(by, school_class)
        if found.closed_at is not None:
            raise Conflict(gettext("This class is closed, so it gets no code. Add a new class."))
        now = timezone.now()
        _end_codes(found, now)
        code, row = _fresh_code(found, now, now + timedelta(hours=hours))
        write_event(by=by, verb="class code made", subject=found, details={"hours": hours})
    return MadeCode(code, row.expires_at)


def end_class_code(*, by: Account, school_class: UUID) -> None:
    """End every live code of a class, and with it what its browsers may do. Doing it twice changes nothing."""
    with transaction.atomic(durable=True):
        found = _own_class(by, school_class)
        if _end_codes(found, timezone.now()):
            write_event(by=by, verb="class code ended", subject=found, details={})


def save_class_draft(*, ticket: ClassPass, trap: UUID, answers: Mapping[str, str]) -> Draft | None:
    """Write answers into what a class counts today in one trap, as they were typed; others stay as they are.

    So two groups of a class may count at one trap: the last one wins, row by row. A count is begun by its first
    answer, which is the one line in the event log: presses of plus and minus are no record of the survey. Returns
    None where there is nothing to keep yet. Raises :class:`CodeOver` once the code is over, and :class:`NotFound`
    for a trap of another school.
    """
    now = timezone.now()
    with transaction.atomic(durable=True):
        found = class_behind(ticket, now=now)
        if found is None or found.household.keeper is None:
            raise CodeOver(gettext("The code of your class is over. Ask your teacher for a new one."))
        # Two groups that begin the same trap at once come one after the other.
        SchoolClass.objects.select_for_update(no_key=True).get(pk=found.pk)
        counted = class_trap(found, trap)
        before = draft_of_today(found, counted, now=now)
        kept = {**(before.answers if before else {}), **answers}
        kept = {name: clean for name, value in kept.items() if (clean := value[:LONGEST_ANSWER].replace("\0", ""))}
        if before is not None and before.answers != kept:
            before.answers, before.saved_at = kept, now
            before.save(update_fields=["answers", "saved_at"])
        if before is not None or not kept:
            return before
        draft = Draft.objects.create(
            keeper=found.household.keeper,
            school_class=found,
            kind=DraftKind.COUNT,
            trap=counted,
            answers=kept,
            begun_at=now,
            saved_at=now,
        )
        write_event(by=None, verb="class count begun", subject=draft, details={"trap": counted.pk})
    return draft


def send_class_table(
    *, by: Account, school_class: UUID, table: UUID, sent: Sequence[SentReturn], read_at: datetime
) -> list[str]:
    """Send a whole table as returns, all of them or none, and drop the drafts it was filled from.

    ``table`` is made once with the form: the same table sent again stores nothing more. Drafts that the class
    saved after ``read_at`` were not in the table, and stay. Returns the ids of the returns. Raises
    :class:`Faulty` with a fault for each return that could not be stored (``/returns/<place>``), and
    ``KeyReused`` for another table under this id.
    """
    if not classes_of(by).filter(public_id=school_class).exists():
        raise NotFound("There is no class of yours with this id.")
    content = "/".join(f"{one.uuid} {one.fingerprint()}" for one in sent)
    once = Once(by, "class-table", str(table), hashlib.sha256(content.encode()).hexdigest())
    answer = partial(_stored_or_refused, by=by, school_class=school_class, sent=sent, read_at=read_at)
    kept = receive_returns(by=by, sent=sent, together=True, once=once, answer=answer)
    # With ``once`` and ``answer`` it is always the kept answer that comes back.
    return list(kept.body) if isinstance(kept, Kept) else []


def _stored_or_refused(
    receipts: list[Receipt], *, by: Account, school_class: UUID, sent: Sequence[SentReturn], read_at: datetime
) -> Kept:
    """Say what was stored, inside the transaction that stores it; a refusal undoes it all and keeps no answer."""
    refused = [(place, receipt.refusal) for place, receipt in enumerate(receipts) if receipt.refusal is not None]
    if refused:
        faults = tuple(
            Fault(f"/returns/{place}", refusal.code, fault.sentence)
            for place, refusal in refused
            if refusal.code != "held_back"
            for fault in (refusal.faults or (Fault("", refusal.code, refusal.sentence),))
        )
        raise Faulty(gettext("Nothing was sent yet. Mend what is listed, then send it again."), faults=faults)
    Draft.objects.filter(
        school_class__in=classes_of(by).filter(public_id=school_class),
        trap__public_id__in=[one.trap for one in sent],
        saved_at__lte=read_at,
    ).delete()
    return Kept(201, [str(one.uuid) for one in sent])


def _the_same(before: SchoolClass, school: int) -> SchoolClass:
    if before.household_id != school:
        raise Conflict("There is another class with this id.")
    return before


def _own_class(by: Account, public_id: UUID) -> SchoolClass:
    """Return one of the account's classes with its row locked."""
    found = classes_of(by).select_for_update(no_key=True, of=("self",)).filter(public_id=public_id).first()
    if found is None:
        raise NotFound("There is no class of yours with this id.")
    return found


def _end_codes(school_class: SchoolClass, now: datetime) -> int:
    """End the live codes of a class; return how many."""
    return school_class.codes.filter(ended_at__isnull=True, expires_at__gt=now).update(ended_at=now)


def _fresh_code(school_class: SchoolClass, now: datetime, until: datetime) -> tuple[str, ClassCode]:
    """Make a code whose digest no other code has or had."""
    for _ in range(_CODES_TO_TRY):
        code = "".join(secrets.choice(CODE_SIGNS) for _ in range(CODE_LENGTH))
        try:
            with transaction.atomic():
                row = school_class.codes.create(digest=code_digest(code), made_at=now, expires_at=until)
        except IntegrityError:
            continue
        return code, row
    raise Conflict(gettext("No free code was found. Press once more."))
