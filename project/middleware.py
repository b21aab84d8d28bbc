"""What every answer carries: a request number, and a policy that switches off what we never use."""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

_ACCEPTABLE = re.compile(r"^[A-Za-z0-9-]{8,64}$")


class RequestNumber:
    """Give each request a number that stands in its answer, its log lines and its problem."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        given = request.headers.get("X-Request-Id", "")
        number = given if _ACCEPTABLE.match(given) else uuid.uuid4().hex
        request.META["TRAPNIGHT_REQUEST_ID"] = number
        response = self.get_response(request)
        response["X-Request-Id"] = number
        return response


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
