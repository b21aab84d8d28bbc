"""Effects shared by all cells (habitat, fresh, season), with one free level per cell eliminated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surveys.methods.cell_rates import Components, Weights, quasi_weights
from surveys.methods.level_layout import Layout
from surveys.methods.level_records import Floats

LONGEST_STEP = 1.5  # method study 1.2, on the log scale
STEP_TOLERANCE = 1e-10  # far below any printed digit
MOST_STEPS = 100
DAMP_AFTER = 25  # scoring settles in under 10 steps; beyond this it must be swinging
NO_ANIMALS = -np.inf
LARGEST_EXPONENT = 60.0  # keeps exp() finite while a step is still wild


@dataclass(frozen=True, slots=True, eq=False)
class SharedEffects:
    """``levels`` (C,) log rates, minus infinity without animals; ``beta`` (p,); ``covariance`` (p, p)."""

    levels: Floats
    beta: Floats
    covariance: Floats
    steps: int
    converged: bool


@dataclass(frozen=True, slots=True, eq=False)
class Point:
    """Where the fit stands: ``levels`` (C,) and ``beta`` (p,)."""

    levels: Floats
    beta: Floats


@dataclass(frozen=True, slots=True, eq=False)
class PlotTerms:
    """What each plot adds: scores of its level (P,) and of beta (P, p), information Q d (P,), m = sum q mu x (P, p)."""

    score_cell: Floats
    score_beta: Floats
    info_cell: Floats
    plot_x: Floats


def exposure_of(layout: Layout, beta: Floats) -> Floats:
    """Return m = effort exp(x'beta), shape (n,), in trap-nights as the shared effects see them."""
    return np.asarray(layout.effort * np.exp(np.clip(layout.covariates @ beta, -LARGEST_EXPONENT, LARGEST_EXPONENT)))


def expected_counts(layout: Layout, levels: Floats, beta: Floats) -> Floats:
    """Return mu = m exp(level), shape (n,); zero in a cell without animals."""
    return np.asarray(exposure_of(layout, beta) * np.exp(np.minimum(levels, LARGEST_EXPONENT))[layout.row_cell])


def rows_by_plot(layout: Layout, values: Floats) -> Floats:
    """Sum the first axis of (n, ...) over each plot."""
    return np.asarray(np.add.reduceat(values, layout.plot_start, axis=0))


def plots_by_cell(layout: Layout, values: Floats) -> Floats:
    """Sum the first axis of (P, ...) over each cell."""
    return np.asarray(np.add.reduceat(values, layout.cell_plot_start, axis=0))


def plot_terms(layout: Layout, counts: Floats, mu: Floats, weights: Weights, site: float) -> PlotTerms:
    """Return what every plot adds to the scores and to the information on its cell level.

    References: method study 1.2.
    """
    residual = weights.night * (counts - mu)
    plot_residual = layout.by_plot(residual)
    plot_x = rows_by_plot(layout, layout.covariates * (weights.night * mu)[:, None])
    shrink = site * weights.site * plot_residual
    score_beta = rows_by_plot(layout, layout.covariates * residual[:, None]) - plot_x * shrink[:, None]
    return PlotTerms(weights.site * plot_residual, score_beta, weights.plot_sum * weights.site, plot_x)


def effect_information(layout: Layout, mu: Floats, weights: Weights, site: float, terms: PlotTerms) -> Floats:
    """Return H_bb = sum q mu x x' - S sum d m m', shape (p, p)."""
    weighted = layout.covariates * (weights.night * mu)[:, None]
    return np.asarray(layout.covariates.T @ weighted - site * (terms.plot_x * weights.site[:, None]).T @ terms.plot_x)


def above_zero(information: Floats) -> Floats:
    """Put 1 where a cell without animals has no information: all else of it is zero there."""
    return np.asarray(np.where(information > 0, information, 1.0))


def scoring_step(layout: Layout, counts: Floats, point: Point, components: Components, ridge: float) -> Point:
    """Take one scoring step with the cell levels eliminated; return the two (unclipped) moves.

    References: method study 1.2 (block elimination, linear in returns).
    """
    mu = expected_counts(layout, point.levels, point.beta)
    weights = quasi_weights(layout, mu, components)
    terms = plot_terms(layout, counts, mu, weights, components.site)
    cell_score = layout.plots_by_cell(terms.score_cell)
    cell_info = above_zero(layout.plots_by_cell(terms.info_cell))
    cross = plots_by_cell(layout, terms.plot_x * weights.site[:, None])
    information = effect_information(layout, mu, weights, components.site, terms)
    profile = information - (cross / cell_info[:, None]).T @ cross + ridge * np.eye(point.beta.size)
    score = terms.score_beta.sum(axis=0) - ridge * point.beta - cross.T @ (cell_score / cell_info)
    move = solve(profile, score[:, None])[:, 0]
    return Point((cell_score - cross @ move) / cell_info, move)


def solve(matrix: Floats, columns: Floats) -> Floats:
    """Solve symmetric systems (..., p, p) for columns (..., p, m), by least squares where effects look alike."""
    try:
        return np.asarray(np.linalg.solve(matrix, columns))
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(matrix, hermitian=True) @ columns)


def start_levels(layout: Layout, counts: Floats) -> Floats:
    """Return log(count / effort) of each cell, minus infinity where no animal was caught."""
    totals = layout.by_cell(counts)
    ratio = np.where(totals > 0, totals, 1.0) / layout.by_cell(layout.effort)
    return np.asarray(np.where(totals > 0, np.log(ratio), NO_ANIMALS))


