"""Charts of the overview and of a night: returns a week, shares of a whole, and what moved between two nights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import altair as alt
from django.utils.formats import date_format
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from surveys.web.chart_palette import GROUND, MARKED, USUAL, WORDS
from surveys.web.charts import words_of
from surveys.web.svg_frame import BOLD, PLAIN, Chart, framed, rows_of, whole_axis, with_room

#: Height of a row that has its words above its bar, and of what a scale takes below, in units of the drawing.
ROW, SCALE = 46, 44


@dataclass(frozen=True, slots=True)
class Week:
    """One week by its first day, and the returns about its nights."""

    first_day: date
    returns: int


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a whole, or one row of a list: its words, and how many returns it has."""

    words: str
    returns: int


@dataclass(frozen=True, slots=True)
class Shift:
    """A figure of one night beside that of the night before, in animals per trap-night; both above zero."""

    words: str
    before: float
    now: float

    @property
    def times(self) -> float:
        """How many times the figure of the night before the figure is now."""
        return self.now / self.before


def returns_by_week(*, weeks: Sequence[Week]) -> Chart:
    """Draw the returns of each week of a season; ``weeks`` are in order, without a gap, and at least one."""
    return framed(
        lambda: _week_layers(weeks),
        of=("returns by week", tuple(weeks)),
        title=_("Returns by week"),
        sentence=_weeks_words(weeks),
        head=(_("Week from"), _("Returns")),
        rows=tuple((date_format(one.first_day, _("j F Y")), str(one.returns)) for one in weeks),
    )


def parts_of_whole(*, title: str, parts: Sequence[Part], whole: int, of_what: str) -> Chart:
    """Draw parts of a whole as bars on one scale from none to all of it, each with its words and its share.

    ``whole`` is above zero; parts may overlap, and need not make up the whole. ``of_what`` heads the column of shares.
    """
    first = max(parts, key=lambda part: part.returns)
    sentence = _("{words}: {returns} of {whole} returns, {share}.").format(
        words=capfirst(first.words), returns=first.returns, whole=whole, share=share_words(first.returns, whole)
    )
    return framed(
        lambda: _part_layers(parts, whole),
        of=("parts of a whole", tuple(parts), whole),
        title=title,
        sentence=sentence,
        head=(title, _("Returns"), of_what),
        rows=tuple((part.words, str(part.returns), share_words(part.returns, whole)) for part in parts),
        height=ROW * len(parts),
    )


def shifts(*, rows: Sequence[Shift]) -> Chart:
    """Draw figures of a night as times those of the night before: an arrow from 1 to where each stands now."""
    return framed(
        lambda: _shift_layers(rows),
        of=("shifts", tuple(rows)),
        title=_("What moved most"),
        sentence=_shift_words(rows),
        head=(_("Figure"), _("The night before"), _("This night")),
        rows=tuple((row.words, words_of(row.before), words_of(row.now)) for row in rows),
        height=ROW * len(rows) + SCALE,
    )


def _week_layers(weeks: Sequence[Week]) -> list[alt.Chart]:
    top = _fullest(weeks)
    rows = [{"week": date_format(one.first_day, _("j M")), "returns": one.returns, "top": one is top} for one in weeks]
    axis = alt.Axis(labelAngle=0, labelOverlap=True, labelSeparation=6)
    x = alt.X("week:O", sort=None, title=_("Week from"), axis=axis)
    scale = with_room(top.returns, share=0.15)
    y = alt.Y("returns:Q", title=_("Returns"), scale=scale, axis=whole_axis(top.returns))
    told = alt.Chart(rows_of([row for row in rows if row["top"]])).encode(x=x, y=y)
    return [
        alt.Chart(rows_of(rows)).mark_bar(color=USUAL.light).encode(x=x, y=y),
        told.mark_text(dy=-9, **BOLD).encode(text="returns:Q"),
    ]


