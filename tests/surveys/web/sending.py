"""A filled-in form to send a return, and ways to look at the page that comes back."""

from __future__ import annotations

import re
import uuid
from typing import Any

from surveys.models import Trap

PATH = "/my/returns/new/"


def form(trap: Trap, /, **changes: str | None) -> dict[str, str]:
    """Return the boxes of a return to protocol as a family fills them in; ``None`` leaves a box out."""
    filled: dict[str, str | None] = {
        "id": str(uuid.uuid4()),
        "trap": str(trap.public_id),
        "habitat": "",
        "set_day": "2", "set_month": "May", "set_year": "2026", "set_time": "17:00",
        "emptied_day": "3", "emptied_month": "5", "emptied_year": "2026", "emptied_time": "5 pm",
        "mouth_mm": "75", "rim": "flush", "cover": "present", "liquid": "nothing", "trap_state": "intact",
        "n_woodlice": "3", "a_millipedes": "none_seen", "n_spiders": "2", "c_springtails": "c16to31",
        "a_centipedes": "could_not_tell",
    }  # fmt: skip
    filled.update(changes)
    return {name: value for name, value in filled.items() if value is not None}


def title_of(page: str) -> str:
    """Return the page's title as a reader hears it."""
    return " ".join(page.split("<title>")[1].split("</title>", maxsplit=1)[0].split())


def summary_links(page: str) -> list[str]:
    """Return the targets of the links in the error summary, in order."""
    found = re.search(r'<div class="summary".*?</div>', page, re.DOTALL)
    return re.findall(r'href="#([^"]*)"', found.group()) if found else []


def boxes(page: str) -> dict[str, str]:
    """Return what a browser would send if the form came back untouched: the boxes with their values."""
    found: dict[str, str] = {}
    for tag in re.findall(r"<input\b[^>]*>", page):
        given = attributes(tag)
        if given.get("type") != "radio" or "checked" in given:
            found[str(given.get("name"))] = str(given.get("value", ""))
    for select in re.findall(r"<select\b.*?</select>", page, re.DOTALL):
        chosen = re.search(r'<option value="([^"]*)"\s+selected', select)
        found[str(attributes(select)["name"])] = chosen.group(1) if chosen else ""
    found.update(re.findall(r'<textarea\b[^>]*name="([^"]*)"[^>]*>(.*?)</textarea>', page, re.DOTALL))
    return found


def attributes(tag: str) -> dict[str, Any]:
    """Return the attributes of the first tag in a piece of page."""
    first = tag[: tag.index(">")]
    named = dict(re.findall(r'([\w-]+)="([^"]*)"', first))
    bare = re.findall(r"\s(checked|selected|novalidate|required)\b", re.sub(r'"[^"]*"', "", first))
    return {**named, **dict.fromkeys(bare, True)}
