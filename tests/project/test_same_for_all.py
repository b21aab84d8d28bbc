"""What an answer that all may keep loses on its way out. RFC 9111, section 4.1: a cache keeps one copy for each Vary."""

from __future__ import annotations

import pytest
from django.http import HttpResponse
from django.test import RequestFactory

from project.middleware import SameForAll


def through(cache_control: str, vary: str) -> HttpResponse:
    """Return an answer with a cookie and a language, as the middleware lets it out."""

    def view(request: object) -> HttpResponse:
        answer = HttpResponse("x", headers={"Cache-Control": cache_control, "Vary": vary, "Content-Language": "de"})
        answer.set_cookie("trapnight", "1")
        return answer

    return SameForAll(view)(RequestFactory().get("/"))


@pytest.mark.parametrize(
    ("vary", "left"),
    [("Cookie", None), ("Accept-Language, Cookie", None), ("accept-language", None), ("Accept, Cookie", "Accept"),
     ("Origin, Accept-Language, Accept", "Origin, Accept")],
)  # fmt: skip
def test_what_is_public_has_no_mark_of_a_visitor(vary: str, left: str | None) -> None:
    answer = through("public, max-age=300", vary)
    assert answer.headers.get("Vary") == left
    assert not answer.cookies
    assert "Content-Language" not in answer


@pytest.mark.parametrize("cache_control", ["no-store", "private", "", "max-age=60", "x-public"])
def test_everything_else_goes_out_as_it_was(cache_control: str) -> None:
    answer = through(cache_control, "Accept-Language, Cookie")
    assert answer["Vary"] == "Accept-Language, Cookie"
    assert answer.cookies
    assert answer["Content-Language"] == "de"
