"""Which group is it? A key that a nine-year-old can follow: one question on a page, no script, nothing stored.

The way so far (``via``) and where to go back to (``back``) travel in the address, so that every page can be kept.
"""

from __future__ import annotations

from typing import Any, NamedTuple
from urllib.parse import urlencode, urlsplit

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import Resolver404, path, resolve, reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import cache_control

from surveys import group_key as key
from surveys.errors import NotFound
from surveys.permissions import Rule
from surveys.queries.kinds import kind_by_code
from surveys.web.access import page
from surveys.web.drawings import drawing_of
from surveys.web.kinds import BITES, NOTES, beside

#: A page stays good for so long in the visitor's own browser.
KEPT_S = 600
#: No address of ours is longer; a longer one is dropped.
LONGEST_BACK = 500


class Way(NamedTuple):
    """One answer as the page shows it: its words, its drawing and its address."""

    words: str
    drawing: str | None
    address: str


@cache_control(private=True, max_age=KEPT_S)
@page(Rule.ANYONE)
def which_group(request: HttpRequest) -> HttpResponse:
    """Ask the first question."""
    return _ask(request, key.FIRST)


@cache_control(private=True, max_age=KEPT_S)
@page(Rule.ANYONE)
def which_group_step(request: HttpRequest, step: str) -> HttpResponse:
    """Ask one question of the key, or show the end that was reached."""
    if step in key.KEY:
        return _ask(request, step)
    if key.is_end(step):
        return _end(request, step)
    raise NotFound("The key has no such question. Start it anew.")


def _ask(request: HttpRequest, name: str) -> HttpResponse:
    ask, trail, back = key.KEY[name], _trail(request, name), own_address(request, request.GET.get("back", ""))
    onward = (*trail, name)
    ways = [Way(each.words, drawing_of(each.drawing), _address(each.leads_to, onward, back)) for each in ask.choices]
    context = {"ask": ask, "ways": ways, "unsure": _address(ask.unsure, onward, back), "number": len(onward)}
    return render(request, "guide/which_group.html", context | _around(trail, back))


def _end(request: HttpRequest, name: str) -> HttpResponse:
    trail, back = _trail(request, name), own_address(request, request.GET.get("back", ""))
    context: dict[str, Any] = {"end": name, "sentence": key.ENDS.get(name, ""), "drawing": drawing_of(name)}
    if name in key.ENDS:
        context |= {**_group(name), "notes": NOTES.get(name), "bites": name in BITES}
        context["row"] = f"{back}#row-{name}" if back and context["asked_for"] else ""
    return render(request, "guide/which_group_end.html", context | _around(trail, back))


def _group(code: str) -> dict[str, Any]:
    """Return what is known of a group, and its look-alikes; an end may be no group of this service at all."""
    try:
        found = kind_by_code(code)
    except NotFound:
        return {"group": None, "alike": [], "asked_for": False}
    return {"group": found.group, "alike": beside(found), "asked_for": found.asked_for}


def _around(trail: tuple[str, ...], back: str) -> dict[str, Any]:
    """Return the links that every page of the key has: one question back, start anew, back to the count."""
    before = _address(trail[-1], trail[:-1], back) if trail else ""
    return {"before": before, "anew": _address(key.FIRST, (), back), "back": back}


def _trail(request: HttpRequest, here: str) -> tuple[str, ...]:
    """Return the questions that were answered on the way here; what is no walk through the key is dropped."""
    names = tuple(name for name in request.GET.get("via", "").split(".") if name)
    return names if names and key.is_trail(names, here) else ()


def _address(step: str, trail: tuple[str, ...], back: str) -> str:
    """Return the address of a question or an end, with the way there and the way back."""
    place = reverse("which-group") if step == key.FIRST else reverse("which-group-step", args=[step])
    given = {"via": ".".join(trail), "back": back}
    asked = urlencode({name: value for name, value in given.items() if value})
    return f"{place}?{asked}" if asked else place


def own_address(request: HttpRequest, wanted: str) -> str:
    """Return a path of this service with its query, without a fragment; empty for anything else."""
    if len(wanted) > LONGEST_BACK or not wanted.startswith("/"):
        return ""
    if not url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure()):
        return ""
    parts = urlsplit(wanted)
    try:
        resolve(parts.path)
    except Resolver404:
        return ""
    return f"{parts.path}?{parts.query}" if parts.query else parts.path


urlpatterns = [
    path("which-group/", which_group, name="which-group"),
    path("which-group/<slug:step>/", which_group_step, name="which-group-step"),
]
