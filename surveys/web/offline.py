"""What the page that works without a signal asks for and sends: one's own list, and one draft after the other.

The shell says nothing about anybody: whose traps these are comes from ``field-list``, which no cache keeps.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any, cast

from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.middleware.csrf import get_token
from django.urls import path, reverse
from django.utils import timezone
from django.utils.crypto import salted_hmac
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _
from django.views.decorators.http import require_POST, require_safe

from surveys.errors import Conflict, NotFound, Refusal
from surveys.permissions import Rule, Visitor, account_of, admits
from surveys.queries.openings import lists_for, open_settings, own_opening
from surveys.queries.returns import own_return
from surveys.queries.seasons import SeasonLists
from surveys.queries.sites import own_traps
from surveys.services.intake import Receipt, receive_return
from surveys.services.openings import set_trap
from surveys.services.waking import wake_screening
from surveys.vocabulary import DraftKind, Standing
from surveys.web.access import Page, View
from surveys.web.asked import EMPTY_QUESTIONS, UNTOLD
from surveys.web.asking import read_emptying, read_setting
from surveys.web.offline_shell import in_the_garden, service_worker, web_manifest
from surveys.web.refusals import in_words
from surveys.web.steps import trap_words
from surveys.web.words import say

#: A filled-in draft has about 100 short answers: some 5 kB.
LONGEST_BODY = 64 * 1024
MOST_ANSWERS = 400
LONGEST_NAME = 64
LONGEST_ANSWER = 2000

COUNTED: dict[str, Any] = {
    Standing.TO_PROTOCOL: _("The trap was set just as we ask, so it counts."),
    Standing.ADJUSTED: _("The trap was a little different. The figures can allow for that, so it counts."),
    Standing.OFF_PROTOCOL: _("The trap was too different to compare. We keep it, but it is in no figure."),
}
TRAP_IS_SET = _("The trap is set. Look at it at dusk and at dawn, and empty it after one day.")
NOT_KNOWN = _("We know of no such trap that was set. Choose the trap once more.")
NOT_READ = _("What was sent cannot be read. Load this page again with a signal, then send once more.")
SENT_BEFORE = _("The return about this trap was sent before. Look at it under My returns.")
MEND = _("Some answers need another look. Nothing is lost.")


class Unreadable(Exception):
    """A body that no page of ours sends; the status says in which way."""

    def __init__(self, status: int) -> None:
        super().__init__(status)
        self.status = status


def for_script(rule: Rule) -> Callable[[View], Page]:
    """Return a decorator like :func:`surveys.web.access.page`, for a view that a script asks.

    A script cannot follow a redirect to a form, so somebody who is not signed in is told so in JSON (401).
    No answer may be kept by a cache.
    """

    def guard(view: View) -> Page:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            answer = view(request, *args, **kwargs) if admits(rule, request.user) else _turned_away(request)
            answer["Cache-Control"] = "no-store"
            return answer

        guarded.rule = rule  # type: ignore[attr-defined]
        return cast(Page, guarded)

    return guard


def _turned_away(request: HttpRequest) -> JsonResponse:
    if request.user.is_authenticated:
        return JsonResponse({"outcome": "refused", "sentence": gettext("This is not for your account.")}, status=403)
    return JsonResponse({"outcome": "sign_in"}, status=401)


@require_safe
@for_script(Rule.SIGNED_IN)
def field_list(request: HttpRequest) -> HttpResponse:
    """Say which traps are one's own and which stand open, with a fresh token for sending. Five queries at most."""
    listed = {
        "outcome": "list",
        "who": who(request.user),
        "csrf": get_token(request),
        "traps": [_trap(trap) for trap in own_traps(request.user)],
        "open": [_setting(opening) for opening in open_settings(request.user)],
    }
    return JsonResponse(listed)


@require_POST
@for_script(Rule.SIGNED_IN)
def field_send(request: HttpRequest) -> HttpResponse:
    """Take in one draft: a setting or a return. The same draft sent again changes nothing."""
    try:
        kind, number, answers = read_body(request)
    except Unreadable as fault:
        return JsonResponse({"outcome": "refused", "sentence": str(NOT_READ)}, status=fault.status)
    take = _take_setting if kind is DraftKind.SET else _take_emptying
    try:
        return take(request, {**answers, "id": str(number)}, number)
    except Refusal as refusal:
        return _refused(request, number, refusal)


def _take_setting(request: HttpRequest, answers: Mapping[str, str], number: uuid.UUID) -> HttpResponse:
    traps = _traps(request)
    lists = _lists(traps.get(answers.get("trap", "")))
    reading = read_setting(answers, lists, _habitats(traps), timezone.now())
    if reading.sent is None:
        return _faults(reading.faults)
    opening = set_trap(by=account_of(request.user), sent=reading.sent)
    return _taken(reverse("trap-is-set", args=[opening.uuid]), str(TRAP_IS_SET))


