"""The level index again, written for sight instead of speed: dense matrices, loops, root finding, brute-force sums.

It shares no function with ``surveys.methods``: only numpy and scipy. The equations are those of the method study.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

FINE = np.arange(-120.0, 5.0, 0.04)  # log site effect, brute force: far enough down for a gamma of shape 1/6


@dataclass(frozen=True)
class Rows:
    """Exact counts y, effort, covariates x, cell and site of each return."""

    y: np.ndarray
    effort: np.ndarray
    x: np.ndarray
    cell: np.ndarray
    site: np.ndarray

    def plots(self, cell: int | None = None) -> list[np.ndarray]:
        """List the row numbers of every (cell, site)."""
        pairs = sorted({(int(c), int(s)) for c, s in zip(self.cell, self.site, strict=True)})
        chosen = [pair for pair in pairs if cell is None or pair[0] == cell]
        return [np.flatnonzero((self.cell == c) & (self.site == s)) for c, s in chosen]


@dataclass(frozen=True)
class Spread:
    """Squared coefficients of variation between sites and within them, and the ridge on effects."""

    between: float
    within: float
    ridge: float = 0.25


def plot_covariance(mu: np.ndarray, spread: Spread) -> np.ndarray:
    """Cov(y) of one plot = diag(mu + V mu^2) + S mu mu'."""
    marginal = spread.within * (1 + spread.between)
    return np.diag(mu + marginal * mu**2) + spread.between * np.outer(mu, mu)


def design(rows: Rows, n_cells: int) -> np.ndarray:
    """Cell indicators beside the covariates."""
    return np.column_stack([np.eye(n_cells)[rows.cell], rows.x])


