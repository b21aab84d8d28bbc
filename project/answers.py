"""Answers outside any view: problems under /api/ and /ogc, plain pages elsewhere."""

from __future__ import annotations

import sys
from typing import Any

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.template.loader import render_to_string

from api.errors import TOO_LONG, plain_problem, took_too_long

_WORDS = {
    400: ("faulty-request", "The request could not be read", "Go back and try once more."),
    403: (
        "not-allowed",
        "This page is not open to you",
        "You may not see this page, or the form was open for too long.",
    ),
    404: ("not-found", "There is nothing here", "There is nothing at this address. It may have moved."),
    500: (
        "server-error",
        "Something went wrong here",
        "It was not your doing. What you typed may not have been saved.",
    ),
    503: (
        "unavailable",
        "This took too long",
        "The service stopped before it was done, and it was not your doing. Nothing of it was stored.",
    ),
}


def _is_api(request: HttpRequest) -> bool:
    return request.path.startswith(("/api/", "/ogc"))


def _answer(request: HttpRequest, status: int) -> HttpResponseBase:
    code, title, sentence = _WORDS[status]
    if _is_api(request):
        return plain_problem(request, code, sentence)
    try:
        page: str = render_to_string(f"errors/{status}.html", {"title": title, "sentence": sentence}, request)
    except Exception:  # whatever is wrong may stand in the way of a full page, too
        page = f"<!doctype html><html lang=en><title>{title}</title><h1>{title}</h1><p>{sentence}</p></html>"
    return HttpResponse(page, status=status)


def bad_request(request: HttpRequest, exception: Any = None) -> HttpResponseBase:
    """Answer 400."""
    return _answer(request, 400)


def forbidden(request: HttpRequest, exception: Any = None) -> HttpResponseBase:
    """Answer 403."""
    return _answer(request, 403)


def not_found(request: HttpRequest, exception: Any = None) -> HttpResponseBase:
    """Answer 404."""
    return _answer(request, 404)


def server_error(request: HttpRequest) -> HttpResponseBase:
    """Answer 500; or 503 when the database stopped a query by its own clock (``project/patience.py``)."""
    if not took_too_long(sys.exc_info()[1]):  # Django calls this while the exception is at hand
        return _answer(request, 500)
    answer = plain_problem(request, "unavailable", TOO_LONG) if _is_api(request) else _answer(request, 503)
    answer.headers["Retry-After"] = "5"
    return answer
