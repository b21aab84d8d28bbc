"""The change index again, written for sight instead of speed: adaptive quadrature and numerical differentiation.

It shares no function with ``surveys.methods``: only numpy and scipy. One region, every period linked both ways. The
garden's own level is integrated by ``scipy.integrate.quad_vec``; score and information are finite differences of the log
of that integral, and nothing is known here of Louis' formula, of lattices or of blocks.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np
from scipy import integrate, optimize, stats

NEAR, FAR = 3e-2, 1.5e-2  # two steps of differentiation; Richardson takes their leading error away
SIGNS = tuple(product((1, -1), repeat=2))


@dataclass(frozen=True)
class Garden:
    """Counts y, effort and period of each return of one garden."""

    y: np.ndarray
    effort: np.ndarray
    period: np.ndarray


@dataclass(frozen=True)
class SlowChange:
    """Log ratio, its standard error, degrees of freedom and limits, and what each garden adds to the log ratio."""

    log_ratio: float
    log_se: float
    df: float
    low: float
    high: float
    influence: np.ndarray


def log_density(garden: Garden, deltas: np.ndarray, level: float, variance: float) -> np.ndarray:
    """Log negative binomial probability of all counts at one level, for many sets of period levels (M, T) at once."""
    log_mean = np.log(garden.effort) + deltas[:, garden.period] + level
    crowd = np.logaddexp(0.0, np.log(variance) + log_mean)  # log(1 + V mu) without overflow
    return np.sum(garden.y * log_mean - (garden.y + 1.0 / variance) * crowd, axis=1)


def log_likelihood(garden: Garden, deltas: np.ndarray, variance: float) -> np.ndarray:
    """Log of the likelihood of one garden at each set of period levels (M,), its own level integrated out."""
    start = np.log(garden.y.sum() / garden.effort.sum())
    middle = deltas.mean(axis=0)[None, :]
    top = optimize.minimize_scalar(
        lambda level: -float(log_density(garden, middle, level, variance)[0]), bracket=(start - 1, start + 1)
    )
    mode, height = float(top.x), -float(top.fun)
    # to the left the integrand falls like exp(total x level): 40 / total is far enough for 1e-17
    edges = [mode - 40.0 / garden.y.sum() - 10.0, mode - 4.0, mode, mode + 4.0, mode + 40.0]
    parts = [
        integrate.quad_vec(
            lambda level: np.exp(log_density(garden, deltas, level, variance) - height),
            a,
            b,
            epsabs=1e-16,
            epsrel=1e-13,
        )[0]
        for a, b in pairwise(edges)
    ]
    return np.log(np.sum(parts, axis=0)) + height


def gradient(garden: Garden, delta: np.ndarray, variance: float) -> np.ndarray:
    """Differentiate the log likelihood of a garden by every period: central differences, Richardson extrapolated."""
    shifts = [sign * h * np.eye(delta.size) for h in (NEAR, FAR) for sign in (1, -1)]
    up, down, up_half, down_half = np.split(log_likelihood(garden, delta + np.vstack(shifts), variance), 4)
    return (4 * (up_half - down_half) / (2 * FAR) - (up - down) / (2 * NEAR)) / 3


def curvature(garden: Garden, delta: np.ndarray, variance: float) -> np.ndarray:
    """Minus the second derivatives, from four corners each, Richardson extrapolated."""
    n = delta.size
    one = np.eye(n)
    corners = [
        h * (a * one[t] + b * one[u]) for h in (NEAR, FAR) for t, u in product(range(n), repeat=2) for a, b in SIGNS
    ]
    values = log_likelihood(garden, delta + np.array(corners), variance).reshape(2, n, n, len(SIGNS))
    second = (values * [a * b for a, b in SIGNS]).sum(axis=-1) / (4 * np.array([NEAR, FAR])[:, None, None] ** 2)
    return -(4 * second[1] - second[0]) / 3


def shifted(delta: np.ndarray, t: int, by: float) -> np.ndarray:
    """Move one entry."""
    moved = delta.copy()
    moved[t] += by
    return moved


def highest_levels(gardens: list[Garden], n_periods: int, variance: float) -> np.ndarray:
    """Climb to the maximum with the level of period 0 held at 0."""
    counts, efforts = (
        np.array([sum(getattr(g, name)[g.period == t].sum() for g in gardens) for t in range(n_periods)])
        for name in ("y", "effort")
    )
    delta = np.log(counts / efforts) - np.log(counts[0] / efforts[0])
    for _ in range(40):
        score = sum(gradient(garden, delta, variance) for garden in gardens)[1:]
        slope = sum(curvature(garden, delta, variance) for garden in gardens)[1:, 1:]
        step = np.linalg.solve(slope, score)
        delta[1:] += np.clip(step, -1.0, 1.0)
        if np.abs(step).max() < 1e-5:  # the next step would be of the order of its square
            break
    return delta


def change(gardens: list[Garden], n_periods: int, base: list[int], period: int, variance: float) -> SlowChange:
    """Log ratio of one period to the mean of the base, with its by-garden variance, t limits and influences."""
    delta = highest_levels(gardens, n_periods, variance)

    def log_ratio(levels: np.ndarray) -> float:
        return float(levels[period] - np.log(np.mean(np.exp(levels[base]))))

    g = np.array(
        [(log_ratio(shifted(delta, t, 1e-5)) - log_ratio(shifted(delta, t, -1e-5))) / 2e-5 for t in range(n_periods)]
    )
    each = [curvature(garden, delta, variance) for garden in gardens]
    inverse = np.linalg.inv(sum(each)[1:, 1:])
    lever = np.r_[0.0, inverse @ g[1:]]
    influence = np.array([lever @ gradient(garden, delta, variance) for garden in gardens])
    share = np.array([lever @ slope @ lever for slope in each]) / (lever @ sum(each) @ lever)
    se = float(np.sqrt(np.sum(influence**2 / (1 - share))))
    df = float(1 / np.sum(share**2) - 1)
    reach = stats.t.ppf(0.975, df) * se
    top = log_ratio(delta)
    return SlowChange(top, se, df, float(np.exp(top - reach)), float(np.exp(top + reach)), influence)


def slope_by_count(garden: Garden, which: int, delta: np.ndarray, lever: np.ndarray, variance: float) -> float:
    """Differentiate lever'(score of the garden) by one of its counts."""
    step = 1e-3
    ends = []
    for sign in (1, -1):
        y = garden.y.astype(float).copy()
        y[which] += sign * step
        ends.append(lever @ gradient(Garden(y, garden.effort, garden.period), delta, variance))
    return float((ends[0] - ends[1]) / (2 * step))
