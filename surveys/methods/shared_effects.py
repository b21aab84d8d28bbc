"""Effects shared by all cells (habitat, fresh, season), with one free level per cell eliminated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from surveys.methods.cell_rates import Components, Weights, quasi_weights
from surveys.methods.level_layout import Layout, count_distinct
from surveys.methods.level_records import Floats

LONGEST_STEP = 1.5  # METHODS.md, section 5.2, on the log scale
STEP_TOLERANCE = 1e-9  # last move on the log scale: what is left after it is smaller still
MOST_STEPS = 100
NEAR = 0.01  # last move on the log scale: from here on the information hardly changes, and is kept
DAMP_AFTER = 25  # scoring settles in under 10 steps; beyond this it must be swinging
BLOCK_ROWS = 16_384  # rows multiplied at a time, so that they stay in the processor's cache
MANY_SITES = 2_000  # above, leaving out one site at a time moves no digit that is printed
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
class Residuals:
    """Of returns, weighted: q (y - mu) (n,). Of plots: S d e (P,), what the site effect takes back of each."""

    weighted: Floats
    shrink: Floats
    score_cell: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Curvature:
    """Information of a fit: of plots ``plot_x`` m = sum q mu x (P, p) and Q d (P,), of cells H_cc (C,) and H_cb (C, p).

    ``profile`` (p, p) is the information on beta with the levels eliminated.
    """

    plot_x: Floats
    plot_info: Floats
    cell_info: Floats
    cell_cross: Floats
    profile: Floats


def exposure_of(layout: Layout, beta: Floats) -> Floats:
    """Return m = effort exp(x'beta), shape (n,), in trap-nights as the shared effects see them."""
    return np.asarray(layout.effort * np.exp(np.clip(layout.covariates @ beta, -LARGEST_EXPONENT, LARGEST_EXPONENT)))


def expected_counts(layout: Layout, levels: Floats, beta: Floats) -> Floats:
    """Return mu = m exp(level), shape (n,); zero in a cell without animals."""
    return np.asarray(exposure_of(layout, beta) * np.exp(np.minimum(levels, LARGEST_EXPONENT))[layout.row_cell])


def plots_by_cell(layout: Layout, values: Floats) -> Floats:
    """Sum the first axis of (P, ...) over each cell."""
    return np.asarray(np.add.reduceat(values, layout.cell_plot_start, axis=0))


def weigh_residuals(layout: Layout, counts: Floats, mu: Floats, weights: Weights, site: float) -> Residuals:
    """Weigh what is left of every count, and add it up for the level of each cell. References: Liang & Zeger 1986."""
    weighted = weights.night * (counts - mu)
    plot_residual = layout.by_plot(weighted)
    level = layout.plots_by_cell(weights.site * plot_residual)
    return Residuals(weighted, site * weights.site * plot_residual, level)


def effect_score(layout: Layout, mu: Floats, weights: Weights, residuals: Residuals) -> Floats:
    """Return the score of beta, sum of x (q (y - mu) - q mu S d e), shape (p,)."""
    left = residuals.weighted - weights.night * mu * residuals.shrink[layout.row_plot]
    return np.asarray(left @ layout.covariates)


def weighted_square(values: Floats, weights: Floats) -> Floats:
    """Return sum of w x x' over the rows of (n, p), block by block, shape (p, p)."""
    total = np.zeros((values.shape[1], values.shape[1]))
    for first in range(0, weights.size, BLOCK_ROWS):
        rows = slice(first, first + BLOCK_ROWS)
        total += values[rows].T @ (values[rows] * weights[rows, None])
    return total


def above_zero(information: Floats) -> Floats:
    """Put 1 where a cell without animals has no information: all else of it is zero there."""
    return np.asarray(np.where(information > 0, information, 1.0))


def look_at_curvature(layout: Layout, mu: Floats, weights: Weights, site: float, ridge: float) -> Curvature:
    """Collect the information: H_bb = sum q mu x x' - S sum d m m', and what the levels take of it.

    References: Liang & Zeger 1986 (estimating equations), with block elimination, which is linear in returns.
    """
    plot_x = layout.weigh_by_plot(weights.night * mu, layout.covariates)
    cross = plots_by_cell(layout, plot_x * weights.site[:, None])
    plot_info = weights.plot_sum * weights.site
    cell_info = above_zero(layout.plots_by_cell(plot_info))
    information = weighted_square(layout.covariates, weights.night * mu)
    if site > 0:
        information = information - site * weighted_square(plot_x, weights.site)
    profile = information - (cross / cell_info[:, None]).T @ cross + ridge * np.eye(plot_x.shape[1])
    return Curvature(plot_x, plot_info, cell_info, cross, profile)


def scoring_step(
    layout: Layout, counts: Floats, point: Point, components: Components, ridge: float, *, curvature: Curvature | None
) -> tuple[Point, Curvature]:
    """Take one scoring step with the cell levels eliminated; return the two (unclipped) moves.

    With the ``curvature`` of an earlier step only the scores are computed anew: the steps end at the same point.
    """
    mu = expected_counts(layout, point.levels, point.beta)
    weights = quasi_weights(layout, mu, components)
    residuals = weigh_residuals(layout, counts, mu, weights, components.site)
    seen = curvature or look_at_curvature(layout, mu, weights, components.site, ridge)
    level_score = residuals.score_cell / seen.cell_info
    score = effect_score(layout, mu, weights, residuals) - ridge * point.beta - seen.cell_cross.T @ level_score
    move = solve(seen.profile, score[:, None])[:, 0]
    return Point(level_score - seen.cell_cross @ move / seen.cell_info, move), seen


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
    tolerance: float = STEP_TOLERANCE,
) -> SharedEffects:
    """Fit log mu = log effort + level of the cell + x'beta by quasi-likelihood.

    Parameters: ``layout``; ``counts`` (n,) exact or expected within their class; ``site_variance`` and
    ``night_variance`` squared coefficients of variation (both 0: Poisson regression; site 0: negative
    binomial of size 1/night_variance); ``ridge`` precision of the normal prior on each effect;
    ``start`` an earlier fit to start from; ``with_covariance`` False saves time in a round that needs none;
    ``tolerance`` the largest last move, on the log scale.
    Returns: SharedEffects; cells without animals have level minus infinity and do not enter beta.
    Raises: nothing; ``converged`` is False after 100 steps.
    References: METHODS.md, section 5.2; Liang & Zeger 1986; Bell & McCaffrey 2002 (covariance by true site).
    """
    components = Components(site_variance, night_variance)
    point = start_point(layout, counts, start)
    largest, steps, curvature = np.inf, 0, None
    while largest > tolerance and steps < MOST_STEPS:
        kept = curvature if largest < NEAR else None
        move, curvature = scoring_step(layout, counts, point, components, ridge, curvature=kept)
        level_move, beta_move = (shorten(part, steps) for part in (move.levels, move.beta))
        point, steps = Point(point.levels + level_move, point.beta + beta_move), steps + 1
        largest = float(np.abs(np.r_[level_move, beta_move]).max())
    covariance = np.zeros((point.beta.size, point.beta.size))
    if with_covariance:
        covariance = effect_covariance(layout, counts, point, components, ridge)
    return SharedEffects(point.levels, point.beta, covariance, steps, largest <= tolerance)


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


