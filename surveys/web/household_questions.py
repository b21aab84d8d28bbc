"""A coordinator asks a household about a return, and the household answers."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import path
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from surveys.errors import Fault, Faulty, NotFound, Refusal
from surveys.permissions import Rule, account_of
from surveys.services.questions import answer_question, ask_household
from surveys.web.access import page
from surveys.web.record import record_page
from surveys.web.returns import told_back
from surveys.web.starters import STARTERS

#: Where on the record's page a fault belongs.
_FIELDS = {"/text": "question", "/starter": "starter"}


@require_POST
@page(Rule.COORDINATOR)
def ask(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Ask the household about a return that waits."""
    starter, own = request.POST.get("starter", ""), request.POST.get("question", "").strip()
    try:
        if starter and starter not in STARTERS:
            raise Faulty(
                gettext("The question is not complete yet."),
                faults=(Fault("/starter", "unknown_word", gettext("Choose from the list, or write your own.")),),
            )
        text = "\n".join(part for part in (STARTERS.get(starter, ""), own) if part)
        ask_household(by=account_of(request.user), uuid=number, text=text)
    except NotFound:
        raise
    except Refusal as refusal:
        faults = tuple(Fault(_FIELDS[one.pointer], one.code, one.sentence) for one in refusal.faults)
        return record_page(request, number, Refusal(refusal.sentence, code=refusal.code, faults=faults))
    messages.success(request, gettext("Your question is on its way. The return waits in the queue until you decide."))
    return redirect("queue-record", number)


@require_POST
@page(Rule.SIGNED_IN)
def answer(request: HttpRequest, number: uuid.UUID, question: int) -> HttpResponse:
    """Take the household's answer."""
    try:
        answer_question(
            by=account_of(request.user), uuid=number, question=question, text=request.POST.get("answer", "")
        )
    except NotFound:
        raise
    except Refusal as refusal:
        return told_back(request, number, refusal, about=question)
    messages.success(request, gettext("Thank you. Your answer is with the coordinator."))
    return redirect("my-return", number)


urlpatterns = [
    path("queue/<uuid:number>/ask", ask, name="ask-household"),
    path("my/returns/<uuid:number>/questions/<int:question>/answer", answer, name="answer-question"),
]
