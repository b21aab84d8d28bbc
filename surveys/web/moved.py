"""What moved in the last night, in plain words: the figures of one region beside those of the night before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext

from surveys.queries.news import LastNight, Moved
from surveys.web.charts import words_of
from surveys.web.words import say

#: A figure has moved when its two leading digits have; less than that is not told. Own choice.
#: So many movements are told in words, the largest first; the season page has every figure.
MOST_TOLD = 6


@dataclass(frozen=True, slots=True)
class Told:
    """One movement: its group and window, its words, and how large it is."""

    group: str
    window: str
    words: str
    size: float


def moved_shown(night: LastNight) -> dict[str, Any]:
    """Return what the page says of a night: its movements in words, and how many figures stayed."""
    moves = [_told(one) for one in night.figures if has_moved(one)]
    largest = sorted(moves, key=lambda one: -one.size)[:MOST_TOLD]
    return {"moves": largest, "stayed": len(night.figures) - len(moves), "any_figure": bool(night.figures)}


def has_moved(one: Moved) -> bool:
    """Say whether a reader of the page would see another figure than the night before."""
    return one.before is None or words_of(one.before) != words_of(one.now)


def _told(one: Moved) -> Told:
    group, window = say(one.group), say(one.window)
    now, low, high = words_of(one.now), words_of(one.low), words_of(one.high)
    parts = {"group": group, "window": window, "now": now, "low": low, "high": high}
    if one.before is None:
        words = gettext(
            "%(group)s, %(window)s: there are enough traps now. "
            "A trap caught about %(now)s a night, and likely between %(low)s and %(high)s."
        )
        return Told(group, window, words % parts, float("inf"))
    parts["before"] = words_of(one.before)
    up = gettext(
        "%(group)s, %(window)s: up from about %(before)s to about %(now)s a night, likely between %(low)s and %(high)s."
    )
    down = gettext(
        "%(group)s, %(window)s: down from about %(before)s to about %(now)s a night, "
        "likely between %(low)s and %(high)s."
    )
    size = abs(one.now - one.before) / max(one.high - one.low, 1e-9)
    return Told(group, window, (up if one.now > one.before else down) % parts, size)