def plot_information(layout: Layout, fit: Fitted, site: float) -> Floats:
    """Return what every plot adds to H_bb, shape (P, p, p)."""
    n_effects = layout.covariates.shape[1]
    first, second = np.triu_indices(n_effects)
    squares = layout.covariates[:, first] * layout.covariates[:, second]
    upper = layout.weigh_by_plot(fit.weights.night * fit.mu, squares)
    outer = np.zeros((upper.shape[0], n_effects, n_effects))
    outer[:, first, second] = upper
    outer[:, second, first] = upper
    plot_x = fit.curvature.plot_x
    return np.asarray(outer - site * fit.weights.site[:, None, None] * plot_x[:, :, None] * plot_x[:, None, :])


def inverse_without(cell_info: Floats, plot_info: Floats) -> Floats:
    """Return 1 / H_cc of a plot's cell once that plot is left out, 0 when nothing is left."""
    rest = cell_info - plot_info
    kept = rest > 1e-9 * cell_info
    return np.asarray(np.where(kept, 1.0 / np.where(kept, rest, 1.0), 0.0))


def sum_by_site(layout: Layout, values: Floats) -> Floats:
    """Sum the first axis of (P, m) over true sites, which may have plots in several cells."""
    cluster = layout.plot_cluster
    shape = (int(cluster.max()) + 1, cluster.size)
    sites = sparse.csr_array((np.ones(cluster.size), (cluster, np.arange(cluster.size))), shape=shape)
    return np.asarray(sites @ values)


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """A fit seen from its plots: scores of level (P,) and of beta (P, p) beside what they were made from."""

    mu: Floats
    weights: Weights
    curvature: Curvature
    score_level: Floats
    score_beta: Floats