def fit_shared_effects(
    layout: Layout,
    counts: Floats,
    *,
    site_variance: float,
    night_variance: float,
    ridge: float,
    start: SharedEffects | None = None,
    with_covariance: bool = True,
) -> SharedEffects:
    """Fit log mu = log effort + level of the cell + x'beta by quasi-likelihood.

    Parameters: ``layout``; ``counts`` (n,) exact or expected within their class; ``site_variance`` and
    ``night_variance`` squared coefficients of variation (both 0: Poisson regression; site 0: negative
    binomial of size 1/night_variance); ``ridge`` precision of the normal prior on each effect;
    ``start`` an earlier fit to start from; ``with_covariance`` False saves time in a round that needs none.
    Returns: SharedEffects; cells without animals have level minus infinity and do not enter beta.
    Raises: nothing; ``converged`` is False after 100 steps.
    References: method study 1.2; Liang & Zeger 1986; Bell & McCaffrey 2002 (covariance by true site).
    """
    components = Components(site_variance, night_variance)
    point = start_point(layout, counts, start)
    largest, steps = np.inf, 0
    while largest > STEP_TOLERANCE and steps < MOST_STEPS:
        move = scoring_step(layout, counts, point, components, ridge)
        level_move, beta_move = (shorten(part, steps) for part in (move.levels, move.beta))
        point, steps = Point(point.levels + level_move, point.beta + beta_move), steps + 1
        largest = float(np.abs(np.r_[level_move, beta_move]).max())
    covariance = np.zeros((point.beta.size, point.beta.size))
    if with_covariance:
        covariance = effect_covariance(layout, counts, point, components, ridge)
    return SharedEffects(point.levels, point.beta, covariance, steps, largest <= STEP_TOLERANCE)


def start_point(layout: Layout, counts: Floats, start: SharedEffects | None) -> Point:
    """Begin at the plain rates without effects, or where an earlier fit ended."""
    fresh = start_levels(layout, counts)
    if start is None:
        return Point(fresh, np.zeros(layout.covariates.shape[1]))
    both = np.isfinite(fresh) & np.isfinite(start.levels)
    return Point(np.where(both, start.levels, fresh), start.beta)


def shorten(move: Floats, steps: int) -> Floats:
    """Clip a move to the longest step; once the fit must be swinging, halve and shorten more and more."""
    if steps < DAMP_AFTER:
        return np.clip(move, -LONGEST_STEP, LONGEST_STEP)
    longest = LONGEST_STEP / (steps - DAMP_AFTER + 2)
    return np.clip(0.5 * move, -longest, longest)


def plot_information(layout: Layout, mu: Floats, weights: Weights, site: float, terms: PlotTerms) -> Floats:
    """Return what every plot adds to H_bb, shape (P, p, p)."""
    outer = layout.covariates[:, :, None] * (layout.covariates * (weights.night * mu)[:, None])[:, None, :]
    shared = site * weights.site[:, None, None] * terms.plot_x[:, :, None] * terms.plot_x[:, None, :]
    return np.asarray(rows_by_plot(layout, outer) - shared)


def inverse_without(cell_info: Floats, plot_info: Floats) -> Floats:
    """Return 1 / H_cc of a plot's cell once that plot is left out, 0 when nothing is left."""
    rest = cell_info - plot_info
    kept = rest > 1e-9 * cell_info
    return np.asarray(np.where(kept, 1.0 / np.where(kept, rest, 1.0), 0.0))


def sum_by_site(layout: Layout, values: Floats) -> Floats:
    """Sum the first axis of (P, ...) over true sites, which may have plots in several cells."""
    total = np.zeros((int(layout.plot_cluster.max()) + 1, *values.shape[1:]))
    np.add.at(total, layout.plot_cluster, values)
    return total


def effect_covariance(layout: Layout, counts: Floats, point: Point, components: Components, ridge: float) -> Floats:
    """Covariance of beta, (p, p): one true site left out at a time (CR3), plus what the ridge hides.

    Leaving a site out is one scoring step from the full fit, with the levels eliminated again. The ridge part,
    ridge S^-2, is the error of a penalised estimate when effects follow the prior that the ridge stands for: it
    vanishes with information, and gives a habitat without any its prior variance.
    References: method study 1.2; Bell & McCaffrey 2002.
    """
    mu = expected_counts(layout, point.levels, point.beta)
    weights = quasi_weights(layout, mu, components)
    terms = plot_terms(layout, counts, mu, weights, components.site)
    plot_cross = terms.plot_x * weights.site[:, None]
    cell_cross = plots_by_cell(layout, plot_cross)
    cell_info = above_zero(layout.plots_by_cell(terms.info_cell))
    information = plot_information(layout, mu, weights, components.site, terms)
    profile = information.sum(axis=0) - (cell_cross / cell_info[:, None]).T @ cell_cross
    profile = profile + ridge * np.eye(point.beta.size)
    cross, info = cell_cross[layout.plot_cell], cell_info[layout.plot_cell]
    rest, inverse = cross - plot_cross, inverse_without(info, terms.info_cell)
    score = terms.score_beta - rest * (inverse * terms.score_cell)[:, None]
    lost = information - cross[:, :, None] * (cross / info[:, None])[:, None, :]
    lost = lost + rest[:, :, None] * (rest * inverse[:, None])[:, None, :]
    moves = solve(profile - sum_by_site(layout, lost), sum_by_site(layout, score)[:, :, None])[:, :, 0]
    hidden = solve(profile, np.eye(point.beta.size))
    return np.asarray(moves.T @ moves + ridge * hidden @ hidden)
