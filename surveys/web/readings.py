"""A chart in one sentence or two, for those who would rather read, or cannot see."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from surveys.web.charts import words_of


def read_aloud(rows: Sequence[dict[str, Any]], *, group: str, window: str) -> str:
    """Return what the figures of one group in one window say, in plain words.

    A difference is only told where the two intervals do not overlap, which errs on the quiet side
    (Schenker & Gentleman 2001, The American Statistician 55:182).
    """
    shown = sorted((row for row in rows if row["shown"]), key=lambda row: -row["estimate"])
    if not shown:
        return f"No region has enough returns yet to say how many {group.lower()} a trap catches in {_in(window)}."
    parts = [_highest(shown[0], group, window)]
    if len(shown) > 1:
        parts.append(_lowest(shown[0], shown[-1]))
    if missing := len(rows) - len(shown):
        parts.append(_missing(missing))
    return " ".join(parts)


def _highest(row: dict[str, Any], group: str, window: str) -> str:
    return (
        f"In {_in(window)}, a standard trap caught most {group.lower()} in {row['name']}: about "
        f"{words_of(row['estimate'])} in one day and night, and likely between {words_of(row['low'])} and "
        f"{words_of(row['high'])}."
    )


def _lowest(high: dict[str, Any], low: dict[str, Any]) -> str:
    said = f"The lowest figure is that of {low['name']}, about {words_of(low['estimate'])}."
    if high["low"] > low["high"]:
        return f"{said} Their intervals lie apart, so the two very likely differ."
    return f"{said} Their intervals overlap, so the two may not differ at all."


def _missing(count: int) -> str:
    regions = "One region has" if count == 1 else f"{count} regions have"
    return f"{regions} too few returns for a figure."


def _in(window: str) -> str:
    return window if any(character.isdigit() for character in window) else window.lower()
