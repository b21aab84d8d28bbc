"""The links between the pages of the desk, shown on those pages only."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from django import template
from django.http import HttpRequest
from django.urls import resolve, reverse
from django.utils.translation import gettext_lazy as _

from surveys.permissions import admits

register = template.Library()

#: The pages of the desk in their order, by the names of their addresses.
DESK = {
    "desk": _("Overview"),
    "queue": _("Queue"),
    "cases": _("Cases"),
    "overdue": _("Overdue traps"),
    "second-looks": _("Second looks"),
    "nights": _("Nights"),
    "where-next": _("Where next"),
    "season-plans": _("Seasons"),
    "desk-releases": _("Releases"),
    "people": _("People"),
}


@register.inclusion_tag("includes/desk_links.html", takes_context=True)
def desk_links(context: template.Context) -> dict[str, Any]:
    """Show the pages of the desk that the visitor may open, on a page of the desk; nothing anywhere else."""
    request: HttpRequest | None = context.get("request")
    if request is None or not any(request.path.startswith(address) for address, _words, _rule in _pages()):
        return {"links": []}
    return {
        "links": [
            {"address": address, "words": words, "here": address == request.path}
            for address, words, rule in _pages()
            if admits(rule, request.user)
        ]
    }


@lru_cache(maxsize=1)
def _pages() -> tuple[tuple[str, Any, Any], ...]:
    """Return address, words and rule of each page: the rule is the one that the address names itself."""
    return tuple(
        (address := reverse(name), words, resolve(address).func.rule)  # type: ignore[attr-defined]
        for name, words in DESK.items()
    )
