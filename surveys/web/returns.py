"""One's own returns: the list, one of them told back, and the form to send one or to change one."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _
from django.views.decorators.http import require_http_methods, require_POST

from surveys.errors import Conflict, NotFound, Refusal
from surveys.lifecycle import CannotMove
from surveys.permissions import Rule, account_of
from surveys.queries.feedback import open_questions
from surveys.queries.keyset import keyset_slice
from surveys.queries.openings import latest_draft, open_settings
from surveys.queries.photos import photo_of
from surveys.queries.returns import correction_in_force, own_return, own_returns
from surveys.queries.seasons import SeasonLists, current_season, lists_of
from surveys.queries.sites import own_traps
from surveys.services.intake import receive_return, withdraw_return
from surveys.services.waking import wake_screening
from surveys.vocabulary import USABLE_STATES, DraftKind, ReturnState, Standing
from surveys.web.access import page
from surveys.web.amending import answers_of, carried_over
from surveys.web.beside import beside_shown
from surveys.web.drawings import drawing_of
from surveys.web.gentle_words import gentle_words
from surveys.web.liquids import is_poison, poison_words
from surveys.web.questions import MORE, counts, questions
from surveys.web.refusals import fault_in_words, in_words
from surveys.web.return_form import FIRST_MEASURES, FIRST_WORDS, read_form, read_identity
from surveys.web.shown import Shown
from surveys.web.told_back import catch_told, findings_told, how_it_was_set, is_held_for_danger

PAGE_LENGTH = 20

#: What a state means to the family, and what happens next.
NEXT: dict[str, Any] = {
    ReturnState.RECEIVED: _("It has arrived. We look through it now. You need not do a thing."),
    ReturnState.STANDING: _("Nothing in it looks odd, so it counts. It goes into the figures of the next night."),
    ReturnState.QUERIED: _("Something in it is unusual, and may be right. A coordinator looks at it before it counts."),
    ReturnState.UPHELD: _("A coordinator has looked at it. It counts as you sent it."),
    ReturnState.CORRECTED: _("A coordinator has put a slip right. So it counts. What you sent is kept beside it."),
    ReturnState.DISCOUNTED: _("A coordinator has left it out of the figures, and says why. We keep what you sent."),
    ReturnState.WITHDRAWN: _("You took it back. It is in no figure from now on."),
}
#: In place of "it counts", where the trap was set too differently to be in a figure.
KEPT_ONLY = _("It is kept, but it is in no figure: the trap was set too differently.")
#: In place of "something in it is unusual", where the protocol check found a danger.
URGENT = _("Thank you for telling us. Read the box below first. A coordinator looks at this return before others.")
#: In place of "you took it back", where another return took its place.
CHANGED = _("You changed it. A newer one stands in its place.")
#: A form that was sent, changed and sent again: nothing of it is lost.
CAME_BEFORE = _(
    "This form was sent before, with other answers, and that return is kept. Look at it under My returns. "
    "Is this another trap or another night? Then send it once more. "
    "Do you want to change the first one? Open it, and press Change this return."
)
#: Why a return cannot be changed, by the code of the refusal.
NOT_AMENDED = {
    "amended_before": _("You have changed this return before. Open the newer one and change that."),
    "withdrawn": _("You took this return back, so it cannot be changed. Send a new one."),
}
#: Where on the form a fault of the service belongs.
_TARGETS = {"/trap": "trap", "/habitat": "habitat"}


def next_of(report: Any) -> str:
    """Return what becomes of a return: a usable one that is off protocol must not read as if it counted."""
    if getattr(report, "amended_by", None) is not None:
        return str(CHANGED)
    kept_only = report.standing == Standing.OFF_PROTOCOL and report.state in USABLE_STATES
    return str(KEPT_ONLY if kept_only else NEXT[report.state])


@page(Rule.SIGNED_IN)
def my_returns(request: HttpRequest) -> HttpResponse:
    """List one's own returns, newest first; before them what waits for an answer, and the traps that stand open."""
    after = request.GET.get("after", "")
    # Eighteen digits and fewer fit the table's keys; anything else begins at the top.
    key = [int(after)] if after.isascii() and after.isdigit() and len(after) <= 18 else None
    rows, last = keyset_slice(own_returns(request.user), ("-id",), key, PAGE_LENGTH)
    shown = {
        "rows": [{"report": row, "next": next_of(row)} for row in rows],
        "after": last[0] if last else None,
        "first_page": key is None,
    }
    if key is None:
        season = current_season()
        shown |= {
            "asked": open_questions(request.user),
            "open": list(open_settings(request.user)),
            "drafts": [one for kind in (DraftKind.SET, DraftKind.EMPTY) if (one := latest_draft(request.user, kind))],
            "zone": season.time_zone if season else "UTC",
        }
    return render(request, "my_returns.html", shown)


