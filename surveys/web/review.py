"""The coordinator's queue, one record of it, and the verdict."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib import messages
from django.core import signing
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods

from surveys.errors import Fault, Faulty, NotFound, Refusal
from surveys.methods.records import Answer
from surveys.permissions import Rule, account_of
from surveys.queries.keyset import keyset_slice
from surveys.queries.returns import correction_in_force, return_in_care
from surveys.queries.review import QUEUE_ORDER, queue
from surveys.services.review import give_verdict
from surveys.vocabulary import (
    MOST_ANIMALS,
    REPORTED_MEASURES,
    REPORTED_WORDS,
    AnswerKind,
    Decision,
    Outcome,
    QueryReason,
    ReturnState,
    VerdictReason,
)
from surveys.web.access import page
from surveys.web.evidence import drawn, fitting_dates
from surveys.web.moments import read_whole
from surveys.web.people import Shown
from surveys.web.return_form import read_note

PAGE_LENGTH = 20
_SALT = "queue page"


@page(Rule.COORDINATOR)
def queue_page(request: HttpRequest) -> HttpResponse:
    """List what waits: danger first, then by how much it matters."""
    after = None
    if given := request.GET.get("after"):
        try:
            after = signing.loads(given, salt=_SALT)
        except signing.BadSignature:
            return redirect("queue")
    rows, last = keyset_slice(queue(request.user), QUEUE_ORDER, after, PAGE_LENGTH)
    listed = [{"report": row, "first": next(iter(row.queries.all()), None)} for row in rows]
    following = signing.dumps(list(last), salt=_SALT) if last else None
    return render(request, "queue.html", {"rows": listed, "after": following, "waiting": queue(request.user).count()})


@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.COORDINATOR)
def record(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Show one record, or take its verdict and go on to the next."""
    if request.method != "POST":
        return _page(request, number)
    try:
        _decide(request, number)
    except NotFound:
        raise
    except Refusal as refusal:
        return _page(request, number, refusal)
    messages.success(request, "Your verdict is on record.")
    following = queue(request.user).order_by(*QUEUE_ORDER).first()
    return redirect("queue-record", following.uuid) if following else redirect("queue")


def _decide(request: HttpRequest, number: uuid.UUID) -> None:
    given = request.POST
    faults: dict[str, str] = {}
    if given.get("decision") not in Decision.values():
        faults["decision"] = "Choose what to do with this return."
    if given.get("reason") not in VerdictReason.values():
        faults["reason"] = "Choose the reason from the list."
    note = read_note(given.get("note", ""), "note", faults)
    answers = _corrections(given, faults)
    version = read_whole(given.get("version", ""))
    if faults or version is None:
        listed = tuple(Fault(name, "to_mend", sentence) for name, sentence in faults.items())
        raise Faulty("The verdict is not complete yet.", faults=listed)
    give_verdict(
        by=account_of(request.user),
        uuid=number,
        version=version,
        decision=Decision(given["decision"]),
        reason=VerdictReason(given["reason"]),
        note=note,
        # Numbers that were typed go along with any decision: the service says so where they don't belong.
        answers=answers,
    )


def _corrections(given: QueryDict, faults: dict[str, str]) -> list[Answer]:
    """Read the numbers that were typed beside the sent ones; 0 means "looked, and none"."""
    found = []
    for name in given:
        typed = str(given[name]).strip()
        if not name.startswith("c_") or not typed:
            continue
        count = read_whole(typed)
        if count is None or count > MOST_ANIMALS:
            faults[name] = f"{typed!r} is not a count from 0 to {MOST_ANIMALS}. Write digits only."
            continue
        kind = AnswerKind.NUMBER if count else AnswerKind.NONE_SEEN
        found.append(Answer(group=name.removeprefix("c_"), kind=kind, low=count, high=count))
    return found


def _page(request: HttpRequest, number: uuid.UUID, refusal: Refusal | None = None) -> HttpResponse:
    report = return_in_care(request.user, number)
    zone = report.season.time_zone
    faults = {fault.pointer: fault.sentence for fault in refusal.faults} if refusal else {}
    shown = {
        "report": report,
        "reasons": [(one, drawn(one.evidence), fitting_dates(one.evidence, zone)) for one in report.queries.all()],
        "zone": zone,
        "reported": _reported(report),
        "findings": [one for one in report.findings.all() if one.outcome != Outcome.NOTE],
        "catches": [
            (one, correction_in_force(report, one.group_id), request.POST.get(name, ""), faults.get(name, ""))
            for one in report.catches.all()
            if (name := f"c_{one.group.code}")
        ],
        "verdicts": [] if _is_blind(report) else list(report.verdicts.all()),
        "decisions": [(code, label, code == request.POST.get("decision")) for code, label in Decision.choices()],
        "verdict_reasons": [
            (code, label, code == request.POST.get("reason")) for code, label in VerdictReason.choices()
        ],
        "waits": report.state == ReturnState.QUERIED,
        "note": request.POST.get("note", ""),
        "refused": refusal.sentence if refusal else "",
        "fault_list": [_shown(fault) for fault in refusal.faults] if refusal else [],
        "faults": faults,
    }
    return render(request, "queue_record.html", shown, status=422 if refusal else 200)


def _is_blind(report: Any) -> bool:
    """Say whether this is a second look, which must not know what the first one decided."""
    reasons = {one.reason for one in report.queries.all()}
    return bool(report.state == ReturnState.QUERIED and QueryReason.SECOND_LOOK in reasons)


def _shown(fault: Fault) -> Shown:
    """Return a fault with the field that it belongs to; the service's own pointers lead to no field here."""
    return Shown(fault.sentence, "" if fault.pointer.startswith("/") else fault.pointer)


def _reported(report: Any) -> list[tuple[str, str]]:
    rows = []
    for name, words in REPORTED_WORDS.items():
        if value := getattr(report, name):
            rows.append((name.replace("_", " "), words(value).label))
    rows += [
        (name.replace("_", " "), f"{value:g}")
        for name in REPORTED_MEASURES
        if (value := getattr(report, name)) is not None
    ]
    return rows


urlpatterns = [
    path("queue/", queue_page, name="queue"),
    path("queue/<uuid:number>/", record, name="queue-record"),
]
