"""Which returns say something about a change, and which periods can be compared with which.

A *garden* here is one site within one region. It says something only if it caught an animal and was visited in two
periods that can be compared. Two periods can be compared, with a finite ratio, when catches link them both ways: a
chain of gardens, each with an animal in one period and a visit in the next, leads from the one to the other and
back. This is the condition under which paired comparisons have a finite maximum of the likelihood (Ford 1957, from
memory), and it holds for the integrated likelihood too, since that also eliminates the garden. Periods so linked
form a *block*; every garden with an animal belongs to just one.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import block_diag, csr_array
from scipy.sparse.csgraph import connected_components

from surveys.methods.change_records import ChangeInput, ImputedCounts
from surveys.methods.level_records import Floats, Ints

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Visits:
    """Totals by garden (U) and period (T), and the sorted returns behind them.

    ``site`` and ``region`` (U,) name the gardens; ``counts``, ``effort`` and ``visited`` are (U, T). The returns are
    sorted by garden and period: ``row_garden``, ``row_period``, ``row_count``, ``row_effort``, ``row_variance`` (n,).
    """

    site: Ints
    region: Ints
    counts: Floats
    effort: Floats
    visited: Flags
    row_garden: Ints
    row_period: Ints
    row_count: Floats
    row_effort: Floats
    row_variance: Floats
    n_regions: int


@dataclass(frozen=True, slots=True, eq=False)
class FitLayout:
    """The returns that enter the fit (n), sorted by their garden (G), and the block (B) of each garden.

    ``start`` (G,) points at first rows; ``garden`` (G,) gives the row of :class:`Visits`. ``member`` (B, T) says which
    periods a block holds, ``emptied`` (B, T) which periods its gardens visited without one animal anywhere: their
    index is 0. ``astray`` (B, T) are periods that its gardens visited and that cannot be compared with it, though
    some garden caught animals then.
    """

    period: Ints
    count: Floats
    effort: Floats
    variance: Floats
    start: Ints
    garden: Ints
    row_garden: Ints
    block: Ints
    block_region: Ints
    member: Flags
    emptied: Flags
    astray: Flags


def arrange_visits(rows: ChangeInput, imputed: ImputedCounts) -> Visits:
    """Sort returns by region, site, period and what they say, and add them up.

    Parameters: ``rows`` (n may be 0); ``imputed`` counts and variances in the same order.
    Returns: Visits. Raises: nothing.
    """
    order = np.lexsort((imputed.variance, imputed.counts, rows.effort, rows.period, rows.site, rows.region))
    region, site, period = (array[order].astype(np.int64) for array in (rows.region, rows.site, rows.period))
    effort, counts = rows.effort[order].astype(float), imputed.counts[order].astype(float)
    first = np.ones(region.size, dtype=bool)
    first[1:] = (region[1:] != region[:-1]) | (site[1:] != site[:-1])
    garden = np.cumsum(first) - 1
    shape = (int(first.sum()), rows.n_periods)
    cell = garden * rows.n_periods + period

    def total(values: Floats | None) -> Floats:
        return np.bincount(cell, values, minlength=shape[0] * shape[1]).reshape(shape).astype(np.float64)

    return Visits(
        site=site[first],
        region=region[first],
        counts=total(counts),
        effort=total(effort),
        visited=total(None) > 0,
        row_garden=garden,
        row_period=period,
        row_count=counts,
        row_effort=effort,
        row_variance=imputed.variance[order].astype(float),
        n_regions=rows.n_regions,
    )


def link_periods(visits: Visits) -> Ints:
    """Number the blocks of periods that catches link both ways, shape (R, T).

    An arrow leads from a period in which a garden caught something to every period in which it was visited; a block is
    a strongly connected part. Parameters: ``visits``. Returns: block numbers. Raises: nothing.
    """
    n_periods = visits.counts.shape[1]
    caught, visited = (visits.counts > 0).astype(float), visits.visited.astype(float)
    edges = np.searchsorted(visits.region, np.arange(visits.n_regions + 1))
    arrows = [csr_array(caught[a:b].T @ visited[a:b] > 0) for a, b in pairwise(edges)]
    if not arrows or n_periods == 0:
        return np.zeros((visits.n_regions, n_periods), dtype=np.int64)
    labels = connected_components(csr_array(block_diag(arrows)), directed=True, connection="strong")[1]
    return np.asarray(labels, dtype=np.int64).reshape(visits.n_regions, n_periods)


def gardens_in_blocks(visits: Visits, labels: Ints) -> tuple[Ints, Flags]:
    """Give each garden the block in which it caught something, -1 for none, and its visits in there (U, T)."""
    own = labels[visits.region]
    caught = visits.counts > 0
    if caught.size == 0:
        return np.full(visits.site.size, -1), caught
    block = np.where(caught.any(axis=1), own[np.arange(own.shape[0]), caught.argmax(axis=1)], -1)
    inside = visits.visited & (own == block[:, None])
    block = np.where(inside.sum(axis=1) >= 2, block, -1)
    return block, inside & (block >= 0)[:, None]


def arrange_fit(visits: Visits) -> FitLayout:
    """Keep the gardens and returns that compare periods, and number their blocks.

    Parameters: ``visits``. Returns: FitLayout, empty when nothing can be compared. Raises: nothing.
    """
    labels = link_periods(visits)
    label, inside = gardens_in_blocks(visits, labels)
    kept = np.flatnonzero(label >= 0)
    names, block = np.unique(label[kept], return_inverse=True)
    block = block.reshape(-1).astype(np.int64)
    block_region = np.zeros(names.size, dtype=np.int64)
    block_region[block] = visits.region[kept]
    rows = np.flatnonzero(inside[visits.row_garden, visits.row_period])
    garden, row_garden = np.unique(visits.row_garden[rows], return_inverse=True)
    seen = any_by_block(visits.visited[kept], block, names.size)
    member = any_by_block(inside[kept], block, names.size)
    nothing = sum_by_region(visits.counts, visits)[block_region] == 0
    return FitLayout(
        period=visits.row_period[rows],
        count=visits.row_count[rows],
        effort=visits.row_effort[rows],
        variance=visits.row_variance[rows],
        start=np.flatnonzero(np.diff(row_garden.reshape(-1), prepend=-1)),
        garden=garden.astype(np.int64),
        row_garden=row_garden.reshape(-1).astype(np.int64),
        block=block,
        block_region=block_region,
        member=member,
        emptied=seen & ~member & nothing,
        astray=seen & ~member & ~nothing,
    )


def any_by_block(flags: Flags, block: Ints, n_blocks: int) -> Flags:
    """Say for each block and period whether any garden of the block is flagged, shape (B, T)."""
    found = np.zeros((n_blocks, flags.shape[1]), dtype=bool)
    np.logical_or.at(found, block, flags)
    return found


def sum_by_region(values: Floats, visits: Visits) -> Floats:
    """Sum garden rows (U, ...) over regions, shape (R, ...)."""
    total = np.zeros((visits.n_regions, *values.shape[1:]))
    np.add.at(total, visits.region, values)
    return total
