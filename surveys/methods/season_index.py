"""The level index of a season, group by group, and what is shown of each cell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from surveys.methods.indices import estimate_level
from surveys.methods.level_layout import Layout
from surveys.methods.level_records import LevelCell, LevelResult, LevelSettings, SharedParts
from surveys.methods.season_frame import LevelRows, SeasonList
from surveys.vocabulary import IndexLabel

#: Exponents of the rim offset: 1 is published, 0 is the sensitivity run. METHODS.md, section 3.
RIM_EXPONENTS = (1, 0)


@dataclass(frozen=True, slots=True)
class LevelFigure:
    """What is shown of one cell: ``region``, ``window`` and ``group`` are positions in the season's lists.

    ``estimate``, ``low`` and ``high``, animals per trap-night, are None where the gate is not passed.
    """

    region: int
    window: int
    group: int
    rim_exponent: int
    label: IndexLabel
    estimate: float | None
    low: float | None
    high: float | None
    sites: int
    site_nights: int
    returns: int
    trap_nights: float
    more_sites_needed: int


def layouts_of_all(rows: LevelRows) -> dict[int, Layout]:
    """Arrange all returns once for each rim exponent, for the groups that every return answered."""
    return {exponent: rows.layout_of_all(rim_exponent=exponent) for exponent in RIM_EXPONENTS}


def estimate_group(
    rows: LevelRows,
    group: int,
    settings: LevelSettings,
    *,
    held: Mapping[int, SharedParts | None] | None = None,
    layouts: Mapping[int, Layout] | None = None,
) -> dict[int, LevelResult]:
    """Estimate the level of one group under every rim exponent.

    Parameters: ``rows`` of the season; ``group`` its position; ``settings``; ``held`` shared parts by rim exponent,
    as an earlier estimate left them; ``layouts`` of all returns by rim exponent, to save time beside held parts.
    Returns: results by rim exponent. Raises: ValueError when the arrays do not belong together.
    References: METHODS.md, sections 3, 5 and 14.
    """
    return {
        exponent: estimate_exponent(
            rows, group, exponent, settings, held=(held or {}).get(exponent), layout=(layouts or {}).get(exponent)
        )
        for exponent in RIM_EXPONENTS
    }


def estimate_exponent(
    rows: LevelRows,
    group: int,
    exponent: int,
    settings: LevelSettings,
    *,
    held: SharedParts | None = None,
    layout: Layout | None = None,
) -> LevelResult:
    """Estimate the level of one group under one rim exponent.

    Parameters: as of :func:`estimate_group`, for one ``exponent``; ``layout`` of all returns under it.
    Returns: LevelResult. Raises: ValueError when the arrays do not belong together.
    """
    answered_by_all = isinstance(rows.frame.known(group), slice)
    return estimate_level(
        rows.of_group(group, rim_exponent=exponent), settings, held=held, layout=layout if answered_by_all else None
    )


def describe_components(result: LevelResult) -> dict[str, Any]:
    """Return what all cells of a group share, as a run and a release tell it."""
    return {
        "site_variance": result.site_variance,
        "night_variance": result.night_variance,
        "guard": result.guard,
        "lean_on_prior": result.components_lean_on_prior,
        "warnings": list(result.warnings),
    }


def level_figures(result: LevelResult, lists: SeasonList, group: int, rim_exponent: int) -> list[LevelFigure]:
    """Return what is shown of every region and window of a group."""
    return [
        _figure(cell, region=region, window=window, group=group, rim_exponent=rim_exponent)
        for (region, window), cell in zip(lists.places, result.cells, strict=True)
    ]


def _figure(cell: LevelCell, **place: int) -> LevelFigure:
    shown = cell.shown != IndexLabel.TOO_FEW
    return LevelFigure(
        **place,
        label=cell.shown,
        estimate=cell.estimate if shown else None,
        low=cell.low if shown else None,
        high=cell.high if shown else None,
        sites=cell.sites,
        site_nights=cell.site_nights,
        returns=cell.returns,
        trap_nights=cell.trap_nights,
        more_sites_needed=cell.more_sites_needed,
    )
