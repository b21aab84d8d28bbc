"""Blind second looks: chance draws returns that were let through, and a person says anew what should become of them.

A return stays in the indices while its second look waits. An opinion that it is wrong sends it to the queue, which
decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from django.db import transaction
from django.db.models import F
from django.utils import timezone
from django.utils.translation import gettext

from surveys.errors import Conflict, NotAllowed, NotFound, Refusal, Stale
from surveys.methods.review_quality import LOOKED_STATES
from surveys.models import Account, Query, Return, Season, SecondLook
from surveys.permissions import second_looks_in_care_of
from surveys.queries.second_looks import Chosen, chosen_and_not_drawn, waiting_by_region
from surveys.services.events import write_event
from surveys.services.worked import MOVED, move_return
from surveys.vocabulary import Decision, QueryKind, QueryReason, ReturnState, VerdictReason

#: Looks that wait in one region at most: at half a minute each, less than an hour's work. Own choice.
MOST_WAITING = 100


def draw_second_looks(*, season: Season) -> int:
    """Draw what chance has chosen among the returns that were let through. Returns how many were drawn.

    A region that has :data:`MOST_WAITING` looks waiting gets no more until some are given, so a night draws no more
    than that for each region, and a night that is run again draws nothing. Which of them come first is chance, too:
    the order is that of their fractions.
    """
    chosen = chosen_and_not_drawn(season)
    if not chosen:
        return 0
    with transaction.atomic(durable=True):
        drawn = _with_room(chosen, season)
        rows = [SecondLook(report_id=one.report, season=season, state=one.state) for one in drawn]
        # Two nights at once draw the same returns: each is there once.
        SecondLook.objects.bulk_create(rows, ignore_conflicts=True)
        if drawn:
            details = {"returns": [one.report for one in drawn]}
            write_event(by=None, verb="second looks drawn", subject=season, details=details)
    return len(drawn)


def give_second_look(*, by: Account, uuid: UUID, opinion: Decision, reason: VerdictReason) -> SecondLook:
    """Say what should become of a drawn return of one's own regions; the same said twice changes nothing.

    Raises what :func:`refusal_of` returns: :class:`NotAllowed` where one has decided about it oneself, :class:`Stale`
    where somebody else was quicker, :class:`Conflict` where the return stands no more.
    """
    with transaction.atomic(durable=True):
        look = _locked(by, uuid)
        if (look.by_id, look.opinion, look.reason) == (by.pk, opinion, reason):
            return look
        refusal = refusal_of(look, by)
        if refusal is not None:
            raise refusal
        look.by, look.opinion, look.reason, look.looked_at = by, opinion, reason, timezone.now()
        look.state = look.report.state
        look.save(update_fields=["by", "opinion", "reason", "looked_at", "state"])
        if opinion != Decision.UPHELD:
            _ask_the_queue(look.report, opinion, reason)
        details = {"opinion": opinion.value, "reason": reason.value}
        write_event(by=by, verb="second look given", subject=look.report, details=details)
    return look


def refusal_of(look: SecondLook, by: Account) -> Refusal | None:
    """Return why somebody may not give a second look, None where nothing is in the way. One query."""
    if look.report.verdicts.filter(by=by).exists():
        return NotAllowed(
            gettext("You have decided about this return yourself. Somebody else must give the second look.")
        )
    if look.looked_at is not None:
        return Stale(gettext("Somebody has given the second look at this return already. Yours is not needed."))
    if look.report.state not in LOOKED_STATES:
        return Conflict(
            gettext("This return has changed: it was taken back, or it waits in the queue. It needs no second look."),
            code="nothing_to_look_at",
        )
    return None


def _with_room(chosen: Sequence[Chosen], season: Season) -> list[Chosen]:
    """Return those of the chosen, the first first, for which their region has room."""
    waiting, drawn = waiting_by_region(season), []
    for one in chosen:
        if waiting[one.region] < MOST_WAITING:
            waiting[one.region] += 1
            drawn.append(one)
    return drawn


def _locked(by: Account, uuid: UUID) -> SecondLook:
    look = (
        second_looks_in_care_of(by)
        .select_for_update(no_key=True, of=("self", "report"))
        .select_related("report")
        .filter(report__uuid=uuid)
        .first()
    )
    if look is None:
        raise NotFound("There is no second look at a return with this id in your regions.")
    return look


def _ask_the_queue(report: Return, opinion: Decision, reason: VerdictReason) -> None:
    """Let a return wait for a verdict, before all other reasons because somebody says that it is wrong."""
    report.queries.update(position=F("position") + 1)
    Query.objects.create(
        report=report,
        kind=QueryKind.DETERMINISTIC,
        reason=QueryReason.SECOND_LOOK,
        position=0,
        probability=report.probability,
        sentence=f"A second look, without knowing of the first, says: {opinion.label} ({reason.label}).",
        gentle_sentence="We look at some returns twice. Somebody wants to look at this one once more.",
        evidence={"opinion": opinion.value, "reason": reason.value},
    )
    move_return(report, ReturnState.QUERIED)
    report.reason = QueryReason.SECOND_LOOK
    report.save(update_fields=[*MOVED, "reason"])