def _part_layers(parts: Sequence[Part], whole: int) -> list[alt.Chart]:
    rows = [
        {"place": place, "words": part.words, "share": part.returns / whole, "said": share_words(part.returns, whole)}
        for place, part in enumerate(parts)
    ]
    share = alt.X("share:Q", axis=None, scale=alt.Scale(domain=[0, 1], nice=False))
    base = _rows_with_words(rows, limit=240)
    bars = base[0].mark_bar(size=14, yOffset=9, color=GROUND.light)
    return [
        bars.encode(x=alt.XDatum(0, axis=None), x2=alt.X2Datum(1)),
        base[0].mark_bar(size=14, yOffset=9, color=USUAL.light).encode(x=share),
        *base[1:],
    ]


def _shift_layers(shown: Sequence[Shift]) -> list[alt.Chart]:
    rows: list[dict[str, Any]] = [
        {
            "place": place,
            "words": row.words,
            "times": row.times,
            "from": 1.0,
            "shape": "triangle-right" if row.times > 1 else "triangle-left",
            "said": f"{words_of(row.before)} → {words_of(row.now)}",
        }
        for place, row in enumerate(shown)
    ]
    reach = max(max(row.times, 1 / row.times) for row in shown) * 1.15
    scale = alt.Scale(type="log", domain=[1 / reach, reach], nice=False)
    ticks = alt.Axis(values=[tick for tick in _TICKS if 1 / reach <= tick <= reach], format="~g")
    x = alt.X("times:Q", scale=scale, axis=ticks, title=_("Times the night before"))
    base = _rows_with_words(rows, limit=205)
    arrow = base[0].mark_point(filled=True, size=150, yOffset=9, color=MARKED.light, stroke=WORDS.light, strokeWidth=1)
    return [
        base[0].mark_rule(strokeWidth=4, yOffset=9, color=USUAL.light).encode(x=x, x2="from:Q"),
        arrow.encode(x=x, shape=alt.Shape("shape:N", scale=None, legend=None)),
        *base[1:],
    ]


def _rows_with_words(rows: list[dict[str, Any]], *, limit: int) -> list[alt.Chart]:
    """Return rows one below the other, and their words: what a row is on the left, what it says on the right."""
    base = alt.Chart(rows_of(rows)).encode(y=alt.Y("place:O", axis=None, scale=alt.Scale(padding=0)))
    return [
        base,
        base.mark_text(align="left", dy=-9, limit=limit, **PLAIN).encode(x=alt.value(0), text="words:N"),
        base.mark_text(align="right", dy=-9, **BOLD).encode(x=alt.value("width"), text="said:N"),
    ]


#: Where the scale of shifts may have a line: even steps both ways on a scale of times.
_TICKS = (0.1, 0.2, 0.5, 0.7, 0.8, 0.9, 1, 1.1, 1.25, 1.5, 2, 5, 10)


def share_words(part: int, whole: int) -> str:
    """Return a share in whole percent, and neither none for some nor all for most."""
    percent = 100 * part / whole if whole else 0.0
    if 0 < percent < 1:
        return _("under 1 %")
    if 99 < percent < 100:
        return _("over 99 %")
    return _("{percent} %").format(percent=round(percent))


def _fullest(weeks: Sequence[Week]) -> Week:
    return max(weeks, key=lambda week: week.returns)


def _weeks_words(weeks: Sequence[Week]) -> str:
    top = _fullest(weeks)
    total = sum(week.returns for week in weeks)
    words = ngettext(
        "{returns} return so far. The fullest week began on {day}, with {most}.",
        "{returns} returns so far. The fullest week began on {day}, with {most}.",
        total,
    )
    return words.format(returns=total, day=date_format(top.first_day, _("j F Y")), most=top.returns)


def _shift_words(rows: Sequence[Shift]) -> str:
    first = rows[0]
    words = _("{words} moved most: from {before} to {now} animals per trap-night.")
    return words.format(words=first.words, before=words_of(first.before), now=words_of(first.now))
