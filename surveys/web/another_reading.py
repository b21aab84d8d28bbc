"""The reading of a return that screening prefers, as a correction that a coordinator may take over or change.

What is offered is typed into the boxes as she would type it, so that she sees it before she agrees.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.utils.formats import date_format
from django.utils.translation import gettext

from surveys.vocabulary import CLASS_BOUNDS, CountClass, range_as_typed
from surveys.web.class_cells import KEYS

#: How a moment is written in its box.
MOMENT = "%Y-%m-%d %H:%M"  # as it is typed
_CLASS_OF = {bounds: range_as_typed(word) for word, bounds in CLASS_BOUNDS.items() if word in CountClass}
_KEY_OF = {kind.value: key for key, kind in KEYS.items()}


@dataclass(frozen=True, slots=True)
class AnotherReading:
    """What would be corrected: cells by group and boxes by column as they would be typed, and the same in words."""

    words: str
    cells: Mapping[str, str] = field(default_factory=dict)
    boxes: Mapping[str, str] = field(default_factory=dict)
    shown: Mapping[str, str] = field(default_factory=dict)  # boxes that read otherwise than they are typed


def cell_of_answer(catch: Any) -> str:
    """Return a stored answer as it is typed into a cell: 12, 16-31, 0, - or ?."""
    if catch.answer == "number":
        return str(catch.low)
    if catch.answer == "class":
        return _CLASS_OF.get((catch.low, catch.high), f"{catch.low}+")
    return _KEY_OF[catch.answer]


def another_reading(evidence: Mapping[str, Any], catches: list[Any], zone: str) -> AnotherReading | None:
    """Return the reading that a query's evidence offers, or None where it offers none that can be corrected here.

    ``catches`` are the return's answers with their groups, in the order of the form.
    """
    offered = evidence.get("alternative", {})
    sent = {one.group.code: cell_of_answer(one) for one in catches}
    names = {one.group.code: one.group.name for one in catches}
    if "count" in offered and offered.get("group") in sent:
        return _count(offered["group"], str(int(offered["count"])), sent, names)
    if "swapped" in offered:
        one, other = offered["swapped"]
        return _swapped(one, other, sent, names)
    if "slipped" in offered:
        return _slipped(offered["slipped"], offered["from_group"], sent, names)
    if "traps" in offered:
        words = gettext("It fits if %(traps)s traps were counted as one.") % {"traps": offered["traps"]}
        return AnotherReading(words, boxes={"traps_pooled": str(offered["traps"])})
    if "set_at" in offered:
        return _moments(offered, zone)
    return None


def _count(group: str, count: str, sent: Mapping[str, str], names: Mapping[str, str]) -> AnotherReading:
    words = gettext("It fits if %(group)s reads %(count)s and not %(sent)s.") % {
        "group": names[group], "count": count, "sent": sent[group],
    }  # fmt: skip
    return AnotherReading(words, {group: count})


def _swapped(one: str, other: str, sent: Mapping[str, str], names: Mapping[str, str]) -> AnotherReading | None:
    if one not in sent or other not in sent:
        return None
    words = gettext("It fits if %(one)s and %(other)s change places.") % {"one": names[one], "other": names[other]}
    return AnotherReading(words, {one: sent[other], other: sent[one]})


def _slipped(direction: str, first: str, sent: Mapping[str, str], names: Mapping[str, str]) -> AnotherReading | None:
    """Move the counts by a row; what came from nowhere, or fell off the form, nobody can tell."""
    codes = list(sent)
    if first not in sent:
        return None
    start = codes.index(first)
    moved = codes[start:]
    values = [sent[code] for code in moved]
    unknown = _KEY_OF["could_not_tell"]
    shifted = [*values[1:], unknown] if direction == "down" else [unknown, *values[:-1]]
    cells = {code: cell for code, cell in zip(moved, shifted, strict=True) if cell != sent[code]}
    words = (
        gettext("It fits if all from %(group)s on move up one row. The last one is then “could not tell”.")
        if direction == "down"
        else gettext("It fits if all from %(group)s on move down one row. The first one is then “could not tell”.")
    ) % {"group": names[first]}
    return AnotherReading(words, cells)


def moment_in_words(at: datetime) -> str:
    """Return a moment of a zone in the language of the page. With its year: a slip may be in that."""
    return date_format(at, gettext("j F Y, H:i"))


def _moments(offered: Mapping[str, Any], zone: str) -> AnotherReading:
    at = {name: datetime.fromisoformat(offered[name]).astimezone(ZoneInfo(zone)) for name in ("set_at", "emptied_at")}
    shown = {name: moment_in_words(one) for name, one in at.items()}
    words = gettext("It fits if the trap was opened on %(opened)s and emptied on %(emptied)s.") % {
        "opened": shown["set_at"], "emptied": shown["emptied_at"],
    }  # fmt: skip
    return AnotherReading(words, boxes={name: one.strftime(MOMENT) for name, one in at.items()}, shown=shown)
