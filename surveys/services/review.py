"""Verdicts: a coordinator decides a queried return, once, with a reason, on record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import QuerySet
from django.db.models.functions import Now
from django.utils.translation import gettext

from surveys import lifecycle
from surveys.errors import Conflict, Fault, Faulty, NotFound, Stale
from surveys.methods.protocol import check_protocol
from surveys.methods.records import Answer
from surveys.models import Account, Catch, Correction, Group, Lease, Return, Verdict
from surveys.permissions import returns_in_care_of
from surveys.queries.frames import answer_of, report_of
from surveys.queries.seasons import limits_of, lists_of
from surveys.services.events import write_event
from surveys.services.worked import MOVED, WORKED_OUT, move_return, work_out
from surveys.vocabulary import Decision, VerdictReason

#: Reported columns that a coordinator may correct: those that effort hangs on.
CORRECTABLE_COLUMNS = ("set_at", "emptied_at", "mouth_mm", "traps_pooled", "trap_state", "liquid")


def give_verdict(
    *,
    by: Account,
    uuid: UUID,
    version: int,
    decision: Decision,
    reason: VerdictReason,
    note: str = "",
    answers: Sequence[Answer] = (),
    columns: Mapping[str, Any] | None = None,
) -> Verdict:
    """Decide a queried return of one's own regions.

    ``version`` is the version that was read: another one raises :class:`Stale` and changes nothing.
    ``answers`` and ``columns`` are what is corrected; what was sent stays beside it.
    """
    with transaction.atomic(durable=True):
        report = locked_in_care(by, uuid)
        refuse_another_version(report, version)
        refuse_anothers_lease([report], by)
        move_return(report, lifecycle.STATE_OF_DECISION[decision])
        columns = dict(columns or {})
        _refuse_a_mismatch(decision, answers, columns)
        verdict = Verdict.objects.create(
            report=report, by=by, decision=decision, reason=reason, note=note, report_version=version
        )
        _write_corrections(verdict, report, answers, columns)
        if columns:
            work_out_again(report, columns)
        report.save(update_fields=[*MOVED, *WORKED_OUT])
        Lease.objects.filter(report=report).delete()
        details = {"decision": decision.value, "reason": reason.value, "corrections": len(answers) + len(columns)}
        write_event(by=by, verb="verdict given", subject=report, details=details)
    return verdict


def lockable_in_care(by: Account) -> QuerySet[Return]:
    """Return the returns of one's own regions with what a check of the protocol needs; reading them locks them."""
    return (
        returns_in_care_of(by)
        .select_for_update(no_key=True, of=("self",))
        .select_related("season__protocol", "trap__site__point", "habitat")
    )


def locked_in_care(by: Account, uuid: UUID) -> Return:
    """Return a return from one's own regions, locked until the transaction ends."""
    report = lockable_in_care(by).filter(uuid=uuid).first()
    if report is None:
        raise NotFound("There is no return with this id in your regions.")
    return report


def refuse_another_version(report: Return, version: int) -> None:
    """Refuse to work on a locked return that was moved since it was read."""
    if report.version != version:
        raise Stale("Somebody else has worked on this return since you opened it. Load it again and look once more.")


def refuse_anothers_lease(reports: Sequence[Return], by: Account) -> None:
    """Refuse to work on locked returns while somebody else reads one of them. One query."""
    taken = Lease.objects.filter(report__in=reports, until__gt=Now()).exclude(by=by)
    if others := list(taken.values_list("report__uuid", flat=True)):
        faults = tuple(Fault("/returns", "in_other_hands", str(uuid)) for uuid in others)
        raise Conflict(
            gettext(
                "Another coordinator is reading this return at the moment. "
                "Take the next one, or wait a quarter of an hour."
            ),
            code="in_other_hands",
            faults=faults if len(reports) > 1 else (),
        )


def _refuse_a_mismatch(decision: Decision, answers: Sequence[Answer], columns: Mapping[str, Any]) -> None:
    corrected = bool(answers or columns)
    if decision == Decision.CORRECTED and not corrected:
        raise Faulty("The verdict is to correct the return, but it names nothing to correct. Say what it should read.")
    if decision != Decision.CORRECTED and corrected:
        raise Faulty("Corrections came with a verdict that does not correct. Choose to correct it, or leave them out.")
    faults = tuple(
        Fault(
            f"/columns/{name}",
            "not_correctable",
            f"{name!r} is not corrected here. These can be: {', '.join(CORRECTABLE_COLUMNS)}.",
        )
        for name in columns
        if name not in CORRECTABLE_COLUMNS
    )
    if faults:
        raise Faulty("Some of what was to be corrected cannot be.", faults=faults)


def _write_corrections(verdict: Verdict, report: Return, answers: Sequence[Answer], columns: Mapping[str, Any]) -> None:
    groups = {group.code: group for group in Group.objects.filter(season=report.season)}
    unknown = [answer.group for answer in answers if answer.group not in groups]
    if unknown:
        faults = tuple(Fault("/catch", "unknown_group", f"{code!r} is not a group of this season.") for code in unknown)
        raise Faulty("Some of what was to be corrected is not on the season's list.", faults=faults)
    sent = set(Catch.objects.filter(report=report).values_list("group__code", flat=True))
    missing = [answer.group for answer in answers if answer.group not in sent]
    if missing:
        faults = tuple(
            Fault(
                "/catch", "group_not_sent", f"{code!r} was not answered in this return, so there is nothing to correct."
            )
            for code in missing
        )
        raise Faulty("A correction stands beside what was sent, and these groups were not.", faults=faults)
    Correction.objects.bulk_create(
        [
            *(
                Correction(
                    verdict=verdict, report=report, group=groups[one.group], answer=one.kind, low=one.low, high=one.high
                )
                for one in answers
            ),
            *(
                Correction(verdict=verdict, report=report, column=name, value=_plain(value))
                for name, value in columns.items()
            ),
        ]
    )


def work_out_again(report: Return, columns: Mapping[str, Any]) -> None:
    """Check a locked return against its protocol again with the corrected columns: its effort and standing follow."""
    lists = lists_of(report.season)
    answers = [answer_of(one, one.group.code) for one in report.catches.select_related("group")]
    result = check_protocol(
        report_of(
            report,
            answers=answers,
            point=report.trap.site.point,
            lists=lists,
            habitat=report.habitat.code if report.habitat else None,
            corrected=columns,
        ),
        limits_of(report.season.protocol),
    )
    work_out(report, result)


def _plain(value: Any) -> Any:
    return value.isoformat() if hasattr(value, "isoformat") else value
