"""The change of every group to a season, what is shown of it, and the adjustment over all that is shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from surveys.methods.change_records import ChangeCell, ChangeResult, ChangeSettings, base_of
from surveys.methods.change_rows import SeasonsRows, lay_out_change
from surveys.methods.change_temperature import ChangeSideBySide, change_side_by_side
from surveys.methods.level_records import LevelSettings, SharedParts
from surveys.methods.many_comparisons import adjust_for_many
from surveys.methods.season_change import SeveralSeasons
from surveys.methods.season_frame import SeasonList


@dataclass(frozen=True, slots=True)
class ChangeFigure:
    """What is shown of one change: ``region`` and ``window`` are positions in the season's lists, ``group`` a code.

    ``ratio``, its limits and p values are None unless ``code`` is "shown".
    """

    region: int
    window: int
    group: str
    adjusted: bool
    code: str
    ratio: float | None
    low: float | None
    high: float | None
    p_value: float | None
    revisited_sites: int
    effective_sites: float
    more_sites_needed: int
    p_adjusted: float | None = None


def change_of_group(
    seasons: SeveralSeasons, group: str, shared: SharedParts | None, level: LevelSettings, settings: ChangeSettings
) -> ChangeSideBySide:
    """Estimate the change of one group, as caught and adjusted to nights of one warmth.

    The published exponent of the rim is 1; a garden keeps its cups, so that another would change little.
    Parameters: ``seasons``; ``group`` code; ``shared`` parts of the latest season's level at exponent 1, None where
    it learned nothing; settings of ``level`` and change. Returns: ChangeSideBySide. Raises: as its two methods.
    References: METHODS.md, section 6.
    """
    return change_of_rows(seasons.of_group(group), shared, level, settings)


def change_of_rows(
    rows: SeasonsRows, shared: SharedParts | None, level: LevelSettings, settings: ChangeSettings
) -> ChangeSideBySide:
    """Estimate the change of one group from its rows in several seasons; all else is as of :func:`change_of_group`."""
    laid_out = lay_out_change(rows, shared, level)
    return change_side_by_side(laid_out.rows, laid_out.temperatures, settings, imputed=laid_out.imputed)


def describe_change(seasons: Sequence[str], found: ChangeSideBySide, settings: ChangeSettings) -> dict[str, Any]:
    """Return what a run and a release tell of a group's change; ``seasons`` are codes in time order."""
    return {
        "base": [seasons[period] for period in base_of(len(seasons), settings)],
        "temperatures": {source.value: count for source, count in found.effect.source.items()},
        "temperature_sentence": found.effect.sentence,
        "warnings": sorted({*found.raw.warnings, *found.adjusted.warnings}),
    }


def change_figures(found: ChangeSideBySide, lists: SeasonList, group: str) -> list[ChangeFigure]:
    """Return both changes of every region and window to the latest season."""
    figures = []
    for number, (region, window) in enumerate(lists.places):
        raw, adjusted = (_latest(result, number) for result in (found.raw, found.adjusted))
        place = {"region": region, "window": window, "group": group}
        figures.append(_figure(raw, change_code(raw), adjusted=False, **place))
        # The adjusted change stands beside the one as caught, and never without it.
        code = change_code(adjusted) if change_code(raw) == "shown" else change_code(raw)
        figures.append(_figure(adjusted, code, adjusted=True, **place))
    return figures


def change_code(cell: ChangeCell) -> str:
    """Return the code of a cell; one that may be shown must have an interval with its figure inside."""
    if not cell.shown:
        return cell.code
    if cell.ratio is None or cell.low is None or cell.high is None or cell.p_value is None:
        return "no_interval"
    return "shown" if cell.low <= cell.ratio <= cell.high else "no_interval"


def with_many_adjusted(figures: Sequence[ChangeFigure]) -> list[ChangeFigure]:
    """Fill in the p values adjusted over all shown changes: as caught, and apart from them adjusted for warmth."""
    found: list[float | None] = [None] * len(figures)
    for adjusted in (False, True):
        shown = [
            number
            for number, figure in enumerate(figures)
            if figure.adjusted == adjusted and figure.p_value is not None
        ]
        many = adjust_for_many(np.array([figures[number].p_value for number in shown], dtype=float))
        for number, p_adjusted in zip(shown, many.adjusted, strict=True):
            found[number] = float(p_adjusted)
    return [replace(figure, p_adjusted=p_adjusted) for figure, p_adjusted in zip(figures, found, strict=True)]


def _latest(result: ChangeResult, place: int) -> ChangeCell:
    return result.cell(place, result.n_periods - 1)


def _figure(cell: ChangeCell, code: str, *, adjusted: bool, **place: Any) -> ChangeFigure:
    shown = code == "shown"
    return ChangeFigure(
        **place,
        adjusted=adjusted,
        code=code,
        ratio=cell.ratio if shown else None,
        low=cell.low if shown else None,
        high=cell.high if shown else None,
        p_value=cell.p_value if shown else None,
        revisited_sites=cell.revisited_sites,
        effective_sites=cell.effective_sites,
        more_sites_needed=cell.more_sites_needed,
    )
