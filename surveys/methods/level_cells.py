"""What is said of each cell: its estimate and limits beside its design and what the gate makes of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from surveys.methods.cell_rates import cell_moments, quasi_weights
from surveys.methods.gates import CellDesign, pass_gate, planning_error, sites_missing
from surveys.methods.level_fit import Fit
from surveys.methods.level_layout import Layout, arrange_rows, count_distinct
from surveys.methods.level_records import Floats, Ints, LevelCell, LevelInput, LevelResult, LevelSettings
from surveys.methods.shared_effects import exposure_of
from surveys.vocabulary import IndexLabel


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Per cell with returns: ``estimate``, ``low`` and ``high`` (C,), with the guard used for all."""

    estimate: Floats
    low: Floats
    high: Floats
    guard: float


def count_sites_and_nights(layout: Layout) -> tuple[Ints, Ints]:
    """Count the sites and the site-nights of each cell that has returns, (C,) each."""
    n_cells = layout.cells.size
    sites = np.bincount(layout.plot_cell, minlength=n_cells)
    ends = np.r_[layout.cell_start, layout.night.size]
    nights = [count_distinct(layout.night[ends[c] : ends[c + 1]]) for c in range(n_cells)]
    return sites.astype(np.int64), np.array(nights, dtype=np.int64)


def pooled_rate(fit: Fit, extra: float = 0.0) -> float:
    """Return the rate of the whole group per unit of exposure, with ``extra`` animals added.

    With a single cell it is that cell's own: there is no other. References: METHODS.md, section 5.8.
    """
    return float((fit.imputed.counts.sum() + extra) / fit.exposure.sum())


def predict_designs(layout: Layout, exposure: Floats, rate: float) -> list[CellDesign]:
    """List sites, site-nights and the count that ``rate`` predicts for the effort of each cell with returns."""
    sites, nights = count_sites_and_nights(layout)
    expected = rate * layout.by_cell(exposure)
    return [CellDesign(*row) for row in zip(sites.tolist(), nights.tolist(), expected.tolist(), strict=True)]


def planning_errors(layout: Layout, fit: Fit, rate: float, guard: float) -> list[float]:
    """List the relative standard error that each cell's design gives at the pooled ``rate``.

    References: METHODS.md, section 5.8.
    """
    weight = quasi_weights(layout, fit.exposure * rate, fit.components).row
    moments = cell_moments(layout, fit.imputed.counts, fit.exposure, weight, fit.components)
    parts = zip(moments.exposure, moments.dispersion, guard * moments.clumping, strict=True)
    return [planning_error(rate, float(total), float(phi), float(clumping)) for total, phi, clumping in parts]


def add_designs(designs: list[CellDesign]) -> CellDesign:
    """Add up the designs of all cells, to say what one garden usually sends."""
    totals = zip(*((design.sites, design.site_nights, design.expected_count) for design in designs), strict=True)
    sites, nights, expected = (sum(column) for column in totals)
    return CellDesign(int(sites), int(nights), float(expected))


def empty_cell(usual: CellDesign, settings: LevelSettings) -> LevelCell:
    """Describe a cell without any return: nothing is known, and nothing is made up."""
    passage = pass_gate(CellDesign(0, 0, 0.0), usual, math.inf, settings)
    return LevelCell(None, None, None, 0, 0, 0, 0.0, 0.0, None, passage.label, passage.more_sites_needed, passage.code)


def unbounded_cells(rows: LevelInput, beta: Floats, rate: float, settings: LevelSettings) -> dict[int, LevelCell]:
    """Describe the cells whose returns all say "so many or more": no level fits them best.

    Parameters: ``rows`` of those cells only; ``beta`` and pooled ``rate`` of the rest of the group; ``settings``.
    Returns: records by cell number, without estimate and limits. Raises: nothing.
    """
    if rows.cell.size == 0:
        return {}
    layout, described = arrange_rows(rows), {}
    returns, effort = np.bincount(layout.row_cell), layout.by_cell(layout.effort)
    for c, design in enumerate(predict_designs(layout, exposure_of(layout, beta), rate)):
        described[int(layout.cells[c])] = LevelCell(
            estimate=None,
            low=None,
            high=None,
            sites=design.sites,
            site_nights=design.site_nights,
            returns=int(returns[c]),
            trap_nights=float(effort[c]),
            expected_count=design.expected_count,
            planning_rse=None,
            shown=IndexLabel.TOO_FEW,
            more_sites_needed=max(1, sites_missing(design, design, settings)),
            code="no_upper_bound",
        )
    return described


def describe_cells(layout: Layout, n_cells: int, fit: Fit, levels: Levels, settings: LevelSettings) -> list[LevelCell]:
    """Put estimates, limits and gate together, one record for each of ``n_cells``."""
    rate = pooled_rate(fit)
    designs, errors = predict_designs(layout, fit.exposure, rate), planning_errors(layout, fit, rate, levels.guard)
    # Half an animal more, so that a group which nobody has seen still asks for a finite number of gardens.
    least = pooled_rate(fit, extra=0.5) * layout.by_cell(fit.exposure)
    usual = [replace(design, expected_count=float(count)) for design, count in zip(designs, least, strict=True)]
    cells = [empty_cell(add_designs(usual), settings)] * n_cells
    returns, effort = np.bincount(layout.row_cell), layout.by_cell(layout.effort)
    for c, (design, error) in enumerate(zip(designs, errors, strict=True)):
        passage = pass_gate(design, usual[c], error, settings)
        cells[int(layout.cells[c])] = LevelCell(
            estimate=float(levels.estimate[c]),
            low=float(levels.low[c]),
            high=float(levels.high[c]),
            sites=design.sites,
            site_nights=design.site_nights,
            returns=int(returns[c]),
            trap_nights=float(effort[c]),
            expected_count=design.expected_count,
            planning_rse=error if math.isfinite(error) else None,
            shown=passage.label,
            more_sites_needed=passage.more_sites_needed,
            code=passage.code,
        )
    return cells


def lean_on_prior(layout: Layout, counts: Floats, settings: LevelSettings) -> bool:
    """Say whether fewer sites with animals than needed stand behind the components."""
    return int((layout.by_plot(counts) > 0).sum()) < settings.lean_below_sites


def empty_result(unbounded: LevelInput, settings: LevelSettings) -> LevelResult:
    """Describe a group without any usable return, or with none that bounds a count from above."""
    beta = np.zeros(unbounded.covariates_of_habitat.shape[1])
    cells = [empty_cell(CellDesign(0, 0, 0.0), settings)] * unbounded.n_cells
    for number, cell in unbounded_cells(unbounded, beta, 0.0, settings).items():
        cells[number] = cell
    warnings = ("no_upper_bound",) if unbounded.cell.size else ("no_returns",)
    prior = (settings.site_prior_centre, settings.night_prior_centre)
    return LevelResult(tuple(cells), tuple(beta.tolist()), *prior, 1.0, True, 0, warnings)
