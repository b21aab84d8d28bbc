"""Answers that are not sent yet: kept as they were typed, question by question.

A draft is no record of the survey, so it leaves no line in the event log and is removed once it is sent.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from uuid import UUID

from django.db import IntegrityError, transaction
from django.utils import timezone

from surveys.errors import Faulty, NotFound
from surveys.models import Account, Draft, Opening, Trap
from surveys.permissions import traps_of
from surveys.vocabulary import DraftKind

#: Letters of one answer, and answers of one draft, that are kept at all.
LONGEST_ANSWER = 2000
MOST_ANSWERS = 400


def keep_answers(
    *,
    by: Account,
    uuid: UUID,
    kind: DraftKind,
    answers: Mapping[str, str],
    forget: Iterable[str] = (),
) -> Draft:
    """Write answers into one's own draft and begin it if it is new; what is in ``forget`` is taken out first.

    Other answers of the draft stay as they are, so that two tabs may write into it: the last one wins,
    question by question. Raises :class:`NotFound` where somebody else's draft has this id.
    """
    with transaction.atomic(durable=True):
        draft = _own_draft(by, uuid, kind)
        kept = {name: value for name, value in draft.answers.items() if name not in set(forget)}
        kept.update({name: value[:LONGEST_ANSWER].replace("\0", "") for name, value in answers.items()})
        if len(kept) > MOST_ANSWERS:
            raise Faulty(f"There are more than {MOST_ANSWERS} answers in this draft.", code="too_many_answers")
        draft.answers = kept
        draft.trap = _trap_in(by, kept)
        draft.opening = _opening_in(by, kept)
        draft.saved_at = timezone.now()
        draft.save(update_fields=["answers", "trap", "opening", "saved_at"])
    return draft


def drop_draft(*, by: Account, uuid: UUID) -> None:
    """Remove one's own draft, if it is there still."""
    with transaction.atomic(durable=True):
        Draft.objects.filter(keeper=by, uuid=uuid, school_class__isnull=True).delete()


def _own_draft(by: Account, uuid: UUID, kind: DraftKind) -> Draft:
    """Return the draft with its row locked; a new one is made."""
    try:
        with transaction.atomic():
            Draft.objects.get_or_create(uuid=uuid, defaults={"keeper": by, "kind": kind})
    except IntegrityError:
        pass  # another tab began it at this very moment
    draft = (
        Draft.objects.select_for_update(no_key=True, of=("self",))
        .filter(uuid=uuid, keeper=by, kind=kind, school_class__isnull=True)
        .first()
    )
    if draft is None:
        raise NotFound("There is no draft of yours with this id.")
    return draft


def _trap_in(by: Account, answers: Mapping[str, str]) -> Trap | None:
    number = _id_in(answers, "trap")
    return traps_of(by).filter(public_id=number).first() if number else None


def _opening_in(by: Account, answers: Mapping[str, str]) -> Opening | None:
    number = _id_in(answers, "opening")
    return Opening.objects.filter(uuid=number, trap__in=traps_of(by)).first() if number else None


def _id_in(answers: Mapping[str, str], name: str) -> UUID | None:
    try:
        return UUID(answers.get(name, ""))
    except ValueError:
        return None
