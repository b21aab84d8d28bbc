"""Answers outside any view: problems under /api/ and /ogc, plain pages elsewhere."""

from __future__ import annotations

import sys
from typing import Any

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.template.loader import render_to_string

from api.errors import plain_problem
from surveys.queries.outages import TITLE, outage_of
from surveys.web.answer_words import ANSWER_WORDS, STALE_FORM
from surveys.web.words import say


def _answer(request: HttpRequest, status: int) -> HttpResponseBase:
    code, title, sentence = ANSWER_WORDS[status]
    if _by_program(request):
        return plain_problem(request, code, sentence)
    return _page(request, status, title, sentence)


def _by_program(request: HttpRequest) -> bool:
    return request.path.startswith(("/api/", "/ogc"))


def _page(request: HttpRequest, status: int, title: str, sentence: str, name: str = "") -> HttpResponse:
    try:
        words = {"title": say(title), "sentence": say(sentence)}
        page: str = render_to_string(f"errors/{name or status}.html", words, request)
    except Exception:  # whatever is wrong may stand in the way of a full page, too
        page = f"<!doctype html><html lang=en><title>{title}</title><h1>{title}</h1><p>{sentence}</p></html>"
    return HttpResponse(page, status=status)


def bad_request(request: HttpRequest, exception: Any = None) -> HttpResponseBase:
    """Answer 400."""
    return _answer(request, 400)


def forbidden(request: HttpRequest, exception: Any = None) -> HttpResponseBase:
    """Answer 403."""
    return _answer(request, 403)


def stale_form(request: HttpRequest, reason: str = "") -> HttpResponseBase:
    """Answer 403 to a form that cannot be told from one of another site: say how to keep what was typed."""
    code, title, sentence = STALE_FORM
    if _by_program(request):
        return plain_problem(request, code, sentence)
    return _page(request, 403, title, sentence, name="stale_form")


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
