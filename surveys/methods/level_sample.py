"""A fixed sample of the gardens of a large season, from which the parts shared by all cells are learned first.

Variance components and guard need some ten thousand returns, not a million: with 40,000 returns their own error
is a few per cent, far below what it takes to move an interval. Rates and shared effects are fitted to all returns.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from surveys.methods.level_layout import Layout
from surveys.methods.level_records import Bools, Floats, Ints

#: Multipliers and shifts of a finaliser that mixes 64 bits. Source: Steele, Lea & Flood 2014 (from memory).
MIXERS = ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB))
LAST_SHIFT = 31
GOLDEN = 0x9E3779B97F4A7C15


def sample_plots(layout: Layout, most_returns: int) -> Layout:
    """Choose plots so that at most about ``most_returns`` returns remain, the same share-out for every cell.

    Small cells stay whole, large ones give the plots whose sites come first in a fixed shuffle of their numbers,
    so that a garden stays in the sample when others join.
    Parameters: ``layout``; ``most_returns``. Returns: the layout itself when it is small enough, else a smaller
    one with the same cells. Raises: nothing. References: none, own construction.
    """
    if layout.low.size <= most_returns:
        return layout
    ends = np.r_[layout.plot_start, layout.low.size]
    returns = np.diff(ends)
    limit = share_out(layout.plots_by_cell(returns.astype(float)), float(most_returns))
    order = np.lexsort((shuffle(layout.plot_site), layout.plot_cell))
    before = np.cumsum(returns[order]) - returns[order]
    before = before - before[layout.cell_plot_start][layout.plot_cell]
    chosen = np.zeros(returns.size, dtype=bool)
    chosen[order] = before < limit
    return take_plots(layout, chosen)


def share_out(returns: Floats, total: float) -> float:
    """Return the limit L at which the sum of min(returns of a cell, L) is ``total``; ``returns`` (C,)."""
    ordered = np.sort(returns)
    left = total - np.r_[0.0, np.cumsum(ordered)[:-1]]
    level = left / np.arange(ordered.size, 0, -1)
    return float(level[np.flatnonzero(level <= ordered)[0]]) if (level <= ordered).any() else float(ordered[-1])


def shuffle(sites: Ints) -> NDArray[np.uint64]:
    """Return numbers that put sites in a fixed order which has nothing to do with their own."""
    mixed = sites.astype(np.uint64) * np.uint64(GOLDEN)
    for shift, factor in MIXERS:
        mixed = (mixed ^ (mixed >> np.uint64(shift))) * np.uint64(factor)
    return np.asarray(mixed ^ (mixed >> np.uint64(LAST_SHIFT)))


def take_plots(layout: Layout, chosen: Bools) -> Layout:
    """Keep the chosen plots (P,) with their returns; cells are numbered anew but keep their names in ``cells``."""
    rows = chosen[layout.row_plot]
    returns = np.diff(np.r_[layout.plot_start, layout.low.size])[chosen]
    kept_cells, plot_cell = np.unique(layout.plot_cell[chosen], return_inverse=True)
    plots = np.bincount(plot_cell)
    plot_start = np.cumsum(returns) - returns
    cell_plot_start = np.cumsum(plots) - plots
    return replace(
        layout,
        effort=layout.effort[rows],
        low=layout.low[rows],
        high=layout.high[rows],
        covariates=layout.covariates[rows],
        night=layout.night[rows],
        row_plot=np.repeat(np.arange(returns.size), returns),
        row_cell=np.repeat(plot_cell, returns),
        plot_start=plot_start,
        plot_cell=plot_cell,
        plot_site=layout.plot_site[chosen],
        cell_start=plot_start[cell_plot_start],
        cell_plot_start=cell_plot_start,
        cells=layout.cells[kept_cells],
    )
