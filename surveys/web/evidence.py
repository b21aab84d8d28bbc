"""Evidence of a query as numbers for a small drawing: what was sent beside what is usual, and what would fit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

#: Rows drawn at most; the query's sentence stands for the rest.
MOST_BARS = 3


@dataclass(frozen=True, slots=True)
class Bar:
    """One group on a scale of roots, in percent of the drawing's width, and the same in words.

    The thick line ends where nine in ten such traps end, the thin one where 999 in a thousand do.
    """

    words: str
    usual_end: float
    rare_end: float
    sent_x: float
    sent_end: float
    fits_x: float | None


@dataclass(frozen=True, slots=True)
class Drawing:
    """The bars of one query on one scale, and whether one of them shows a count that would fit."""

    bars: tuple[Bar, ...]
    shows_fit: bool


def drawn(evidence: Mapping[str, Any]) -> Drawing | None:
    """Return the drawing of a query's evidence, or None where it holds no counts of groups."""
    rows = [row for row in evidence.get("numbers", ()) if "group" in row and _most_usual(row) is not None]
    if not rows:
        return None
    fits = _fitting_counts(evidence.get("alternative", {}), rows)
    most = max(max(_sent(row)[1], _rare(row), fits.get(row["group"], 0.0), 1.0) for row in rows)
    strangest = sorted(rows, key=lambda row: -abs(_sent(row)[0] - (_most_usual(row) or 0.0)))[:MOST_BARS]
    bars = tuple(_bar(row, most, fits.get(row["group"])) for row in rows if row in strangest)
    return Drawing(bars=bars, shows_fit=any(bar.fits_x is not None for bar in bars))


def _most_usual(row: Mapping[str, Any]) -> float | None:
    """Return what nine in ten such traps stay under, or what a cup holds where the count is beyond that."""
    if "ceiling" in row:
        return float(row["ceiling"])
    usual = row.get("quantiles", {}).get("0.9")
    return None if usual is None else float(usual)


def _rare(row: Mapping[str, Any]) -> float:
    return max((float(count) for count in row.get("quantiles", {}).values()), default=_most_usual(row) or 0.0)


def _sent(row: Mapping[str, Any]) -> tuple[float, float]:
    """Return the lowest and highest count that was sent; an open class ends where it begins."""
    low, high = float(row["low"]), row.get("high")
    return low, low if high is None else float(high)


def _fitting_counts(alternative: Mapping[str, Any], rows: list[dict[str, Any]]) -> dict[str, float]:
    """Return the counts that would fit better, by group: another number, or two groups swapped."""
    if "count" in alternative:
        return {alternative["group"]: float(alternative["count"])}
    if "swapped" in alternative:
        low = {row["group"]: _sent(row)[0] for row in rows}
        one, other = alternative["swapped"]
        return {one: low[other], other: low[one]} if one in low and other in low else {}
    return {}


def _bar(row: Mapping[str, Any], most: float, fits: float | None) -> Bar:
    low, high = _sent(row)
    usual = _most_usual(row) or 0.0
    return Bar(
        words=_words(row, usual, fits),
        usual_end=max(_place(usual, most), 3.0),
        rare_end=_place(_rare(row), most),
        sent_x=_place(low, most),
        sent_end=_place(high, most),
        fits_x=None if fits is None else _place(fits, most),
    )


def _words(row: Mapping[str, Any], usual: float, fits: float | None) -> str:
    low, high = _sent(row)
    name = str(row["group"]).replace("_", " ").replace("-", " ").capitalize()
    is_open = "high" in row and row["high"] is None
    sent = f"{low:g} or more" if is_open else f"{low:g}" if low == high else f"{low:g} to {high:g}"
    beside = f"a cup holds up to {usual:g}" if "ceiling" in row else f"most such traps have up to {usual:g}"
    return f"{name}: {sent} sent, {beside}" + ("" if fits is None else f", {fits:g} would fit")


def _place(count: float, most: float) -> float:
    # A root keeps 3 and 400 on one drawing without a logarithm's trouble at zero.
    return round(94.0 * math.sqrt(max(count, 0.0) / most) + 2.0, 2)
