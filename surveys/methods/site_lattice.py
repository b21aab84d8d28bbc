"""The site effect on a lattice of log rates: likelihood of each plot, and counts expected within classes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import special

from surveys.methods.cell_rates import Components
from surveys.methods.classes import class_table, distinct_classes
from surveys.methods.level_layout import Layout, sum_runs
from surveys.methods.level_records import Bools, Floats
from surveys.methods.level_sample import take_plots

LOWEST_NODE = -8.1  # METHODS.md, section 5.3, relative to the level of the cell
HIGHEST_NODE = 5.0  # one more than most would take, for a garden with more than 55 times the mean
LOWEST_NODE_MANY = -10.2  # METHODS.md, section 5.3: needed where a trap catches more than 30
MANY = 30.0
LEAST_SHARE = 1e-12  # nodes of less weight than this move no digit of an expected count
BLOCK_RETURNS = 20_000  # of whole plots, worked on at a time: a season of a million needs no more memory than of these


@dataclass(frozen=True, slots=True, eq=False)
class Imputation:
    """``counts`` (n,) exact or expected given class and site; ``variance`` (n,) what the class leaves open."""

    counts: Floats
    variance: Floats


def lattice_nodes(largest_mean: float, step: float) -> Floats:
    """Return the nodes (K,) of the log site effect.

    Parameters: ``largest_mean`` highest mean count per return of any cell; ``step`` of the lattice.
    Returns: nodes. Raises: nothing. References: METHODS.md, section 5.3.
    """
    return np.arange(LOWEST_NODE if largest_mean <= MANY else LOWEST_NODE_MANY, HIGHEST_NODE, step)


def nodes_for(layout: Layout, counts: Floats, step: float) -> Floats:
    """Choose the nodes from the mean count of the fullest cell."""
    returns = np.diff(np.r_[layout.cell_start, layout.low.size])
    return lattice_nodes(float((layout.by_cell(counts) / returns).max()), step)


def exact_log_likelihood(layout: Layout, log_mean: Floats, nodes: Floats, night_variance: float) -> Floats:
    """Sum log P(count | node) of the exact returns of each plot, shape (P, K)."""
    size = 1.0 / night_variance
    exact = ~layout.classed
    counts = np.where(exact, layout.low, 0).astype(float)
    constant = special.gammaln(counts + size) - special.gammaln(size) - special.gammaln(counts + 1.0)
    constant = constant + counts * (np.log(night_variance) + log_mean)
    decay = np.outer(night_variance * np.exp(log_mean), np.exp(nodes))
    decay += 1.0  # log(1 + x) is as good as log1p(x) here: an error of 1e-16 in a sum of logs
    np.log(decay, out=decay)
    per_plot = layout.by_plot(constant)[:, None] + layout.by_plot(counts)[:, None] * nodes
    return np.asarray(per_plot - layout.weigh_by_plot(np.where(exact, counts + size, 0.0), decay))


def plot_log_likelihood(layout: Layout, log_mean: Floats, nodes: Floats, night_variance: float) -> Floats:
    """Log likelihood of the returns of each plot at every node of its site effect.

    Parameters: ``log_mean`` (n,) log expected count at site effect 1; ``nodes`` (K,);
    ``night_variance`` > 0 of nights within a site. Returns: shape (P, K). Raises: nothing.
    References: METHODS.md, section 5.3; classes by their exact probability, section 4.
    """
    total = exact_log_likelihood(layout, log_mean, nodes, night_variance)
    for low, high, rows in distinct_classes(layout.low, layout.high):
        table = class_table(low, high, night_variance)
        terms = table.read(log_mean[rows][:, None] + nodes, 0)
        ends = np.searchsorted(rows, np.r_[layout.plot_start, layout.low.size])
        total += sum_runs(terms, np.asarray(ends, dtype=np.int64))
    return total


def node_weights(nodes: Floats, shift: Floats, site_variance: float, step: float) -> Floats:
    """Weights of the nodes under a gamma site effect of mean exp(shift), shape (..., K).

    The mass below the first node is put on it. Parameters: ``nodes`` (K,); ``shift`` (...);
    ``site_variance`` = 1 / shape; ``step`` between nodes. Returns: weights. Raises: nothing.
    References: METHODS.md, section 5.3.
    """
    shape = 1.0 / site_variance
    log_effect = nodes - np.asarray(shift)[..., None]
    log_density = shape * (log_effect - np.exp(log_effect)) - special.gammaln(shape) + shape * np.log(shape)
    weights = step * np.exp(log_density)
    below = np.exp(nodes[0] - step / 2 - np.asarray(shift)) * shape
    weights[..., 0] += special.gammainc(shape, below)
    return np.asarray(weights)


def impute_counts(layout: Layout, log_mean: Floats, components: Components, nodes: Floats, step: float) -> Imputation:
    """Expect each classed count given its class and all returns of its site in that cell.

    Parameters: ``log_mean`` (n,) log expected count at site effect 1; ``components``; lattice ``nodes``, ``step``.
    Returns: Imputation; exact counts pass through with variance 0. Raises: nothing.
    References: Louis 1982 (missing information); the lattice is an own construction, METHODS.md, section 5.
    """
    counts, variance = layout.low.astype(float), np.zeros(layout.low.size)
    classed = layout.classed
    if not classed.any():
        return Imputation(counts, variance)
    concerned = np.zeros(layout.plot_start.size, dtype=bool)
    concerned[layout.row_plot[classed]] = True
    for chosen in blocks_of_plots(layout, concerned):
        rows = chosen[layout.row_plot]
        part = impute_plots(take_plots(layout, chosen), log_mean[rows], components, nodes, step)
        counts[rows], variance[rows] = part.counts, part.variance
    return Imputation(counts, variance)


def blocks_of_plots(layout: Layout, concerned: Bools) -> Iterator[Bools]:
    """Part the ``concerned`` plots (P,) into blocks of about :data:`BLOCK_RETURNS` returns.

    Every plot is worked on alone, so that no digit depends on the blocks.
    """
    numbers = np.flatnonzero(concerned)
    returns = np.diff(np.r_[layout.plot_start, layout.low.size])[numbers]
    block = np.cumsum(returns) // BLOCK_RETURNS
    for number in np.unique(block):
        chosen = np.zeros_like(concerned)
        chosen[numbers[block == number]] = True
        yield chosen


def impute_plots(layout: Layout, log_mean: Floats, components: Components, nodes: Floats, step: float) -> Imputation:
    """Do what :func:`impute_counts` says for plots that all have a class."""
    counts, variance = layout.low.astype(float), np.zeros(layout.low.size)
    log_like = plot_log_likelihood(layout, log_mean, nodes, components.night)
    posterior = np.exp(log_like - log_like.max(axis=1, keepdims=True))
    posterior *= node_weights(nodes, np.asarray(0.0), components.site, step)
    posterior /= posterior.sum(axis=1, keepdims=True)
    for low, high, rows in distinct_classes(layout.low, layout.high):
        table = class_table(low, high, components.night)
        share = posterior[layout.row_plot[rows]]
        row, node = np.nonzero(share > LEAST_SHARE)
        at, weight = log_mean[rows][row] + nodes[node], share[row, node]
        means = table.read(at, 1)
        counts[rows] = np.bincount(row, weight * means, minlength=rows.size)
        spread = weight * ((means - counts[rows][row]) ** 2 + table.read(at, 2))
        variance[rows] = np.bincount(row, spread, minlength=rows.size)
    return Imputation(counts, variance)
