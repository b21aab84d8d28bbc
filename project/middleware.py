"""What every answer carries: a request number, and a policy that switches off what we never use."""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable

from django.core.exceptions import BadRequest
from django.http import HttpRequest, HttpResponse

from surveys.request_number import request_number

_ACCEPTABLE = re.compile(r"^[A-Za-z0-9-]{8,64}$")


class RequestNumber:
    """Give each request a number that stands in its answer, its log lines and its problem."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        given = request.headers.get("X-Request-Id", "")
        number = given if _ACCEPTABLE.match(given) else uuid.uuid4().hex
        request.META["TRAPNIGHT_REQUEST_ID"] = number
        before = request_number.set(number)
        try:
            response = self.get_response(request)
        finally:
            request_number.reset(before)
        response["X-Request-Id"] = number
        return response


class ReadableLength:
    """Refuse a Content-Length that is no number (RFC 9110, 8.6), before anything counts with it.

    gunicorn refuses it, too; another server may hand it on, and the framework would then fail over it.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if not re.fullmatch(r"[0-9]{0,18}", str(request.META.get("CONTENT_LENGTH") or "")):
            raise BadRequest("The Content-Length is not a number.")
        return self.get_response(request)


class Permissions:
    """Forbid camera, microphone and place to every page; keep personal answers out of caches."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response.setdefault("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
        user = getattr(request, "user", None)
        if user is not None and user.is_authenticated:
            response.setdefault("Cache-Control", "no-store")
        return response


class SameForAll:
    """Keep an answer that says ``Cache-Control: public`` the same for all: no cookie, no change with one or a language.

    Sessions and languages add their marks to every answer; caches would then keep one copy for each reader.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if "public" in re.split(r"[\s,]+", response.headers.get("Cache-Control", "")):
            response.cookies.clear()
            _vary_less(response)
        return response


def _vary_less(response: HttpResponse) -> None:
    fields = [one.strip() for one in response.headers.get("Vary", "").split(",")]
    kept = [one for one in fields if one.lower() not in ("", "cookie", "accept-language")]
    del response.headers["Vary"]
    del response.headers["Content-Language"]
    if kept:
        response.headers["Vary"] = ", ".join(kept)
