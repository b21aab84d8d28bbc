"""The chart of the design calculator: the chance to see a loss, by the number of gardens."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt
from django.utils.translation import gettext as _

from surveys.web.chart_palette import MARKED, SOFT, USUAL, WORDS
from surveys.web.svg_frame import BOLD, Chart, framed, rows_of


def chance_by_gardens(
    *, loss: int, curve: Sequence[tuple[int, float | None]], now: int, needed: int | None, wanted: float
) -> Chart:
    """Draw the chance by the number of gardens, with the gardens of now and those that are needed marked.

    ``loss`` in percent; ``curve`` has gardens in order, each with its chance, None where nothing would be shown;
    ``now`` and ``needed`` are marked where the curve has them; ``wanted`` is the chance that is aimed at.
    """
    return framed(
        lambda: _layers(curve, now, needed, wanted),
        of=("chance by gardens", tuple(curve), now, needed, wanted),
        title=_("Chance to see a loss of {loss} %, by the number of gardens").format(loss=loss),
        sentence=_reading(curve, needed, wanted),
        head=(_("Gardens"), _("Chance in 100")),
        rows=tuple((_row_words(one, now, needed), _cell(chance)) for one, chance in curve),
    )


def _layers(curve: Sequence[tuple[int, float | None]], now: int, needed: int | None, wanted: float) -> list[alt.Chart]:
    chances = {gardens: 100 * (chance or 0.0) for gardens, chance in curve}
    top = max(chances)
    x = alt.X(
        "gardens:Q",
        title=_("Gardens"),
        scale=alt.Scale(domain=[0, top * 1.04], nice=False),
        axis=alt.Axis(tickCount=4, format="d"),
    )
    y = alt.Y(
        "chance:Q",
        title=_("Chance in 100"),
        scale=alt.Scale(domain=[0, 112], nice=False),
        axis=alt.Axis(values=[0, 20, 40, 60, 80, 100]),
    )
    line = alt.Chart(rows_of([{"gardens": one, "chance": 100 * chance} for one, chance in curve if chance is not None]))
    aim = alt.Chart(rows_of([{"chance": 100 * wanted}]))
    layers: list[alt.Chart] = [
        aim.mark_rule(color=SOFT.light, strokeWidth=1, strokeDash=[5, 4]).encode(y=y),
        line.mark_line(color=USUAL.light, strokeWidth=3).encode(x=x, y=y),
    ]
    marked = [
        {"gardens": one, "chance": chances[one], "words": f"{words}: {one}", "shape": shape, "far": one > top * 0.6}
        for one, words, shape in ((now, _("now"), "circle"), (needed, _("needed"), "diamond"))
        if one in chances
    ]
    dots = alt.Chart(rows_of(marked)).encode(x=x, y=y, shape=alt.Shape("shape:N", scale=None, legend=None))
    layers.append(dots.mark_point(filled=True, size=150, color=MARKED.light, stroke=WORDS.light, strokeWidth=1))
    for far in (False, True):
        told = alt.Chart(rows_of([row for row in marked if row["far"] is far])).encode(x=x, y=y, text="words:N")
        # Words stay inside the drawing and off the line, which rises: above it far out, below it near.
        side: dict[str, Any] = {"align": "right", "dx": -8, "dy": -12} if far else {"align": "left", "dx": 8, "dy": 18}
        layers.append(told.mark_text(**side, **BOLD))
    return layers


def _reading(curve: Sequence[tuple[int, float | None]], needed: int | None, wanted: float) -> str:
    if needed is not None:
        return _("The line passes {wanted} in 100 at {needed} gardens.").format(
            wanted=round(100 * wanted), needed=needed
        )
    most, chance = curve[-1]
    return _("Even with {gardens} gardens the chance is only {chance} in 100.").format(
        gardens=most, chance=_cell(chance)
    )


def _row_words(gardens: int, now: int, needed: int | None) -> str:
    if gardens == now:
        return _("{gardens} (now)").format(gardens=gardens)
    return _("{gardens} (needed)").format(gardens=gardens) if gardens == needed else str(gardens)


def _cell(chance: float | None) -> str:
    return _("not shown") if chance is None else str(round(100 * chance))
