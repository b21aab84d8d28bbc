"""Every refusal of the API as an RFC 9457 problem.

``type`` is the address of a page that explains the problem; ``instance`` names the request, as the
log does; ``errors`` lists each fault with its place as a JSON Pointer (RFC 6901).
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from contextlib import suppress
from http import HTTPStatus
from typing import Any

from django.core.exceptions import DisallowedHost, PermissionDenied, SuspiciousOperation
from django.http import Http404, HttpRequest, JsonResponse
from rest_framework import exceptions
from rest_framework.request import Request
from rest_framework.response import Response

from api.pointers import fault_rows
from surveys import errors, lifecycle
from surveys.queries.outages import outage_of

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"

#: Problem codes: status, title.
PROBLEMS: dict[str, tuple[int, str]] = {
    "faulty-request": (400, "The request could not be read"),
    "not-signed-in": (401, "This needs a token"),
    "code-needed": (401, "This account needs a code, too"),
    "wrong-code": (401, "This code is not right"),
    "not-allowed": (403, "This is not yours to do"),
    "second-factor-needed": (403, "Set up the second factor first"),
    "scope-needed": (403, "This token is for other uses"),
    "not-found": (404, "There is nothing here"),
    "method-not-allowed": (405, "This address does not do that"),
    "not-acceptable": (406, "No form of answer fits"),
    "conflict": (409, "This contradicts what is stored"),
    "still-running": (409, "The same request is being worked on"),
    "stale": (412, "Somebody was faster"),
    "too-large": (413, "The request is too large"),
    "no-such-bytes": (416, "The file has no such bytes"),
    "unsupported-media-type": (415, "The request is of another kind"),
    "faulty-content": (422, "Some of what was sent cannot be taken"),
    "key-reused": (422, "This key belongs to another request"),
    "precondition-required": (428, "Say which version you have read"),
    "quota-exceeded": (429, "Too many requests"),
    "server-error": (500, "Something went wrong here"),
    "unavailable": (503, "The service is not ready"),
}


class TooLarge(exceptions.APIException):
    """The body is larger than is read at all."""

    status_code = 413
    default_code = "too_large"


class PreconditionRequired(exceptions.APIException):
    """A write came without the version that was read."""

    status_code = 428
    default_code = "precondition_required"


class NotSent(exceptions.APIException):
    """A file cannot be sent as it was asked for. Carries its status, and headers that go with it."""

    def __init__(self, status: int, sentence: str, headers: Mapping[str, str]) -> None:
        super().__init__(sentence, code="not_sent")
        self.status_code = status
        self.headers = headers


class FaultyBody(exceptions.ParseError):
    """The body is not JSON as it is taken here. Carries its own code."""


_REFUSALS: tuple[tuple[type[errors.Refusal], str], ...] = (
    (errors.StillRunning, "still-running"),
    (errors.KeyReused, "key-reused"),
    (errors.Stale, "stale"),
    (errors.NotFound, "not-found"),
    (errors.SecondFactorNeeded, "second-factor-needed"),
    (errors.ScopeNeeded, "scope-needed"),
    (errors.CodeNeeded, "code-needed"),
    (errors.WrongCode, "wrong-code"),
    (errors.TooSoon, "quota-exceeded"),
    (errors.NotAllowed, "not-allowed"),
    (errors.Conflict, "conflict"),
    (lifecycle.CannotMove, "conflict"),
    (errors.Faulty, "faulty-content"),
    (errors.Refusal, "conflict"),
)

#: What Django raises, as it is answered. The last is raised by a thousand parameters behind one question mark, too.
_OF_DJANGO: tuple[tuple[type[Exception], str, str], ...] = (
    (Http404, "not-found", "There is nothing at this address."),
    (PermissionDenied, "not-allowed", "Your account may not do this."),
    (SuspiciousOperation, "faulty-request", "This request holds more, or other things, than are read here."),
)

_OF_STATUS = {
    400: "faulty-request",
    401: "not-signed-in",
    403: "not-allowed",
    404: "not-found",
    405: "method-not-allowed",
    406: "not-acceptable",
    409: "conflict",
    412: "stale",
    413: "too-large",
    415: "unsupported-media-type",
    416: "no-such-bytes",
    422: "faulty-content",
    428: "precondition-required",
    429: "quota-exceeded",
    503: "unavailable",
}


def answer_with_a_problem(exc: Exception, context: dict[str, Any]) -> Response:
    """Return the answer to any exception of a view; never None, so nothing escapes as HTML."""
    request = context["request"]
    if isinstance(exc, errors.Refusal):
        code = next(code for kind, code in _REFUSALS if isinstance(exc, kind))
        rows = [{"pointer": one.pointer, "code": one.code, "detail": one.sentence} for one in exc.faults]
        return _response(request, code, exc.sentence, rows, _headers_of(exc, PROBLEMS[code][0]))
    for kind, code, sentence in _OF_DJANGO:
        if isinstance(exc, kind):
            return _response(request, code, sentence)
    if isinstance(exc, exceptions.APIException):
        return _of_api(request, exc)
    outage = outage_of(exc)
    if outage is not None:
        log.exception("the database is away, full or read-only, or ended what took too long")
        return _response(request, "unavailable", outage.sentence, headers={"Retry-After": str(outage.wait_s)})
    log.exception("unexpected")
    return _response(request, "server-error", _OUR_FAULT)


def _headers_of(refusal: errors.Refusal, status: int) -> dict[str, str]:
    """Return what goes with a refusal: when to try again (RFC 9110, 10.2.3), or how to show who one is (11.6.1)."""
    if isinstance(refusal, errors.StillRunning):
        return {"Retry-After": "2"}
    if isinstance(refusal, errors.TooSoon):
        return {"Retry-After": str(refusal.wait_s)}
    return {"WWW-Authenticate": "Bearer"} if status == HTTPStatus.UNAUTHORIZED else {}


_OUR_FAULT = (
    "Something went wrong here, and it was not your doing. It has been written down under this request's number."
)


def _of_api(request: Request, exc: exceptions.APIException) -> Response:
    code = _OF_STATUS.get(exc.status_code, "server-error")
    if code == "server-error":
        log.error("unexpected", exc_info=exc)
        return _response(request, code, _OUR_FAULT)
    headers: dict[str, str] = dict(exc.headers) if isinstance(exc, NotSent) else {}
    if isinstance(exc, exceptions.Throttled):
        wait = max(int(getattr(exc, "wait", None) or 1), 1)
        headers["Retry-After"] = str(wait)
        return _response(
            request, code, f"There were too many requests. Wait {wait} seconds and go on.", headers=headers
        )
    if getattr(exc, "auth_header", None):
        headers["WWW-Authenticate"] = str(getattr(exc, "auth_header", ""))
    if isinstance(exc, exceptions.ValidationError):
        rows = fault_rows(exc.detail)
        return _response(
            request, code, "Some of the request could not be read. Mend what is listed and send it again.", rows
        )
    sentence = _sentence(exc, (request.parser_context or {}).get("view"))
    return _response(
        request,
        code,
        sentence,
        [{"pointer": "", "code": str(exc.get_codes()), "detail": sentence}],
        headers,
    )


#: What an address takes unless it says something else.
_TAKES_JSON = "The body must be JSON. Send it with Content-Type: application/json."


def _sentence(exc: exceptions.APIException, view: Any) -> str:
    if isinstance(exc, exceptions.MethodNotAllowed):
        return "This address does not answer to that method. The Allow header lists those it does."
    if isinstance(exc, exceptions.NotAuthenticated):
        return "This address needs a token. Send it as: Authorization: Bearer <token>."
    if isinstance(exc, exceptions.PermissionDenied):
        return "Your account may not do this."
    if isinstance(exc, exceptions.NotAcceptable):
        return "The Accept header allows no form of answer that there is. Ask for application/json."
    if isinstance(exc, exceptions.UnsupportedMediaType):
        return str(getattr(view, "takes", _TAKES_JSON))
    return str(exc.detail)


def problem(request: HttpRequest, code: str, detail: str, rows: list[dict[str, str]] | None = None) -> dict[str, Any]:
    """Return the members of a problem (RFC 9457, section 3.1)."""
    status, title = PROBLEMS[code]
    page = f"/problems/{code}/"
    # Where the host of the request is the problem, it names no page.
    with suppress(DisallowedHost):
        page = request.build_absolute_uri(page)
    return {
        "type": page,
        "title": title,
        "status": status,
        "detail": detail,
        "instance": f"urn:trapnight:request:{request.META.get('TRAPNIGHT_REQUEST_ID', 'unknown')}",
        "errors": rows or [],
    }


def _response(
    request: Request,
    code: str,
    detail: str,
    rows: list[dict[str, str]] | None = None,
    headers: dict[str, str] | None = None,
) -> Response:
    body = problem(request._request, code, detail, rows)
    return Response(body, status=body["status"], headers=headers, content_type=MEDIA_TYPE)


def plain_problem(request: HttpRequest, code: str, detail: str) -> JsonResponse:
    """Return a problem where no view of the API answers: unknown addresses, failures outside a view."""
    body = problem(request, code, detail)
    return JsonResponse(body, status=HTTPStatus(body["status"]), content_type=MEDIA_TYPE)
