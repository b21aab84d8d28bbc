"""Evidence of a query as numbers for a small drawing: what was sent beside what is usual."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Bar:
    """One group on a scale of roots, in percent of the drawing: the usual range, and what was sent."""

    name: str
    words: str
    y: float
    line: float
    usual_x: float
    usual_end: float
    sent_x: float


@dataclass(frozen=True, slots=True)
class Drawing:
    """The bars of one query, and the drawing's height in em."""

    bars: tuple[Bar, ...]
    height: float
    sentence: str


#: Rows drawn at most; the sentence names the rest.
MOST_BARS = 8
ROW_EM = 3.2


def drawn(query: Any) -> Drawing | None:
    """Return the drawing of a query, or None where its evidence holds no counts."""
    rows = [row for row in query.evidence.get("numbers", []) if "group" in row and "quantiles" in row]
    if not rows:
        return None
    most = max(max(float(row["low"]), _usual(row)[1], 1.0) for row in rows)
    bars = tuple(_bar(row, place, most) for place, row in enumerate(rows[:MOST_BARS]))
    return Drawing(bars=bars, height=ROW_EM * len(bars), sentence="; ".join(bar.words for bar in bars))


def _usual(row: dict[str, Any]) -> tuple[float, float]:
    """Return the lowest and highest of the quantiles that came with the evidence."""
    counts = [float(count) for count in row["quantiles"].values()]
    return min(counts, default=0.0), max(counts, default=0.0)


def _bar(row: dict[str, Any], place: int, most: float) -> Bar:
    low, high = _usual(row)
    sent = float(row["low"])
    left = _place(low, most)
    name = str(row["group"]).replace("_", " ")
    return Bar(
        name=name,
        words=f"{name}: {sent:g} sent, usually {low:g} to {high:g}",
        y=round(place * ROW_EM + 1.2, 2),
        line=round(place * ROW_EM + 2.2, 2),
        usual_x=left,
        usual_end=max(_place(high, most), left + 0.6),
        sent_x=_place(sent, most),
    )


def _place(count: float, most: float) -> float:
    # A root keeps 3 and 400 on one drawing without a logarithm's trouble at zero.
    return round(92.0 * math.sqrt(max(count, 0.0) / most) + 2.0, 2)
