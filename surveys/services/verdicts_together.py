"""One verdict on many returns that wait for the same reason: all of them, or none."""

from __future__ import annotations

from collections.abc import Mapping
from uuid import UUID, uuid4

from django.db import transaction
from django.utils.translation import gettext

from surveys.errors import Conflict, Fault, Faulty
from surveys.lifecycle import STATE_OF_DECISION
from surveys.models import Account, Lease, Return, Verdict
from surveys.permissions import returns_in_care_of
from surveys.services.events import write_event
from surveys.services.review import refuse_anothers_lease
from surveys.services.worked import MOVED, move_return, save_together
from surveys.vocabulary import Decision, ReturnState, VerdictReason

#: Returns under one press; as many as one can still read through. Own choice.
MOST_TOGETHER = 100


def give_verdicts_together(
    *,
    by: Account,
    versions: Mapping[UUID, int],
    decision: Decision,
    reason: VerdictReason,
    note: str = "",
) -> UUID:
    """Decide many queried returns that wait for the same first reason; return what names them all.

    ``versions`` are ids and the versions that were read. Where one of them has been worked on since, is read by
    somebody else, or waits for another reason, nothing is decided and every one of these is named.
    """
    _refuse_what_is_no_batch(versions, decision)
    with transaction.atomic(durable=True):
        reports = list(
            returns_in_care_of(by)
            .select_for_update(no_key=True, of=("self",))
            .filter(uuid__in=list(versions))
            .order_by("id")
        )
        _refuse_what_moved(reports, versions)
        refuse_anothers_lease(reports, by)
        together = uuid4()
        verdicts = []
        for report in reports:
            verdicts.append(
                Verdict(
                    report=report,
                    by=by,
                    decision=decision,
                    reason=reason,
                    note=note,
                    report_version=report.version,
                    together=together,
                )
            )
            move_return(report, STATE_OF_DECISION[decision])
        Verdict.objects.bulk_create(verdicts)
        save_together(reports, MOVED)
        Lease.objects.filter(report__in=reports).delete()
        details = {
            "decision": decision.value,
            "reason": reason.value,
            "returns": [report.pk for report in reports],
            "together": str(together),
        }
        write_event(by=by, verb="verdicts given together", details=details)
    return together


def _refuse_what_is_no_batch(versions: Mapping[UUID, int], decision: Decision) -> None:
    if decision == Decision.CORRECTED:
        raise Faulty(gettext("A correction is made on one return at a time. Let these stand, or set them aside."))
    if not 0 < len(versions) <= MOST_TOGETHER:
        numbers = {"found": len(versions), "most": MOST_TOGETHER}
        raise Faulty(gettext("%(found)s returns are chosen. Choose from 1 to %(most)s.") % numbers)


def _refuse_what_moved(reports: list[Return], versions: Mapping[UUID, int]) -> None:
    found = {report.uuid for report in reports}
    moved = [str(uuid) for uuid in versions if uuid not in found]
    moved += [str(one.uuid) for one in reports if one.state != ReturnState.QUERIED or one.version != versions[one.uuid]]
    if moved:
        raise Conflict(
            gettext(
                "Some of these were worked on since you opened the list, so none was decided. Load the list again."
            ),
            code="some_moved",
            faults=tuple(Fault("/returns", "moved", uuid) for uuid in moved),
        )
    if len({report.reason for report in reports}) > 1:
        raise Faulty(gettext("These returns wait for different reasons. Decide together only what has the same one."))