def score_and_information(
    rows: Rows, n_cells: int, theta: np.ndarray, spread: Spread, chosen: list[np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Sum D' V^-1 (y - mu) and D' V^-1 D over the chosen plots, by dense inverses."""
    full = design(rows, n_cells)
    mu = rows.effort * np.exp(full @ theta)
    score, information = np.zeros(theta.size), np.zeros((theta.size, theta.size))
    for plot in chosen:
        slope = mu[plot][:, None] * full[plot]
        inverse = np.linalg.inv(plot_covariance(mu[plot], spread))
        score += slope.T @ inverse @ (rows.y[plot] - mu[plot])
        information += slope.T @ inverse @ slope
    return score, information


def solve_effects(rows: Rows, n_cells: int, spread: Spread) -> np.ndarray:
    """Find levels and effects where the penalised score is zero, by a general root finder."""
    penalty = np.r_[np.zeros(n_cells), np.full(rows.x.shape[1], spread.ridge)]

    def equations(theta: np.ndarray) -> np.ndarray:
        return score_and_information(rows, n_cells, theta, spread, rows.plots())[0] - penalty * theta

    rates = np.bincount(rows.cell, rows.y) / np.bincount(rows.cell, rows.effort)
    found = optimize.root(equations, np.r_[np.log(rates), np.zeros(rows.x.shape[1])], tol=1e-13)
    return np.asarray(found.x)


def effect_covariance(rows: Rows, n_cells: int, theta: np.ndarray, spread: Spread) -> np.ndarray:
    """Leave each true site out by one full scoring step; add the prior's part."""
    penalty = np.diag(np.r_[np.zeros(n_cells), np.full(rows.x.shape[1], spread.ridge)])
    _, total = score_and_information(rows, n_cells, theta, spread, rows.plots())
    scatter = np.zeros((rows.x.shape[1], rows.x.shape[1]))
    for site in np.unique(rows.site):
        gone = [plot for plot in rows.plots() if rows.site[plot[0]] == site]
        score, information = score_and_information(rows, n_cells, theta, spread, gone)
        step = np.linalg.solve(total - information + penalty, -score)[n_cells:]
        scatter += np.outer(step, step)
    block = np.linalg.inv(total + penalty)[n_cells:, n_cells:]
    return np.asarray(scatter + spread.ridge * block @ block)


@dataclass(frozen=True)
class SlowCell:
    """Estimate and limits of one cell."""

    estimate: float
    low: float
    high: float


def pivot_root(animals: float, size: float, exposure: float, dispersion: float, below: float) -> float:
    """Find the rate at which the negative binomial of the given size puts 1 - below at or under the total."""

    def gap(log_rate: float) -> float:
        mean = np.exp(log_rate) * exposure / dispersion
        return float(stats.beta.cdf(size / (size + mean), size, animals + 0.5) - (1 - below))

    return float(np.exp(optimize.brentq(gap, -40.0, 60.0, xtol=1e-13)))


def level(rows: Rows, weights: np.ndarray, at_habitats: np.ndarray, spread: Spread, guard: float) -> list[SlowCell]:
    """Rates, limits and post-stratified index at given components and guard (exact counts, animals in every cell)."""
    n_cells = int(rows.cell.max()) + 1
    theta = solve_effects(rows, n_cells, spread)
    covariance = effect_covariance(rows, n_cells, theta, spread)
    beta, marginal = theta[n_cells:], spread.within * (1 + spread.between)
    parts = weights * np.exp(at_habitats @ beta)
    factor, slope = parts.sum(), at_habitats.T @ parts / parts.sum()
    m = rows.effort * np.exp(rows.x @ beta)
    cells = []
    for c in range(n_cells):
        rate, w = np.exp(theta[c]), np.zeros(rows.y.size)
        clumping = 0.0
        for plot in rows.plots(c):
            mu = rate * m[plot]
            w[plot] = np.linalg.inv(plot_covariance(mu, spread)) @ mu
            clumping += spread.between * (w[plot] @ m[plot]) ** 2 + marginal * ((w * m)[plot] ** 2).sum()
        total, exposure = w @ rows.y, w @ m
        dispersion = (w**2 @ m) / exposure
        size = exposure**2 / (guard * clumping)
        rate = total / exposure
        low, median, high = (
            np.log(pivot_root(total / dispersion, size, exposure, dispersion, below)) for below in (0.025, 0.5, 0.975)
        )
        lever = slope - (w * m) @ rows.x / exposure
        extra = stats.norm.ppf(0.975) ** 2 * lever @ covariance @ lever
        low, high = median - np.sqrt((low - median) ** 2 + extra), median + np.sqrt((high - median) ** 2 + extra)
        cells.append(SlowCell(rate * factor, np.exp(low) * factor, np.exp(high) * factor))
    return cells


def site_density(between: float) -> np.ndarray:
    """Density of the log of a gamma site effect on the fine grid."""
    return np.asarray(stats.gamma.pdf(np.exp(FINE), 1 / between, scale=between) * np.exp(FINE))


def count_probability(low: int, high: int, mean: np.ndarray, within: float) -> np.ndarray:
    """Probability of a number or a class (high -1: open) by the distribution functions of scipy."""
    night = stats.nbinom(1 / within, 1 / (1 + within * mean))
    if low == high:
        return np.asarray(night.pmf(low))
    return np.asarray(night.sf(low - 1) if high == -1 else night.cdf(high) - night.cdf(low - 1))


def plot_likelihood(bounds: list[tuple[int, int]], means: np.ndarray, between: float, within: float) -> float:
    """Integrate the likelihood of one plot over its site effect."""
    product = site_density(between)
    for (low, high), mean in zip(bounds, means, strict=True):
        product = product * count_probability(low, high, mean * np.exp(FINE), within)
    return float(np.trapezoid(product, FINE))


def level_information(plots: list[np.ndarray], m: np.ndarray, log_rate: float, spread: Spread) -> float:
    """Information on the log level of one cell: mu' V^-1 mu, summed over its plots."""
    total = 0.0
    for plot in plots:
        mu = m[plot] * np.exp(log_rate)
        total += mu @ np.linalg.solve(plot_covariance(mu, spread), mu)
    return total


def component_log_likelihood(rows: Rows, m: np.ndarray, centres: np.ndarray, spread: Spread, working: Spread) -> float:
    """Integrate every cell level, under the square root of its information at ``working``, over a wide even grid."""
    total = 0.0
    for c, centre in enumerate(centres):
        plots, levels = rows.plots(c), centre + np.linspace(-6.0, 6.0, 61)
        logs = np.empty(levels.size)
        for k, log_rate in enumerate(levels):
            each = [
                plot_likelihood(
                    [(int(y), int(y)) for y in rows.y[p]], m[p] * np.exp(log_rate), spread.between, spread.within
                )
                for p in plots
            ]
            logs[k] = np.log(each).sum() + 0.5 * np.log(level_information(plots, m, log_rate, working))
        total += np.log(np.trapezoid(np.exp(logs - logs.max()), levels)) + logs.max()
    return total


def expected_in_class(
    bounds: list[tuple[int, int]], means: np.ndarray, which: int, between: float, within: float
) -> float:
    """Expect one classed count of a plot given all bounds of the plot."""
    low, high = bounds[which]
    rest = site_density(between)
    for i, ((first, last), mean) in enumerate(zip(bounds, means, strict=True)):
        if i != which:
            rest = rest * count_probability(first, last, mean * np.exp(FINE), within)
    counts = np.arange(low, (high if high >= 0 else 20 * low) + 1)
    chances = [count_probability(int(y), int(y), means[which] * np.exp(FINE), within) for y in counts]
    each = np.array([np.trapezoid(rest * chance, FINE) for chance in chances])
    return float(counts @ each / each.sum())
