"""One's own returns: the list, one of them, and the form to send one."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from contextlib import suppress
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from surveys.errors import Conflict, NotFound, Refusal
from surveys.lifecycle import CannotMove
from surveys.permissions import Rule, account_of
from surveys.queries.keyset import keyset_slice
from surveys.queries.returns import correction_in_force, own_return, own_returns
from surveys.queries.seasons import SeasonLists, current_season, lists_of
from surveys.queries.sites import own_traps
from surveys.services.intake import receive_return, withdraw_return
from surveys.services.waking import wake_screening
from surveys.vocabulary import USABLE_STATES, Mark, Outcome, ReturnState, Standing
from surveys.web.access import page
from surveys.web.people import Shown
from surveys.web.questions import MORE, counts, questions
from surveys.web.return_form import FIRST_MEASURES, FIRST_WORDS, read_form, read_identity

PAGE_LENGTH = 20

#: What a state means to the family, and what happens next.
NEXT: dict[str, str] = {
    ReturnState.RECEIVED: "It has arrived. It is being looked through now.",
    ReturnState.STANDING: "It counts. It goes into the figures of the next night.",
    ReturnState.QUERIED: "Something in it is unusual. A coordinator looks at it before it counts.",
    ReturnState.UPHELD: "A coordinator has looked at it. It counts as you sent it.",
    ReturnState.CORRECTED: "A coordinator has put a slip right. What you sent is kept beside it.",
    ReturnState.DISCOUNTED: "It is kept, but it is not in the figures. The reason stands below.",
    ReturnState.WITHDRAWN: "You took it back. It is in no figure from now on.",
}
STANDINGS: dict[str, str] = {
    Standing.TO_PROTOCOL: "The trap was set just as we ask.",
    Standing.ADJUSTED: "The trap was a little different. The figures can allow for that.",
    Standing.OFF_PROTOCOL: "The trap was too different to compare. We keep it, but it is not in the figures.",
}
#: In place of "it counts", where the trap was set too differently to be in a figure.
KEPT_ONLY = "It is kept, but it is in no figure: the trap was set too differently."
#: A form that was sent, changed and sent again: nothing of it is lost.
CAME_BEFORE = (
    "This form was sent before, with other answers, and that return is kept. Look at it under My returns. "
    "Is this another trap or another night? Then send it once more. "
    "Do you want to change the first one? Take that one back, then send this one."
)
#: Where on the form a fault of the service belongs.
_TARGETS = {"/trap": "trap", "/habitat": "habitat"}


def next_of(report: Any) -> str:
    """Return what becomes of a return: a usable one that is off protocol must not read as if it counted."""
    kept_only = report.standing == Standing.OFF_PROTOCOL and report.state in USABLE_STATES
    return KEPT_ONLY if kept_only else NEXT[report.state]


@page(Rule.SIGNED_IN)
def my_returns(request: HttpRequest) -> HttpResponse:
    """List one's own returns, newest first."""
    after = request.GET.get("after", "")
    # Eighteen digits and fewer fit the table's keys; anything else begins at the top.
    key = [int(after)] if after.isascii() and after.isdigit() and len(after) <= 18 else None
    rows, last = keyset_slice(own_returns(request.user), ("-id",), key, PAGE_LENGTH)
    listed = [{"report": row, "next": next_of(row)} for row in rows]
    return render(request, "my_returns.html", {"rows": listed, "after": last[0] if last else None})


