"""Taking verdicts back: the return waits again as it waited before, and verdict and undo both stay on record."""

from __future__ import annotations

from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext

from surveys.errors import Conflict, NotFound
from surveys.lifecycle import STATE_OF_DECISION
from surveys.models import Account, Return, Undo, Verdict
from surveys.permissions import returns_in_care_of
from surveys.services.events import write_event
from surveys.services.review import lockable_in_care, locked_in_care, refuse_another_version, work_out_again
from surveys.services.worked import MOVED, WORKED_OUT, move_return
from surveys.vocabulary import Decision, ReturnState


def undo_verdict(*, by: Account, uuid: UUID, version: int, note: str = "") -> Undo:
    """Take back the verdict in force of a return in one's own regions.

    ``version`` is the version that was read: another one raises :class:`Stale` and changes nothing. What the verdict
    corrected counts as it was sent again.
    """
    with transaction.atomic(durable=True):
        report = locked_in_care(by, uuid)
        refuse_another_version(report, version)
        verdict = _verdict_in_force(report)
        if verdict is None:
            raise Conflict(gettext("No verdict on this return is in force, so none can be undone."), code="no_verdict")
        undo = _take_back(report, verdict, by, note)
        write_event(by=by, verb="verdict undone", subject=report, details={"verdict": verdict.pk})
    return undo


def undo_verdicts_together(*, by: Account, together: UUID) -> tuple[int, int]:
    """Take back all verdicts that were given with one press and are still in force.

    Returns how many were taken back, and how many were left because somebody has worked on them since.
    """
    with transaction.atomic(durable=True):
        given = list(Verdict.objects.filter(together=together, report__in=returns_in_care_of(by)).order_by("report_id"))
        if not given:
            raise NotFound("There are no such verdicts in your regions.")
        reports = lockable_in_care(by).filter(pk__in=[one.report_id for one in given])
        locked = {row.pk: row for row in reports.order_by("id")}
        undone = []
        for verdict in given:
            report = locked[verdict.report_id]
            if _verdict_in_force(report) == verdict:
                _take_back(report, verdict, by, "")
                undone.append(verdict.pk)
        if undone:
            write_event(by=by, verb="verdicts undone", details={"verdicts": undone})
    return len(undone), len(given) - len(undone)


def _verdict_in_force(report: Return) -> Verdict | None:
    """Return the verdict that made a locked return what it is. One query."""
    last = report.verdicts.filter(undo__isnull=True).order_by("-id").first()
    made = STATE_OF_DECISION[Decision(last.decision)] if last else None
    return last if report.state == made else None


def _take_back(report: Return, verdict: Verdict, by: Account, note: str) -> Undo:
    undo = Undo.objects.create(verdict=verdict, by=by, note=note)
    move_return(report, ReturnState.QUERIED)
    if verdict.corrections.exclude(column="").exists():
        work_out_again(report, {})
    report.save(update_fields=[*MOVED, *WORKED_OUT])
    return undo
