"""Returns sorted by cell and site, so that every sum over a site or a cell is one pass.

A *plot* here is one site within one cell: the unit that shares a site effect in the level model.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from surveys.methods.level_records import OPEN_ABOVE, Floats, Ints, LevelInput


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Sorted returns (n), their plots (P) and the cells that have returns (C).

    ``row_plot`` and ``row_cell`` (n,) number plots and cells; ``plot_start`` (P,) and ``cell_start`` (C,)
    point at first rows; ``cell_plot_start`` (C,) at first plots; ``plot_site`` (P,) is the true site of each plot
    as the input numbers it; ``cells`` (C,) are the input's cell numbers.
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
    plot_site: Ints
    cell_start: Ints
    cell_plot_start: Ints
    cells: Ints

    @property
    def classed(self) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Say which returns give a class instead of a number, shape (n,)."""
        return np.asarray(self.low != self.high)

    @property
    def plot_cluster(self) -> Ints:
        """Number the true sites of the plots from 0 on, shape (P,)."""
        return np.asarray(np.unique(self.plot_site, return_inverse=True)[1])

    def by_plot(self, values: Floats) -> Floats:
        """Sum the last axis, shape (..., n), over each plot: shape (..., P)."""
        return np.asarray(np.add.reduceat(values, self.plot_start, axis=-1))

    def weigh_by_plot(self, weights: Floats, values: Floats) -> Floats:
        """Sum weights (n,) times values (n, m) over each plot, as one sparse product: shape (P, m)."""
        return sum_runs(values, np.r_[self.plot_start, weights.size], weights)

    def by_cell(self, values: Floats) -> Floats:
        """Sum the last axis, shape (..., n), over each cell: shape (..., C)."""
        return np.asarray(np.add.reduceat(values, self.cell_start, axis=-1))

    def plots_by_cell(self, values: Floats) -> Floats:
        """Sum the last axis, shape (..., P), over each cell: shape (..., C)."""
        return np.asarray(np.add.reduceat(values, self.cell_plot_start, axis=-1))


def sum_runs(values: Floats, ends: Ints, weights: Floats | None = None) -> Floats:
    """Sum the rows of (n, m) over runs that begin at ``ends`` and end where the next begins: one sparse product."""
    each = np.ones(values.shape[0]) if weights is None else weights
    shape = (ends.size - 1, values.shape[0])
    return np.asarray(sparse.csr_array((each, np.arange(values.shape[0]), ends), shape=shape) @ values)


def arrange_rows(rows: LevelInput) -> Layout:
    """Sort returns by cell, then site, and number their plots.

    Within a plot they are sorted by what they say, so that sums and guard draws, and with them the last digit of
    every figure, do not depend on the order in which returns come. Sites are taken in the order of their numbers.
    Parameters: ``rows`` with at least one return. Returns: a Layout. Raises: nothing.
    """
    order = canonical_order(rows)
    cell, site = rows.cell[order], rows.site[order]
    new_cell = np.r_[True, cell[1:] != cell[:-1]]
    new_plot = new_cell | np.r_[True, site[1:] != site[:-1]]
    plot_start, cell_start = np.flatnonzero(new_plot), np.flatnonzero(new_cell)
    row_plot, row_cell = np.cumsum(new_plot) - 1, np.cumsum(new_cell) - 1
    return Layout(
        effort=rows.effort[order].astype(float, copy=False),
        low=rows.low[order].astype(np.int64),
        high=rows.high[order].astype(np.int64),
        covariates=np.ascontiguousarray(rows.kinds[rows.kind[order]], dtype=float),
        night=rows.night[order].astype(np.int64, copy=False),
        row_plot=row_plot,
        row_cell=row_cell,
        plot_start=plot_start,
        plot_cell=row_cell[plot_start],
        plot_site=site[plot_start],
        cell_start=cell_start,
        cell_plot_start=row_plot[cell_start],
        cells=cell[cell_start],
    )


def with_counts(layout: Layout, low: Ints, high: Ints) -> Layout:
    """Put the counts of another group into a layout of the same returns in the same order."""
    return replace(layout, low=low.astype(np.int64), high=high.astype(np.int64))


def canonical_order(rows: LevelInput) -> Ints | slice:
    """Return the order by cell, site, covariates, effort and count; a slice where the rows already stand so.

    Rows that come sorted by cell, site and covariates, as all groups of a night do, are sorted further only where
    two of them tie.
    """
    outer, within = (rows.cell, rows.site, rank_kinds(rows.kinds)[rows.kind]), (rows.effort, rows.low, rows.high)
    everywhere = np.arange(max(rows.cell.size - 1, 0))
    wrong, tied = compare_neighbours(outer, everywhere)
    if wrong.size:
        return np.lexsort((*within[::-1], *outer[::-1]))
    wrong, _ = compare_neighbours(within, tied)
    if not wrong.size:
        return slice(None)
    new_run = np.ones(rows.cell.size, dtype=bool)
    new_run[tied + 1] = False
    run = np.cumsum(new_run) - 1
    disordered = np.zeros(int(run[-1]) + 1, dtype=bool)
    disordered[run[wrong]] = True
    chosen = np.flatnonzero(disordered[run])
    order = np.arange(run.size)
    order[chosen] = chosen[np.lexsort((*(key[chosen] for key in within[::-1]), run[chosen]))]
    return order