@page(Rule.SIGNED_IN)
def my_return(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Show one of one's own returns: what it means, what was found, what happens next."""
    report = own_return(request.user, number)
    found = list(report.findings.all())
    catches = [(one, correction_in_force(report, one.group_id)) for one in report.catches.all()]
    shown = {
        "report": report,
        "next": next_of(report),
        "standing": STANDINGS[report.standing],
        "urgent": [one for one in found if Mark.SAFETY in one.marks or Mark.WELFARE in one.marks],
        "findings": [one for one in found if one.outcome != Outcome.NOTE and not one.marks],
        "notes": [one for one in found if one.outcome == Outcome.NOTE and not one.marks],
        "catches": catches,
        "corrected": any(correction for _, correction in catches),
        "can_withdraw": report.state != ReturnState.WITHDRAWN,
    }
    return render(request, "my_return.html", shown)


@require_POST
@page(Rule.SIGNED_IN)
def withdraw(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Take one's own return back; a second tap finds it taken back and says the same."""
    with suppress(CannotMove):
        withdraw_return(by=account_of(request.user), uuid=number)
    messages.success(request, "You took this return back. It is in no figure from now on.")
    return redirect("my-return", number)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def send_return(request: HttpRequest) -> HttpResponse:
    """Show the form, or take a return in."""
    season = current_season()
    if season is None:
        raise NotFound("No season is open yet.")
    lists = lists_of(season)
    if request.method != "POST":
        now = timezone.now()
        start = {"id": str(uuid.uuid4()), "set_year": str(now.year), "emptied_year": str(now.year)}
        return _form(request, lists, start, {})
    answers = {name: str(value) for name, value in request.POST.items()}
    traps = {str(trap.public_id): trap.habitat.code for trap in own_traps(request.user)}
    reading = read_form(answers, lists=lists, traps=traps)
    if reading.sent is None:
        return _form(request, lists, answers, reading.faults)
    try:
        receive_return(by=account_of(request.user), sent=reading.sent)
    except Refusal as refusal:
        return _refused(request, lists, answers, refusal)
    wake_screening()
    messages.success(request, "Thank you. Your return has arrived.")
    return redirect("my-return", reading.sent.uuid)


def _refused(request: HttpRequest, lists: SeasonLists, answers: dict[str, str], refusal: Refusal) -> HttpResponse:
    """Show the form again with what the service said, and every answer in it."""
    sentence = refusal.sentence
    if isinstance(refusal, Conflict):
        # Whatever it clashed with, the next try must not clash again: the form gets a new id.
        sentence = CAME_BEFORE if _came_before(request, answers) else sentence
        answers = {**answers, "id": str(uuid.uuid4())}
    listed = [Shown(fault.sentence, _TARGETS.get(fault.pointer, "")) for fault in refusal.faults]
    return _form(request, lists, answers, {}, refused=sentence, listed=listed)


def _came_before(request: HttpRequest, answers: dict[str, str]) -> bool:
    try:
        own_return(request.user, read_identity(answers.get("id", "")))
    except NotFound:
        return False
    return True


def _form(
    request: HttpRequest,
    lists: SeasonLists,
    answers: dict[str, str],
    faults: dict[str, str],
    *,
    refused: str = "",
    listed: Sequence[Shown] = (),
) -> HttpResponse:
    traps = list(own_traps(request.user))
    shown: dict[str, Any] = {
        "season": lists.season,
        "traps": [(trap, str(trap.public_id) == answers.get("trap") or len(traps) == 1) for trap in traps],
        "habitats": [(habitat, habitat.code == answers.get("habitat")) for habitat in lists.habitats],
        "answers": answers,
        "faults": faults,
        "first": questions((*FIRST_MEASURES, *FIRST_WORDS), answers, faults),
        "more": questions(MORE, answers, faults),
        "more_open": any(name in faults or answers.get(name) for name in (*MORE, "note")),
        "counts": counts(lists, answers, faults),
        "refused": refused,
        "fault_list": [*listed, *(Shown(sentence, name) for name, sentence in faults.items())],
    }
    return render(request, "send_return.html", shown, status=422 if faults or refused else 200)


urlpatterns = [
    path("my/returns/", my_returns, name="my-returns"),
    path("my/returns/new/", send_return, name="send-return"),
    path("my/returns/<uuid:number>/", my_return, name="my-return"),
    path("my/returns/<uuid:number>/withdraw", withdraw, name="withdraw-return"),
]