def look_at_fit(layout: Layout, counts: Floats, point: Point, components: Components, ridge: float) -> Fitted:
    """Collect scores and information of a fit, plot by plot."""
    mu = expected_counts(layout, point.levels, point.beta)
    weights = quasi_weights(layout, mu, components)
    residuals = weigh_residuals(layout, counts, mu, weights, components.site)
    curvature = look_at_curvature(layout, mu, weights, components.site, ridge)
    of_returns = layout.weigh_by_plot(residuals.weighted, layout.covariates)
    level = weights.site * layout.by_plot(residuals.weighted)
    return Fitted(mu, weights, curvature, level, of_returns - curvature.plot_x * residuals.shrink[:, None])


def moves_of_sites(layout: Layout, fit: Fitted) -> Floats:
    """Return how far each true site moves beta, to first order: its score over the information, (sites, p)."""
    seen = fit.curvature
    level = (fit.score_level / seen.cell_info[layout.plot_cell])[:, None]
    scores = sum_by_site(layout, fit.score_beta - seen.cell_cross[layout.plot_cell] * level)
    sites = scores.shape[0]
    return np.asarray(solve(seen.profile, scores.T).T * np.sqrt(sites / (sites - 1.0)))


def moves_without_sites(layout: Layout, fit: Fitted, components: Components) -> Floats:
    """Return how far beta moves when each true site is left out, (sites, p).

    Leaving a site out is one scoring step from the full fit, with the levels eliminated again.
    """
    seen = fit.curvature
    cross, info = seen.cell_cross[layout.plot_cell], seen.cell_info[layout.plot_cell]
    rest = cross - seen.plot_x * fit.weights.site[:, None]
    inverse = inverse_without(info, seen.plot_info)
    score = fit.score_beta - rest * (inverse * fit.score_level)[:, None]
    lost = plot_information(layout, fit, components.site)
    lost = lost - cross[:, :, None] * (cross / info[:, None])[:, None, :]
    lost = lost + rest[:, :, None] * (rest * inverse[:, None])[:, None, :]
    n_effects = seen.profile.shape[0]
    flat = sum_by_site(layout, lost.reshape(lost.shape[0], n_effects**2))
    lost_by_site = flat.reshape(flat.shape[0], n_effects, n_effects)
    return solve(seen.profile - lost_by_site, sum_by_site(layout, score)[:, :, None])[:, :, 0]


def effect_covariance(layout: Layout, counts: Floats, point: Point, components: Components, ridge: float) -> Floats:
    """Covariance of beta, (p, p): one true site left out at a time (CR3), plus what the ridge hides.

    With very many sites, where leaving one out changes nothing, their scores are enough (CR1). The ridge part,
    ridge S^-2, is the error of a penalised estimate when effects follow the prior that the ridge stands for: it
    vanishes with information, and gives a habitat without any its prior variance.
    References: Bell & McCaffrey 2002; Liang & Zeger 1986.
    """
    fit = look_at_fit(layout, counts, point, components, ridge)
    many = count_distinct(layout.plot_site) > MANY_SITES
    moves = moves_of_sites(layout, fit) if many else moves_without_sites(layout, fit, components)
    hidden = solve(fit.curvature.profile, np.eye(point.beta.size))
    return np.asarray(moves.T @ moves + ridge * hidden @ hidden)
