"""Returns sorted by cell and site, so that every sum over a site or a cell is one pass.

A *plot* here is one site within one cell: the unit that shares a site effect in the level model.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from surveys.methods.level_records import OPEN_ABOVE, Floats, Ints, LevelInput


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Sorted returns (n), their plots (P) and the cells that have returns (C).

    ``row_plot`` and ``row_cell`` (n,) number plots and cells; ``plot_start`` (P,) and ``cell_start`` (C,)
    point at first rows; ``cell_plot_start`` (C,) at first plots; ``plot_cluster`` (P,) numbers the true
    site of each plot, ``cells`` (C,) gives back the cell numbers of the input.
    """

    effort: Floats
    low: Ints
    high: Ints
    covariates: Floats
    night: Ints
    row_plot: Ints
    row_cell: Ints
    plot_start: Ints
    plot_cell: Ints
    plot_cluster: Ints
    cell_start: Ints
    cell_plot_start: Ints
    cells: Ints

    @property
    def classed(self) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Say which returns give a class instead of a number, shape (n,)."""
        return np.asarray(self.low != self.high)

    def by_plot(self, values: Floats) -> Floats:
        """Sum the last axis, shape (..., n), over each plot: shape (..., P)."""
        return np.asarray(np.add.reduceat(values, self.plot_start, axis=-1))

    def by_cell(self, values: Floats) -> Floats:
        """Sum the last axis, shape (..., n), over each cell: shape (..., C)."""
        return np.asarray(np.add.reduceat(values, self.cell_start, axis=-1))

    def plots_by_cell(self, values: Floats) -> Floats:
        """Sum the last axis, shape (..., P), over each cell: shape (..., C)."""
        return np.asarray(np.add.reduceat(values, self.cell_plot_start, axis=-1))


def arrange_rows(rows: LevelInput) -> Layout:
    """Sort returns by cell, then site, and number their plots.

    Within a plot they are sorted by what they say, so that sums and guard draws, and with them the last digit of
    every figure, do not depend on the order in which returns come. Sites are taken in the order of their numbers.
    Parameters: ``rows`` with at least one return. Returns: a Layout. Raises: nothing.
    """
    order = np.lexsort((*rows.covariates.T, rows.effort, rows.high, rows.low, rows.site, rows.cell))
    cell, site = rows.cell[order], rows.site[order]
    new_cell = np.r_[True, cell[1:] != cell[:-1]]
    new_plot = new_cell | np.r_[True, site[1:] != site[:-1]]
    plot_start, cell_start = np.flatnonzero(new_plot), np.flatnonzero(new_cell)
    row_plot, row_cell = np.cumsum(new_plot) - 1, np.cumsum(new_cell) - 1
    return Layout(
        effort=rows.effort[order].astype(float),
        low=rows.low[order].astype(np.int64),
        high=rows.high[order].astype(np.int64),
        covariates=rows.covariates[order].astype(float),
        night=rows.night[order].astype(np.int64),
        row_plot=row_plot,
        row_cell=row_cell,
        plot_start=plot_start,
        plot_cell=row_cell[plot_start],
        plot_cluster=np.unique(site[plot_start], return_inverse=True)[1],
        cell_start=cell_start,
        cell_plot_start=row_plot[cell_start],
        cells=cell[cell_start],
    )


def split_bounded(rows: LevelInput) -> tuple[LevelInput, LevelInput]:
    """Part the returns of cells that have an upper bound on some count from those of cells that have none.

    Where every return says "so many or more", the likelihood rises with the level for ever.
    """
    bounded = np.bincount(rows.cell, weights=rows.high != OPEN_ABOVE, minlength=rows.n_cells)[rows.cell] > 0
    return select_rows(rows, np.flatnonzero(bounded)), select_rows(rows, np.flatnonzero(~bounded))


def select_rows(rows: LevelInput, chosen: Ints) -> LevelInput:
    """Keep the chosen returns; cells and habitats keep their numbers."""
    return replace(
        rows,
        cell=rows.cell[chosen],
        site=rows.site[chosen],
        effort=rows.effort[chosen],
        low=rows.low[chosen],
        high=rows.high[chosen],
        covariates=rows.covariates[chosen],
        habitat=rows.habitat[chosen],
        night=rows.night[chosen],
    )


def check_rows(rows: LevelInput) -> None:
    """Refuse arrays that do not belong together or lie outside their range.

    Parameters: ``rows``. Returns: nothing. Raises: ValueError with the first fault found.
    """
    n, n_habitats, p = rows.cell.size, rows.habitat_weights.size, rows.covariates_of_habitat.shape[-1]
    one_each = (rows.site, rows.effort, rows.low, rows.high, rows.habitat, rows.night)
    finite = (rows.effort, rows.covariates, rows.habitat_weights, rows.covariates_of_habitat)
    rules = (
        (all(array.shape == (n,) for array in one_each), "every array needs one entry per return"),
        (rows.covariates.shape == (n, p), "covariates must have shape (returns, effects)"),
        (n_habitats > 0, "at least one habitat weight is needed"),
        (rows.covariates_of_habitat.shape == (n_habitats, p), "each habitat weight needs its covariate row"),
        (all(bool(np.isfinite(array).all()) for array in finite), "effort, covariates and weights must be finite"),
        (bool((rows.effort > 0).all()), "effort must be above zero trap-nights"),
        (bool((rows.low >= 0).all()), "counts must be zero or more"),
        (bool(((rows.high >= rows.low) | (rows.high == OPEN_ABOVE)).all()), "a class must not end below its start"),
        (bool(((rows.cell >= 0) & (rows.cell < rows.n_cells)).all()), "cells must be numbered 0 to n_cells - 1"),
        (bool(((rows.habitat >= 0) & (rows.habitat < n_habitats)).all()), "habitats must be numbered like the weights"),
        (bool((rows.habitat_weights >= 0).all()), "habitat weights must be zero or more"),
        (abs(float(rows.habitat_weights.sum()) - 1.0) < 1e-6, "habitat weights must sum to 1"),
    )
    for holds, sentence in rules:
        if not holds:
            raise ValueError(sentence)
