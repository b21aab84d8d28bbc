"""One return of the queue on one page, and the verdict on it."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from surveys.errors import NotFound, Refusal
from surveys.permissions import Rule, account_of
from surveys.queries.returns import return_in_care
from surveys.services.leases import give_back_record
from surveys.services.review import give_verdict
from surveys.services.undo import undo_verdict, undo_verdicts_together
from surveys.web.access import page
from surveys.web.evidence_beside import beside
from surveys.web.last_verdict import id_in, keep_last_verdict
from surveys.web.moments import read_whole
from surveys.web.queue import to_the_next
from surveys.web.record import record_page
from surveys.web.verdict_form import read_verdict
from surveys.web.words import say


@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.COORDINATOR)
def record(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Show one record, or take its verdict and go on to the next."""
    if request.method != "POST":
        return record_page(request, number)
    try:
        words, version = _decide(request, number)
    except NotFound:
        raise
    except Refusal as refusal:
        return record_page(request, number, refusal)
    keep_last_verdict(request, words=words, uuid=number, version=version)
    return to_the_next(request)


@require_safe
@page(Rule.COORDINATOR)
def evidence(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Show what stands beside a return: comparable traps, its site, its place. The record fetches it with ``?part``.

    It is an address of its own, because drawing takes longer than reading why a return waits.
    """
    report = return_in_care(request.user, number)
    template = "desk/beside.html" if "part" in request.GET else "desk/beside_page.html"
    answer = render(request, template, {"report": report, "beside": beside(report)})
    answer["Cache-Control"] = "private, max-age=300"
    return answer


@require_POST
@page(Rule.COORDINATOR)
def leave(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Leave a return for later, or for somebody else."""
    give_back_record(by=account_of(request.user), uuid=number)
    return redirect("queue")


@require_POST
@page(Rule.COORDINATOR)
def undo(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Take a verdict back: the return waits again."""
    version = read_whole(request.POST.get("version", ""))
    try:
        undo_verdict(by=account_of(request.user), uuid=number, version=-1 if version is None else version)
    except NotFound:
        raise
    except Refusal as refusal:
        return record_page(request, number, refusal)
    messages.success(request, gettext("Your verdict is taken back. The return waits again."))
    return redirect("queue-record", number)


@require_POST
@page(Rule.COORDINATOR)
def undo_together(request: HttpRequest) -> HttpResponse:
    """Take back all verdicts that were given with one press."""
    together = id_in(request.POST.get("together", ""))
    if together is None:
        raise NotFound("There are no such verdicts in your regions.")
    undone, left = undo_verdicts_together(by=account_of(request.user), together=together)
    words = gettext("%(undone)s verdicts are taken back. Those returns wait again.") % {"undone": undone}
    if left:
        words += " " + gettext("%(left)s were worked on since, so they stay as they are.") % {"left": left}
    messages.success(request, words)
    return redirect("queue")


def _decide(request: HttpRequest, number: uuid.UUID) -> tuple[str, int]:
    """Give the verdict that was posted. Returns what was decided, in words, and the version that it left."""
    report = return_in_care(request.user, number)
    form = read_verdict(request.POST, report)
    give_verdict(
        by=account_of(request.user),
        uuid=number,
        version=form.version,
        decision=form.decision,
        reason=form.reason,
        note=form.note,
        answers=form.answers,
        columns=form.columns,
    )
    alias = report.trap.site.household.alias
    return f"{alias}, {say(form.decision)}: {say(form.reason)}.", form.version + 1


urlpatterns = [
    path("queue/<uuid:number>/", record, name="queue-record"),
    path("queue/<uuid:number>/beside", evidence, name="queue-beside"),
    path("queue/<uuid:number>/leave", leave, name="queue-leave"),
    path("queue/<uuid:number>/undo", undo, name="queue-undo"),
    path("queue/undo", undo_together, name="queue-undo-together"),
]
