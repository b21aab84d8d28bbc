"""What the page of a release draws: its index by region, and the effort in its grid cells."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from surveys.errors import NotFound
from surveys.methods.geography import CELL_DEG
from surveys.queries.figures import no_figure
from surveys.queries.release_shown import Listed, ListedWindow, ReleaseShown
from surveys.web.charts import SHADES, words_of
from surveys.web.maps import Outline, RegionMap, draw_regions, draw_squares
from surveys.web.seasons import draw_figures, figure_row

#: Cells that the page lists; all of them are in the release's file.
MOST_CELLS = 20


@dataclass(frozen=True, slots=True)
class ShadedSquare:
    """A grid cell on the map with its shade, 1 (least effort) to 5."""

    x: float
    y: float
    width: float
    height: float
    shade: int


@dataclass(frozen=True, slots=True)
class EffortClass:
    """One shade of the map with the trap-nights that it stands for."""

    shade: int
    low: str
    high: str


@dataclass(frozen=True, slots=True)
class CellsShown:
    """The map of a release's cells, its key, one sentence, and the cells with most effort as a table."""

    map: RegionMap | None
    names: tuple[tuple[str, Outline], ...]
    squares: tuple[ShadedSquare, ...]
    key: tuple[EffortClass, ...]
    sentence: str
    most: tuple[Any, ...]
    more: int


def index_shown(shown: ReleaseShown, *, group: str | None, window: str | None) -> dict[str, Any]:
    """Return what the page draws of one group in one window of a release. No query.

    Without a choice: the first group, and the latest window that has figures. Raises :class:`NotFound` for others.
    """
    with_figures = shown.windows_with_figures()
    windows = [each for each in shown.windows if each.code in with_figures] or list(shown.windows[:1])
    chosen = _chosen(shown.groups, group, shown.groups[:1])
    when = _chosen(shown.windows, window, windows[-1:])
    rows = [figure_row(each.name, _figure(shown, chosen, when, each)) for each in shown.regions]
    boundaries = [(each.code, shown.facts.boundaries.get(each.code)) for each in shown.regions]
    drawn = draw_figures(rows, [(code, found) for code, found in boundaries if found] if _all(boundaries) else [])
    return {"group": chosen, "window": when, "rows": rows, "reading": read_index(rows), **drawn}


def _figure(shown: ReleaseShown, group: Listed, window: ListedWindow, region: Listed) -> Any:
    found = shown.figure(group=group.code, window=window.code, region=region.code)
    return found or no_figure(region.code)


def _all(boundaries: Sequence[tuple[str, Any]]) -> bool:
    return all(found for _code, found in boundaries)


def _chosen(listed: Sequence[Any], code: str | None, otherwise: Sequence[Any]) -> Any:
    found = [each for each in listed if each.code == code] if code else list(otherwise)
    if not found:
        raise NotFound(
            _("This release has nothing with the code {code}. Its page lists its groups and windows.").format(code=code)
        )
    return found[0]


def read_index(rows: Sequence[Mapping[str, Any]]) -> str:
    """Return what the figures of one group in one window say, in a sentence or two.

    A difference is only told where the two intervals do not overlap, which errs on the quiet side
    (Schenker & Gentleman 2001, The American Statistician 55:182).
    """
    found = sorted((row for row in rows if row["shown"]), key=lambda row: -row["estimate"])
    if not found:
        return _("No region has enough returns for a figure here.")
    first = _("Highest in {region}: about {estimate} animals in a trap-night, likely between {low} and {high}.").format(
        region=found[0]["name"], **{name: words_of(found[0][name]) for name in ("estimate", "low", "high")}
    )
    said = [first, *_compared(found)]
    if missing := len(rows) - len(found):
        words = ngettext(
            "{n} region has too few returns for a figure.", "{n} regions have too few returns for a figure.", missing
        )
        said.append(words.format(n=missing))
    return " ".join(said)


def _compared(found: Sequence[Mapping[str, Any]]) -> list[str]:
    if len(found) == 1:
        return []
    apart = found[0]["low"] > found[-1]["high"]
    words = (
        _("Lowest in {region}, about {estimate}: the intervals lie apart, so the two very likely differ.")
        if apart
        else _("Lowest in {region}, about {estimate}: the intervals overlap, so the two may not differ at all.")
    )
    return [words.format(region=found[-1]["name"], estimate=words_of(found[-1]["estimate"]))]


def cells_shown(shown: ReleaseShown, cells: Sequence[Any]) -> CellsShown:
    """Return the map and table of a release's grid cells. No query."""
    boundaries = [(one.code, shown.facts.boundaries[one.code]) for one in shown.regions if one.code in _placed(shown)]
    shape = draw_regions(boundaries)
    placed = [(cell.cell_longitude, cell.cell_latitude, cell.trap_nights) for cell in cells]
    squares = draw_squares(boundaries, placed, side_deg=CELL_DEG)
    edges = effort_edges(max((square.amount for square in squares), default=1.0))
    names = {region.code: region.name for region in shown.regions}
    ranked = sorted(cells, key=lambda cell: (-cell.trap_nights, cell.region.code, cell.cell_code))
    return CellsShown(
        map=shape,
        names=tuple((names[outline.code], outline) for outline in shape.outlines) if shape else (),
        squares=tuple(
            ShadedSquare(one.x, one.y, one.width, one.height, shade_in(one.amount, edges)) for one in squares
        ),
        key=tuple(EffortClass(number + 1, f"{edges[number]:g}", f"{edges[number + 1]:g}") for number in range(SHADES)),
        sentence=_read_cells(ranked),
        most=tuple(ranked[:MOST_CELLS]),
        more=max(len(ranked) - MOST_CELLS, 0),
    )


def _placed(shown: ReleaseShown) -> set[str]:
    return {code for code, found in shown.facts.boundaries.items() if found}


def effort_edges(most: float) -> list[float]:
    """Return the six edges of five classes of effort: from 0 in steps of 1, 2 and 5, the last at or above ``most``.

    Effort differs by tens between cells: on even classes nearly all cells would have the palest shade.
    """
    power = math.floor(math.log10(most)) if most > 0 else 0
    series = [round(factor * 10.0**place, 10) for place in range(power - 3, power + 2) for factor in (1, 2, 5)]
    top = next(place for place, edge in enumerate(series) if edge >= most * (1 - 1e-9))
    return [0.0, *series[top - SHADES + 1 : top + 1]]


def shade_in(amount: float, edges: Sequence[float]) -> int:
    """Return the shade, 1 to 5, of an amount; an amount on an edge belongs to the class below it."""
    return next((number for number in range(1, SHADES) if amount <= edges[number] * (1 + 1e-9)), SHADES)


def _read_cells(ranked: Sequence[Any]) -> str:
    if not ranked:
        return _("No grid cell stands for five gardens or more.")
    codes = len({cell.cell_code for cell in ranked})
    words = ngettext(
        "{n} grid cell stands for five gardens or more: {nights} trap-nights in all.",
        "{n} grid cells stand for five gardens or more: {nights} trap-nights in all.",
        codes,
    ).format(n=codes, nights=_whole(sum(cell.trap_nights for cell in ranked)))
    most = _("Most effort is in {cell}, {region}: {nights} trap-nights.").format(
        cell=ranked[0].cell_code, region=ranked[0].region.name, nights=_whole(ranked[0].trap_nights)
    )
    return f"{words} {most}"


def _whole(number: float) -> str:
    return number_format(round(number), force_grouping=True)
