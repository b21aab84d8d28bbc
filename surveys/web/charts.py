"""Numbers of an interval chart: a dot and its whisker for each region, on one scale from zero.

Positions are percentages of the drawing's width and lengths in em, so that the chart fits a phone
and a wall, and grows with the reader's letters.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

#: Height of one row and of the scale, in em.
ROW_EM, SCALE_EM = 3.6, 2.4
#: Room at both ends of the scale, in percent, so that no dot is cut.
LEFT, RIGHT = 2.0, 96.0
#: Shades of the map. Source: Cynthia Brewer's advice of five to seven classes at most for a printed map (from memory).
SHADES = 5


@dataclass(frozen=True, slots=True)
class Interval:
    """One estimate with its interval, in animals per trap-night; None where nothing is shown."""

    name: str
    estimate: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Mark:
    """One drawn row: where its name stands (em), and where dot and whisker lie (em, percent)."""

    name: str
    words: str
    name_y: float
    line_y: float
    dot: float | None
    left: float | None
    right: float | None


@dataclass(frozen=True, slots=True)
class Tick:
    """One tick of the scale: its words, where it stands (percent), and which side its words hang on."""

    words: str
    x: float
    anchor: str


@dataclass(frozen=True, slots=True)
class IntervalChart:
    """A drawn chart: height in em, the scale's ticks, and the rows."""

    height: float
    scale_y: float
    ticks: tuple[Tick, ...]
    marks: tuple[Mark, ...]


def draw_intervals(intervals: Sequence[Interval]) -> IntervalChart:
    """Return the chart of some intervals, in the order in which they are given."""
    ticks = scale_ticks(max((each.high or 0.0 for each in intervals), default=0.0))
    marks = tuple(_mark(each, row, ticks[-1]) for row, each in enumerate(intervals))
    bottom = ROW_EM * len(intervals)
    return IntervalChart(round(bottom + SCALE_EM, 2), round(bottom, 2), _drawn(ticks), marks)


def scale_ticks(highest: float) -> list[float]:
    """Return three to six ticks from 0 to at or above ``highest``, in steps of 1, 2 or 5 times a power of ten."""
    wanted = (highest if highest > 0 else 1.0) / 5
    power = 10.0 ** math.floor(math.log10(wanted))
    step = next(factor * power for factor in (1, 2, 5, 10) if factor * power >= wanted * (1 - 1e-9))
    count = math.ceil(5 * wanted / step - 1e-9)
    return [round(number * step, 10) for number in range(count + 1)]


def shade_of(estimate: float, top: float) -> int:
    """Return which of the shades, 1 (palest) to 5, an estimate has on a map whose scale ends at ``top``."""
    return min(int(SHADES * estimate / top), SHADES - 1) + 1 if top > 0 else 1


def words_of(value: float) -> str:
    """Return a rate as people read it: two figures that count, and never a false third."""
    if value >= 100 or value == 0:
        return f"{value:.0f}"
    rounded = float(f"{value:.1e}")
    places = max(1 - math.floor(math.log10(abs(rounded))), 0)
    return f"{rounded:.{min(places, 3)}f}"


def _mark(each: Interval, row: int, top: float) -> Mark:
    y = ROW_EM * row
    if each.estimate is None or each.low is None or each.high is None:
        return Mark(each.name, "", round(y + 1.2, 2), round(y + 2.1, 2), None, None, None)
    words = f"{words_of(each.estimate)} ({words_of(each.low)} to {words_of(each.high)})"
    places = [_across(value, top) for value in (each.estimate, each.low, each.high)]
    return Mark(each.name, words, round(y + 1.2, 2), round(y + 2.1, 2), *places)


def _across(value: float, top: float) -> float:
    return round(LEFT + (RIGHT - LEFT) * value / top, 2)


def _drawn(ticks: list[float]) -> tuple[Tick, ...]:
    sides = {0: "start", len(ticks) - 1: "end"}
    return tuple(Tick(f"{tick:g}", _across(tick, ticks[-1]), sides.get(n, "middle")) for n, tick in enumerate(ticks))