@page(Rule.SIGNED_IN)
def my_return(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Tell a night back: what happens next, what was found, the catch beside comparable traps."""
    return told_back(request, number)


def told_back(
    request: HttpRequest, number: uuid.UUID, refusal: Refusal | None = None, *, about: int = 0, status: int = 422
) -> HttpResponse:
    """Show one of one's own returns; with a refusal, that of an answer to the question ``about``, or of a photo."""
    report = own_return(request.user, number)
    lists = lists_of(report.season)
    counted = [(one, correction_in_force(report, one.group_id)) for one in report.catches.all()]
    field = f"answer-{about}" if about else "photo"
    found = findings_told(report)
    reasons = [gentle_words(one, lists) for one in report.queries.all()] if report.state == "queried" else []
    shown = {
        "report": report,
        "photo": photo_of(report),
        "next": _lead(report),
        "standing": how_it_was_set(report),
        "reasons": [one for one in reasons if one not in found["urgent"]],
        **catch_told(counted),
        "corrected": any(correction for one, correction in counted),
        "taken_by": getattr(report, "amended_by", None),
        "can_withdraw": report.state != ReturnState.WITHDRAWN,
        "typed": request.POST.get("answer", "") if about else "",
        "about": about,
        "refused": refusal.sentence if refusal else "",
        "fault_list": [Shown(fault.sentence, field) for fault in refusal.faults] if refusal else [],
        "poison": poison_words() if is_poison(report.liquid) else "",
        **found,
        "findings": [one for one in found["findings"] if one not in reasons],
        **beside_shown(report, lists),
        **_soil(report, lists),
    }
    return render(request, "my_return.html", shown, status=status if refusal else 200)


def _lead(report: Any) -> str:
    """Return what becomes of a return, for its own page: one with a danger in it does not wait as others do."""
    waits = report.state in (ReturnState.RECEIVED, ReturnState.QUERIED) and getattr(report, "amended_by", None) is None
    return str(URGENT) if waits and is_held_for_danger(report) else next_of(report)


def _soil(report: Any, lists: SeasonLists) -> dict[str, Any]:
    """Return the kinds that were caught, for what they do in the soil."""
    caught = {catch.group_id for catch in report.catches.all() if (catch.low or 0) > 0}
    kinds = [group for group in lists.groups if group.pk in caught and group.soil_role]
    return {"caught": [(group, drawing_of(group.code)) for group in kinds]}


@require_POST
@page(Rule.SIGNED_IN)
def withdraw(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Take one's own return back; a second tap finds it taken back and says the same."""
    with suppress(CannotMove):
        withdraw_return(by=account_of(request.user), uuid=number)
    messages.success(request, gettext("You took this return back. It is in no figure from now on."))
    return redirect("my-return", number)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def send_return(request: HttpRequest) -> HttpResponse:
    """Show the form, or take a return in."""
    season = current_season()
    if season is None:
        raise NotFound(gettext("No season is open yet."))
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
    messages.success(request, gettext("Thank you. Your return has arrived."))
    return redirect("my-return", reading.sent.uuid)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def amend_return(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Show the form as it was sent, or take a new return that takes the place of the old one."""
    report = own_return(request.user, number)
    lists = lists_of(report.season)
    answers = {name: str(value) for name, value in request.POST.items()}
    if why := _not_amended(report, answers.get("id", "")):
        return _cannot_amend(request, report, why)
    if request.method != "POST":
        return _form(request, lists, answers_of(report), {}, amends=report)
    traps = {str(trap.public_id): trap.habitat.code for trap in own_traps(request.user)}
    reading = read_form(answers, lists=lists, traps=traps)
    if reading.sent is None:
        return _form(request, lists, answers, reading.faults, amends=report)
    sent = replace(reading.sent, fields={**carried_over(report), **reading.sent.fields})
    try:
        receive_return(by=account_of(request.user), sent=sent, amends=report.uuid)
    except Refusal as refusal:
        if refusal.code in NOT_AMENDED:  # somebody else of the household was quicker
            return _cannot_amend(request, own_return(request.user, number), refusal.code)
        return _refused(request, lists, answers, refusal, amends=report)
    wake_screening()
    messages.success(request, gettext("Your change has arrived. This return took the place of the one before."))
    return redirect("my-return", sent.uuid)


def _not_amended(report: Any, given: str) -> str:
    """Say why a return cannot be changed, if it cannot; the same change sent again goes through."""
    after = getattr(report, "amended_by", None)
    if after is not None:
        return "" if str(after.uuid) == given else "amended_before"
    return "withdrawn" if report.state == ReturnState.WITHDRAWN else ""


def _cannot_amend(request: HttpRequest, report: Any, why: str) -> HttpResponse:
    shown = {"report": report, "why": NOT_AMENDED[why], "taken_by": getattr(report, "amended_by", None)}
    return render(request, "feedback/cannot_amend.html", shown, status=409)


def _refused(
    request: HttpRequest, lists: SeasonLists, answers: dict[str, str], refusal: Refusal, *, amends: Any = None
) -> HttpResponse:
    """Show the form again with what the service said, and every answer in it."""
    sentence = in_words(refusal)
    if isinstance(refusal, Conflict):
        # Whatever it clashed with, the next try must not clash again: the form gets a new id.
        sentence = str(CAME_BEFORE) if _came_before(request, answers) else sentence
        answers = {**answers, "id": str(uuid.uuid4())}
    listed = [Shown(fault_in_words(fault), _TARGETS.get(fault.pointer, "")) for fault in refusal.faults]
    return _form(request, lists, answers, {}, refused=sentence, listed=listed, amends=amends)


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
    amends: Any = None,
) -> HttpResponse:
    traps = list(own_traps(request.user))
    shown: dict[str, Any] = {
        "season": lists.season,
        "amends": amends,
        "open": [] if amends else open_settings(request.user),
        "was_looked_at": bool(amends and amends.verdicts.all()),
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
    path("my/returns/<uuid:number>/change/", amend_return, name="amend-return"),
]
