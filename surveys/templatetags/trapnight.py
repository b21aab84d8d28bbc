"""What templates need beyond Django: drawings set into the page, and the links of the band on top."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

from django import template
from django.http import HttpRequest
from django.urls import reverse
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext_lazy as _

from surveys.permissions import Rule, admits, awaits_second_factor
from surveys.vocabulary import Language
from surveys.web.kind_words import standing_told, state_told
from surveys.web.noted import KEEPS_SCHOOL
from surveys.web.words import say

register = template.Library()

_DRAWINGS = Path(__file__).resolve().parent.parent / "static" / "surveys" / "drawings"


class Link(NamedTuple):
    """One link of the band: the page's name, its words, for whom it is, and whether only schools need it."""

    name: str
    words: Any
    rule: Rule
    for_schools: bool = False


LINKS = (
    Link("home", _("The count"), Rule.ANYONE),
    Link("guide", _("How to"), Rule.ANYONE),
    Link("my-sites", _("My traps"), Rule.SIGNED_IN),
    Link("my-classes", _("My classes"), Rule.SIGNED_IN, for_schools=True),
    Link("my-returns", _("My returns"), Rule.SIGNED_IN),
    Link("queue", _("Queue"), Rule.COORDINATOR),
    Link("desk", _("Desk"), Rule.COORDINATOR),
    Link("my-account", _("Account"), Rule.SIGNED_IN),
)


register.filter("said", say)
register.filter("state_told", state_told)
register.filter("standing_told", standing_told)


@register.simple_tag
def page_languages() -> list[tuple[str, str]]:
    """Return the languages of the pages, each under its own name for itself."""
    return Language.choices()


@register.simple_tag
def drawing(name: str) -> SafeString:
    """Set one of our own drawings into the page, so that it takes the page's ink. It says nothing aloud."""
    return mark_safe(_read_drawing(name))  # noqa: S308  # a file of this package, never of a visitor


@lru_cache(maxsize=256)
def _read_drawing(name: str) -> str:
    text = (_DRAWINGS / f"{name}.svg").read_text(encoding="utf-8").strip()
    return text.replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1)


@register.inclusion_tag("includes/page_links.html", takes_context=True)
def page_links(context: template.Context) -> dict[str, Any]:
    """Show the links of the band that the visitor may follow, at once or after the second factor."""
    request: HttpRequest = context["request"]
    links = [
        {"address": reverse(link.name), "words": link.words, "here": reverse(link.name) == request.path}
        for link in LINKS
        if (admits(link.rule, request.user) or awaits_second_factor(link.rule, request.user))
        and (not link.for_schools or request.session.get(KEEPS_SCHOOL))
    ]
    return {"links": links, "signed_in": request.user.is_authenticated, "request": request}


class Box(NamedTuple):
    """One box of a moment: its id, its words, what was typed, its width, and whether something is wrong with it."""

    id: str
    words: Any
    value: str
    width: str
    numeric: bool
    wrong: bool


class Boxes(NamedTuple):
    """The boxes of one moment, and all that is wrong with it."""

    boxes: tuple[Box, ...]
    faults: tuple[str, ...]


#: Part, words, width, and whether a phone should show its number keys.
_PARTS = (
    ("day", _("Day"), "short", True),
    ("month", _("Month"), "short", False),
    ("year", _("Year"), "year", True),
    ("time", _("Time"), "short", False),
)


@register.simple_tag
def moment_boxes(name: str, answers: dict[str, str], faults: dict[str, str]) -> Boxes:
    """Return the boxes for day, month, year and time of one moment, with what was typed into them."""
    boxes = tuple(
        Box(box, words, answers.get(box, ""), width, numeric, box in faults)
        for part, words, width, numeric in _PARTS
        if (box := f"{name}_{part}")
    )
    return Boxes(boxes, tuple(faults[box.id] for box in boxes if box.wrong))
