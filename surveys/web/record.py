"""One return of the queue on one page: why it waits, the evidence beside it, and where the verdict goes."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext

from surveys.errors import Fault, Refusal
from surveys.lifecycle import STATE_OF_DECISION
from surveys.permissions import account_of
from surveys.queries.feedback import story_of
from surveys.queries.photos import photo_of
from surveys.queries.returns import awaits_second_look, correction_in_force, return_in_care
from surveys.queries.review import lease_of
from surveys.services.leases import take_record
from surveys.vocabulary import Decision, Outcome, ReturnState, VerdictReason
from surveys.web.another_reading import MOMENT, AnotherReading, moment_in_words
from surveys.web.evidence import drawn
from surveys.web.last_verdict import last_verdict
from surveys.web.queue import part_of
from surveys.web.quick_verdicts import quick_verdicts
from surveys.web.reported import reported_rows
from surveys.web.shown import Shown
from surveys.web.starters import starters
from surveys.web.verdict_form import BOXES, readings_of


def record_page(request: HttpRequest, number: uuid.UUID, refusal: Refusal | None = None) -> HttpResponse:
    """Show one record; with a refusal, what was wrong with the verdict or the question."""
    report = return_in_care(request.user, number)
    waits = report.state == ReturnState.QUERIED
    mine = waits and take_record(by=account_of(request.user), uuid=number)
    faults = {fault.pointer: fault.sentence for fault in refusal.faults} if refusal else {}
    readings = readings_of(report)
    fits = readings[0][1] if readings else None
    typed = _typed(request, fits)
    story = story_of(report)
    shown = {
        "report": report,
        "reasons": [(one, drawn(one.evidence)) for one in report.queries.all()],
        "fits": fits,
        "zone": report.season.time_zone,
        "reported": reported_rows(report),
        "findings": [one for one in report.findings.all() if one.outcome != Outcome.NOTE],
        "catches": [
            {
                "sent": one,
                "fits": fits.cells.get(one.group.code, "") if fits else "",
                "corrected": correction_in_force(report, one.group_id),
                "typed": typed.get(name, ""),
                "fault": faults.get(name, ""),
            }
            for one in report.catches.all()
            if (name := f"c_{one.group.code}")
        ],
        "boxes": _boxes(report, typed, faults, fits),
        "typed": any(typed.values()),
        "photo": photo_of(report),
        "verdicts": [] if awaits_second_look(report) else list(report.verdicts.all()),
        "quick": quick_verdicts(report.reason, readings=readings, answered=_is_answered(story)) if mine else [],
        "decisions": [(code, label, code == request.POST.get("decision")) for code, label in Decision.choices()],
        "verdict_reasons": [
            (code, label, code == request.POST.get("reason")) for code, label in VerdictReason.choices()
        ],
        "can_undo": _can_undo(report),
        "waits": waits,
        "mine": mine,
        "lease": None if mine or not waits else lease_of(report),
        "story": story,
        "starters": starters(request.POST.get("starter", "")),
        "question": request.POST.get("question", ""),
        "note": request.POST.get("note", ""),
        "part": part_of(request.GET),
        "undo": last_verdict(request),
        "refused": refusal.sentence if refusal else "",
        "fault_list": [_shown(fault) for fault in refusal.faults] if refusal else [],
        "faults": faults,
    }
    return render(request, "queue_record.html", shown, status=422 if refusal else 200)


def _typed(request: HttpRequest, fits: AnotherReading | None) -> dict[str, str]:
    """Return what stands in the boxes: what was typed, or with ``?fits`` what the evidence offers."""
    if request.method == "POST":
        return {name: str(request.POST[name]) for name in request.POST if name.startswith("c_") or name in BOXES}
    if fits and "fits" in request.GET:
        return {**{f"c_{code}": cell for code, cell in fits.cells.items()}, **fits.boxes}
    return {}


def _boxes(
    report: Any, typed: Mapping[str, str], faults: Mapping[str, str], fits: AnotherReading | None
) -> list[dict[str, str]]:
    zone = ZoneInfo(report.season.time_zone)
    at = {"set_at": report.set_at.astimezone(zone), "emptied_at": report.emptied_at.astimezone(zone)}
    sent = {
        **{name: moment_in_words(one) for name, one in at.items()},
        "mouth_mm": "" if report.mouth_mm is None else f"{report.mouth_mm:g}",
        "traps_pooled": str(report.traps_pooled),
    }
    words = {
        "set_at": gettext("Opened"),
        "emptied_at": gettext("Emptied"),
        "mouth_mm": gettext("Width of the cup (mm)"),
        "traps_pooled": gettext("Traps counted as one"),
    }
    return [
        {
            "name": name,
            "words": words[name],
            "sent": sent[name],
            "such": at[name].strftime(MOMENT) if name in at else "",
            "fits": fits.shown.get(name, fits.boxes.get(name, "")) if fits else "",
            "typed": typed.get(name, ""),
            "fault": faults.get(name, ""),
        }
        for name in BOXES
    ]


def _can_undo(report: Any) -> bool:
    """Say whether the last verdict made the return what it is."""
    standing = [one for one in report.verdicts.all() if not hasattr(one, "undo")]
    return bool(standing) and report.state == STATE_OF_DECISION[Decision(standing[-1].decision)]


def _is_answered(story: Any) -> bool:
    return any(question.answered_at for question in story.questions)


def _shown(fault: Fault) -> Shown:
    """Return a fault with the field that it belongs to; the service's own pointers lead to no field here."""
    return Shown(fault.sentence, "" if fault.pointer.startswith("/") else fault.pointer)
