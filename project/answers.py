"""Answers outside any view: problems under /api/ and /ogc, plain pages elsewhere."""

from __future__ import annotations

import sys
from typing import Any

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.template.loader import render_to_string

from api.errors import plain_problem
from surveys.queries.outages import TITLE, outage_of

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
}


def _answer(request: HttpRequest, status: int) -> HttpResponseBase:
    code, title, sentence = _WORDS[status]
    if _by_program(request):
        return plain_problem(request, code, sentence)
    return _page(request, status, title, sentence)


def _by_program(request: HttpRequest) -> bool:
    return request.path.startswith(("/api/", "/ogc"))


def _page(request: HttpRequest, status: int, title: str, sentence: str) -> HttpResponse:
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
    """Answer 500, or 503 where the database is away, full, read-only or too slow: that passes, so try again."""
    outage = outage_of(sys.exc_info()[1])  # Django calls this while it handles the exception, and does not hand it on
    if outage is None:
        return _answer(request, 500)
    if _by_program(request):
        answer: HttpResponseBase = plain_problem(request, "unavailable", outage.sentence)
    else:
        answer = _page(request, 503, str(TITLE), str(outage.on_page))
    answer["Retry-After"] = str(outage.wait_s)
    return answer