def rank_kinds(kinds: Floats) -> NDArray[np.int32]:
    """Return the ranks (K,) of the rows of (K, p), the last column first; rows that are alike have the same one."""
    if not kinds.size:
        return np.zeros(len(kinds), dtype=np.int32)
    order = np.lexsort(kinds.T)
    ordered = kinds[order]
    ranks = np.zeros(len(kinds), dtype=np.int32)
    ranks[order[1:]] = np.cumsum((ordered[1:] != ordered[:-1]).any(axis=1))
    return ranks


def compare_neighbours(keys: tuple[Floats | Ints | NDArray[np.int32], ...], pairs: Ints) -> tuple[Ints, Ints]:
    """Compare rows with the ones after them, first key first; return which pairs are out of order and which tie.

    ``pairs`` are the numbers of the first rows to look at.
    """
    wrong, tied = [], pairs
    for key in keys:
        here, following = key[tied], key[tied + 1]
        wrong.append(tied[here > following])
        tied = tied[here == following]
    return np.concatenate(wrong), tied


def count_distinct(numbers: Ints) -> int:
    """Count how many different numbers there are; sorting beats hashing on long arrays."""
    ordered = np.sort(numbers)
    return int(ordered.size > 0) + int((ordered[1:] != ordered[:-1]).sum())


def split_bounded(rows: LevelInput) -> tuple[LevelInput, LevelInput]:
    """Part the returns of cells that have an upper bound on some count from those of cells that have none.

    Where every return says "so many or more", the likelihood rises with the level for ever.
    """
    opened = np.bincount(rows.cell[rows.high == OPEN_ABOVE], minlength=rows.n_cells)
    nothing_else = (opened > 0) & (opened == np.bincount(rows.cell, minlength=rows.n_cells))
    if not nothing_else.any():
        return rows, select_rows(rows, np.zeros(0, dtype=np.int64))
    bounded = ~nothing_else[rows.cell]
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
        kind=rows.kind[chosen],
        habitat=rows.habitat[chosen],
        night=rows.night[chosen],
    )


def check_rows(rows: LevelInput) -> None:
    """Refuse arrays that do not belong together or lie outside their range.

    Parameters: ``rows``. Returns: nothing. Raises: ValueError with the first fault found.
    """
    n, n_habitats, p = rows.cell.size, rows.habitat_weights.size, rows.covariates_of_habitat.shape[-1]
    one_each = (rows.site, rows.effort, rows.low, rows.high, rows.kind, rows.habitat, rows.night)
    finite = (rows.effort, rows.kinds, rows.habitat_weights, rows.covariates_of_habitat)
    in_range = (rows.kind >= 0) & (rows.kind < len(rows.kinds))
    refuse_unless(
        (all(array.shape == (n,) for array in one_each), "every array needs one entry per return"),
        (rows.kinds.shape[1:] == (p,), "kinds of covariates must have shape (kinds, effects)"),
        (bool(in_range.all()), "every return needs covariates of one of the kinds"),
        (n_habitats > 0, "at least one habitat weight is needed"),
        (rows.covariates_of_habitat.shape == (n_habitats, p), "each habitat weight needs its covariate row"),
        (all(bool(np.isfinite(array).all()) for array in finite), "effort, covariates and weights must be finite"),
        (bool((rows.effort > 0).all()), "effort must be above zero trap-nights"),
        (bool(((rows.cell >= 0) & (rows.cell < rows.n_cells)).all()), "cells must be numbered 0 to n_cells - 1"),
        (bool(((rows.habitat >= 0) & (rows.habitat < n_habitats)).all()), "habitats must be numbered like the weights"),
        (bool((rows.habitat_weights >= 0).all()), "habitat weights must be zero or more"),
        (abs(float(rows.habitat_weights.sum()) - 1.0) < 1e-6, "habitat weights must sum to 1"),
    )
    check_counts(rows)


def check_counts(rows: LevelInput) -> None:
    """Refuse counts below zero and classes that end below their start; raises ValueError."""
    below = rows.high[rows.high < rows.low]
    refuse_unless(
        (bool(rows.low.min(initial=0) >= 0), "counts must be zero or more"),
        (bool((below == OPEN_ABOVE).all()), "a class must not end below its start"),
    )


def refuse_unless(*rules: tuple[bool, str]) -> None:
    """Raise ValueError with the sentence of the first rule that does not hold."""
    for holds, sentence in rules:
        if not holds:
            raise ValueError(sentence)
