"""What all charts of the desk share: the record that a page shows, sizes, letters and the scale's lines."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt
from altair.utils.schemapi import debug_mode
from django.utils.safestring import SafeString

from surveys.web.chart_palette import GROUND, SOFT, WORDS
from surveys.web.svg_drawing import draw_svg

#: Units of a drawing: as many as a small phone has pixels for it, so that letters of 13 are letters of 13 there.
WIDTH, HEIGHT, LETTERS = 320, 210, 13
#: How letters beside a mark look.
BOLD: dict[str, Any] = {"color": WORDS.light, "fontSize": LETTERS, "fontWeight": "bold"}
PLAIN: dict[str, Any] = {"color": WORDS.light, "fontSize": LETTERS}


@dataclass(frozen=True, slots=True)
class Chart:
    """A drawn chart, the sentence that reads it, and its numbers as a table; the first column names the row."""

    title: str
    svg: SafeString
    sentence: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def framed(
    layers: Callable[[], Sequence[alt.Chart]],
    *,
    of: object,
    title: str,
    sentence: str,
    head: tuple[str, ...],
    rows: tuple[tuple[str, ...], ...],
    height: int = HEIGHT,
) -> Chart:
    """Return a chart from its layers, in the desk's size and letters; ``of`` is all that the layers are made from."""
    svg = draw_svg(lambda: _described(layers, height), of=of, title=title, sentence=sentence)
    return Chart(title, svg, sentence, head, rows)


def _described(layers: Callable[[], Sequence[alt.Chart]], height: int) -> dict[str, Any]:
    # What is described here is fixed, and tests draw all of it: checking it against the schema each time costs more
    # than drawing it.
    with debug_mode(False):
        return _unchecked(layers(), height)


def _unchecked(layers: Sequence[alt.Chart], height: int) -> dict[str, Any]:
    size = {"width": WIDTH, "height": height, "autosize": alt.AutoSizeParams(type="fit", contains="padding")}
    sized = alt.layer(*layers).properties(**size, background="transparent").configure(
        axis=alt.AxisConfig(
            labelColor=SOFT.light, titleColor=SOFT.light, domainColor=SOFT.light, tickColor=SOFT.light,
            gridColor=GROUND.light, labelFontSize=LETTERS, titleFontSize=LETTERS, titleFontWeight="normal",
        ),
        view=alt.ViewConfig(stroke=None),
        padding={"left": 2, "right": 12, "top": 2, "bottom": 2},  # the last word of a scale is half beyond it
    )  # fmt: skip
    described: dict[str, Any] = sized.to_dict(validate=False)
    return described


def rows_of(rows: Sequence[dict[str, Any]]) -> alt.InlineData:
    """Return rows as a drawing reads them."""
    return alt.InlineData(values=list(rows))


def whole_axis(most: float) -> alt.Axis:
    """Return the axis of a count up to ``most``: few ticks, and none between whole numbers."""
    return alt.Axis(tickCount=min(4, max(int(most), 1)), format="d", grid=True)


def with_room(most: float, *, share: float) -> alt.Scale:
    """Return a scale from 0 with room above ``most`` for words, as a share of it."""
    return alt.Scale(domain=[0, max(most, 1) * (1 + share)], nice=False)


def side_of(place: int, places: int) -> Any:
    """Return which side words hang on, so that they stay inside the drawing at both ends."""
    return "left" if place < places / 4 else "right" if place >= places * 3 / 4 else "center"