def _take_emptying(request: HttpRequest, answers: Mapping[str, str], number: uuid.UUID) -> HttpResponse:
    told, traps = answers.get("opening", ""), _traps(request)
    if not told:
        return _faults({"opening": str(EMPTY_QUESTIONS[0].fault)})
    try:
        opening = None if told == UNTOLD else own_opening(request.user, uuid.UUID(told))
    except (ValueError, NotFound):
        return _faults({"opening": str(NOT_KNOWN)})
    if opening and opening.report and opening.report.uuid != number:
        return _conflict(str(SENT_BEFORE), opening.report.uuid)
    lists = _lists(opening.trap if opening else traps.get(answers.get("trap", "")))
    reading = read_emptying(answers, lists, opening, timezone.now(), _habitats(traps))
    if reading.sent is None:
        return _faults(reading.faults)
    by = account_of(request.user)
    receipt = cast(Receipt, receive_return(by=by, sent=reading.sent, opening=opening.uuid if opening else None))
    wake_screening()
    return _taken(reverse("my-return", args=[number]), str(COUNTED[cast(Any, receipt.report).standing]))


def read_body(request: HttpRequest) -> tuple[DraftKind, uuid.UUID, dict[str, str]]:
    """Read kind, id and flat answers of a draft. Raises Unreadable for what the page never sends."""
    if request.content_type != "application/json":
        raise Unreadable(415)
    if int(request.headers.get("Content-Length") or 0) > LONGEST_BODY:
        raise Unreadable(413)
    try:
        sent = json.loads(request.body)
        kind, number, answers = DraftKind(sent["kind"]), uuid.UUID(sent["uuid"]), sent["answers"]
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise Unreadable(400) from None
    if kind not in (DraftKind.SET, DraftKind.EMPTY) or not isinstance(answers, dict) or len(answers) > MOST_ANSWERS:
        raise Unreadable(400)
    if not all(_fits(name, value) for name, value in answers.items()):
        raise Unreadable(400)
    return kind, number, answers


def _fits(name: str, value: Any) -> bool:
    # The database takes no NUL, and no half of a sign that takes two.
    if not isinstance(value, str) or len(name) > LONGEST_NAME or len(value) > LONGEST_ANSWER:
        return False
    try:
        return b"\0" not in value.encode()
    except UnicodeEncodeError:
        return False


def _traps(request: HttpRequest) -> dict[str, Any]:
    return {str(trap.public_id): trap for trap in own_traps(request.user)}


def _habitats(traps: Mapping[str, Any]) -> dict[str, str]:
    return {number: trap.habitat.code for number, trap in traps.items()}


def _lists(trap: Any) -> SeasonLists:
    lists = lists_for(trap, timezone.now())
    if lists is None:
        raise Conflict("No season is open.", code="no_season")
    return lists


def _taken(where: str, told: str) -> JsonResponse:
    return JsonResponse({"outcome": "taken", "where": where, "told": told})


def _faults(faults: Mapping[str, str], sentence: str = "") -> JsonResponse:
    return JsonResponse({"outcome": "faults", "faults": faults, "sentence": sentence or str(MEND)}, status=422)


def _conflict(sentence: str, first: uuid.UUID | None) -> JsonResponse:
    """Say that something else came first; ``first`` is the return that did, where it is one's own."""
    where = reverse("my-return", args=[first]) if first else ""
    return JsonResponse({"outcome": "conflict", "sentence": sentence, "where": where}, status=409)


def _refused(request: HttpRequest, number: uuid.UUID, refusal: Refusal) -> JsonResponse:
    """Say what a service said, where on the page it can be mended."""
    if refusal.code == "already_open":
        return _faults({"trap": in_words(refusal)})
    if isinstance(refusal, Conflict) and (refusal.code == "other_content" or _has_return(request, number)):
        sentence = in_words(Conflict(refusal.sentence, code="other_content"))
        return _conflict(sentence, number if _has_return(request, number) else None)
    return _faults({_field(fault.pointer): fault.sentence for fault in refusal.faults}, in_words(refusal))


def _has_return(request: HttpRequest, number: uuid.UUID) -> bool:
    try:
        own_return(request.user, number)
    except NotFound:
        return False
    return True


def _field(pointer: str) -> str:
    """Return the name of the answer that a service's JSON Pointer is about."""
    last = pointer.rsplit("/", 1)[-1]
    return {"set_at": "set_day", "emptied_at": "emptied_day"}.get(last, last)


def who(visitor: Visitor) -> str:
    """Return a mark of one account that says nothing about it: a draft is sent by whoever wrote it."""
    return salted_hmac("surveys.web.offline", str(account_of(visitor).pk), algorithm="sha256").hexdigest()[:16]


def _trap(trap: Any) -> dict[str, Any]:
    return {
        "id": str(trap.public_id),
        "site": trap.site.number,
        "number": trap.number,
        "habitat": say(trap.habitat.label),
        "code": trap.code,
        "words": trap_words(trap),
    }


def _setting(opening: Any) -> dict[str, Any]:
    return {"id": str(opening.uuid), "trap": str(opening.trap.public_id), "set_at": opening.set_at.isoformat()}


urlpatterns = [
    path("in-the-garden/", in_the_garden, name="in-the-garden"),
    path("in-the-garden/list", field_list, name="field-list"),
    path("in-the-garden/send", field_send, name="field-send"),
    path("worker.js", service_worker, name="service-worker"),
    path("manifest.webmanifest", web_manifest, name="web-manifest"),
]
