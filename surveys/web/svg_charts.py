"""Charts of one return: its count among comparable traps, and what its site caught before.

A chart says the same thing three times: as a drawing, as one sentence that reads it, and as a table. Show one with
``{% include "includes/chart.html" %}``, with ``chart`` in the context, on a page that has the style sheet
``css/charts.css``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import accumulate
from typing import Any

import altair as alt
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from surveys.web.chart_palette import MARKED, USUAL, WORDS
from surveys.web.svg_frame import BOLD, Chart, framed, rows_of, side_of, whole_axis, with_room

__all__ = ["Chart", "Counted", "NightCount", "count_among_comparable", "site_history"]

#: Beyond so many nights a history shows the latest ones.
MOST_NIGHTS = 12
#: Up to this count every number has its own bar; above, bars are classes that double, as those of the protocol do.
LAST_SINGLE = 9


@dataclass(frozen=True, slots=True)
class Counted:
    """An answer for one group: a number, or a class from ``low`` to ``high``; ``high`` None is open above."""

    low: int
    high: int | None

    @property
    def words(self) -> str:
        """The answer as people say it."""
        if self.high is None:
            return _("{low} or more").format(low=self.low)
        return str(self.low) if self.low == self.high else _("{low} to {high}").format(low=self.low, high=self.high)


@dataclass(frozen=True, slots=True)
class NightCount:
    """What one trap of a site caught of a group on one night; ``marked`` where it is the return that is looked at."""

    night: date
    trap: int
    counted: Counted
    marked: bool = False


def count_among_comparable(*, group: str, traps_by_count: Mapping[int, int], sent: Counted) -> Chart:
    """Draw how many comparable traps caught how many of a group, with the count that was sent marked.

    ``group`` is the group's name in the page's language. ``traps_by_count`` gives for each count that occurred, zero
    among them, how many comparable traps had it; a class stands under its lowest count. ``sent`` is the answer of the
    return, which is not in ``traps_by_count``.
    """
    bars = _bars(traps_by_count, sent)
    return framed(
        lambda: _bar_layers(bars, sent),
        of=("count among comparable", bars, sent),
        title=_("{group} in comparable traps").format(group=group),
        sentence=_among_words(traps_by_count, sent),
        head=(_("How many were in the cup"), _("Traps")),
        rows=tuple((_row_words(bar["bar"], own=bar["own"]), str(bar["traps"])) for bar in bars),
    )


def site_history(*, group: str, nights: Sequence[NightCount]) -> Chart:
    """Draw what the traps of a site caught of a group, night by night, with the return that is looked at marked.

    ``group`` is the group's name in the page's language. ``nights`` has at least one night, may come in any order and
    may hold several traps of one night; the latest ``MOST_NIGHTS`` nights are drawn. The scale is one of square roots.
    """
    days = sorted({one.night for one in nights})[-MOST_NIGHTS:]
    shown = sorted((one for one in nights if one.night in days), key=lambda one: (one.night, one.trap))
    form = _("j M") if days[0].year == days[-1].year else _("j M y")
    points = [_point(one, form) for one in shown]
    return framed(
        lambda: _dots(points),
        of=("site history", points),
        title=_("{group} at this site").format(group=group),
        sentence=_history_words(shown),
        head=(_("Night"), _("Trap"), _("How many were in the cup")),
        rows=tuple(
            (date_format(one.night, _("j F Y")), str(one.trap), _row_words(one.counted.words, own=one.marked))
            for one in shown
        ),
    )


def _bars(traps_by_count: Mapping[int, int], sent: Counted) -> list[dict[str, Any]]:
    bounds = _bounds(max([*traps_by_count, sent.low, sent.high or 0, 1]))
    end = bounds[-1][1] if sent.high is None else sent.high
    return [
        {
            "place": place,
            "bar": str(low) if low == high else f"{low}–{high}",
            "traps": sum(traps for count, traps in traps_by_count.items() if low <= count <= high),
            "own": low <= end and high >= sent.low,
        }
        for place, (low, high) in enumerate(bounds)
    ]


def _bar_layers(bars: list[dict[str, Any]], sent: Counted) -> list[alt.Chart]:
    most = max(bar["traps"] for bar in bars)
    own = [bar for bar in bars if bar["own"]]
    told = [{**max(own, key=lambda bar: bar["traps"]), "said": _("sent: {count}").format(count=sent.words)}]
    axis = alt.Axis(labelAngle=0, labelOverlap=True, labelSeparation=6)
    x = alt.X("bar:N", sort=None, title=_("How many were in the cup"), axis=axis)
    y = alt.Y("traps:Q", title=_("Traps"), scale=with_room(most, share=0.3), axis=whole_axis(most))
    mark = alt.Chart(rows_of(told)).encode(x=x, y=y)
    return [
        alt.Chart(rows_of(bars)).mark_bar(color=USUAL.light).encode(x=x, y=y),
        alt.Chart(rows_of(own)).mark_bar(color=MARKED.light, stroke=WORDS.light, strokeWidth=2).encode(x=x, y=y),
        mark.mark_point(shape="triangle-down", filled=True, size=90, color=WORDS.light, yOffset=-10),
        mark.mark_text(align=side_of(told[0]["place"], len(bars)), dy=-24, **BOLD).encode(text="said:N"),
    ]


def _bounds(most: int) -> list[tuple[int, int]]:
    """Return lowest and highest count of each bar: single numbers where they fit, else classes that double."""
    if most <= LAST_SINGLE:
        return [(count, count) for count in range(most + 1)]
    return [(0, 0), *((2**power, 2 ** (power + 1) - 1) for power in range(most.bit_length()))]


def _among_words(traps_by_count: Mapping[int, int], sent: Counted) -> str:
    traps = sum(traps_by_count.values())
    if not traps:
        return _("There is no comparable trap yet.")
    as_many = sum(n for count, n in traps_by_count.items() if count >= sent.low)
    words = ngettext(
        "{as_many} of {traps} comparable trap had as many or more. The middle one had {middle}.",
        "{as_many} of {traps} comparable traps had as many or more. The middle one had {middle}.",
        traps,
    ).format(traps=traps, as_many=as_many or _("None"), middle=_middle(traps_by_count, traps))
    return _("This return has {count}.").format(count=sent.words) + " " + words


def _middle(traps_by_count: Mapping[int, int], traps: int) -> int:
    """Return the count of the trap in the middle of all in order, the lower one of two."""
    counts = sorted(traps_by_count)
    passed = accumulate(traps_by_count[count] for count in counts)
    return next(count for count, so_far in zip(counts, passed, strict=True) if 2 * so_far >= traps)


def _point(one: NightCount, form: str) -> dict[str, Any]:
    low, high = one.counted.low, one.counted.high
    shape = "triangle-up" if high is None else "diamond" if one.marked else "circle"
    return {
        "night": date_format(one.night, form),
        "low": low,
        "high": low if high is None else high,
        "shape": shape,
        "own": one.marked,
        "said": one.counted.words,
    }


def _dots(points: list[dict[str, Any]]) -> list[alt.Chart]:
    most = max(point["high"] for point in points)
    x = alt.X("night:O", sort=None, title=_("Night"), axis=alt.Axis(labelAngle=0, labelOverlap=True, labelSeparation=6))
    scale = alt.Scale(type="sqrt", domain=[0, max(most, 1) * 1.5], nice=False)
    y = alt.Y("low:Q", title=_("How many were in the cup"), scale=scale, axis=whole_axis(most))
    shape = alt.Shape("shape:N", scale=None, legend=None)
    layers: list[alt.Chart] = []
    for own, ink, size in ((False, USUAL, 80), (True, MARKED, 190)):
        rows = alt.Chart(rows_of([point for point in points if point["own"] is own]))
        layers.append(rows.mark_rule(color=ink.light, strokeWidth=4).encode(x=x, y=y, y2="high:Q"))
        dots = rows.mark_point(filled=True, size=size, color=ink.light, stroke=WORDS.light, strokeWidth=1)
        layers.append(dots.encode(x=x, y=y, shape=shape))
    marked = alt.Chart(rows_of([point for point in points if point["own"]]))
    layers.append(marked.mark_text(dy=-17, **BOLD).encode(x=x, y="high:Q", text="said:N"))
    return layers


def _history_words(shown: Sequence[NightCount]) -> str:
    others = [one for one in shown if not one.marked]
    own = next((one for one in shown if one.marked), None)
    sent = _("This return has {count}.").format(count=own.counted.words) if own else ""
    if not others:
        return (sent + " " + _("There is no other return of this site yet.")).strip()
    top = max(others, key=lambda one: (one.counted.low, one.night))
    most = ngettext(
        "The {returns} other return of this site had at most {most} ({night}).",
        "The {returns} other returns of this site had at most {most} ({night}).",
        len(others),
    ).format(returns=len(others), most=top.counted.words, night=date_format(top.night, _("j F Y")))
    return f"{sent} {most}".strip()


def _row_words(words: str, *, own: bool) -> str:
    return _("{count} (this return)").format(count=words) if own else words
