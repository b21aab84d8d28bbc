"""Other ways to an interval for the rate of a cell, on the same returns: what a careful analyst might use instead.

All take the counts as exact numbers and know no covariates. Each returns Intervals, not a number where the method
gives no interval.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import statsmodels.api as sm
from scipy import special, stats

Z = 1.959963984540054
RATE_ROUNDS = 30  # the oracle's fixed point has long settled
MOST_STEPS = 200


@dataclass(frozen=True, eq=False)
class Catch:
    """Exact ``counts``, ``effort``, ``cell`` and ``site`` of each return; sites are numbered cell by cell."""

    counts: np.ndarray
    effort: np.ndarray
    cell: np.ndarray
    site: np.ndarray
    cells: int

    def site_totals(self) -> tuple[np.ndarray, np.ndarray]:
        """Add up counts and effort of each site, (cells, sites) each."""
        n_sites = int(self.site.max()) + 1
        totals = (np.bincount(self.site, values, minlength=n_sites) for values in (self.counts, self.effort))
        animals, effort = (total.reshape(self.cells, -1) for total in totals)
        return animals, effort


@dataclass(frozen=True, eq=False)
class Intervals:
    """``estimate``, ``low`` and ``high`` of each cell (C,)."""

    estimate: np.ndarray
    low: np.ndarray
    high: np.ndarray


def log_limits(rate: np.ndarray, reach: np.ndarray) -> Intervals:
    """Return rate x exp(+- reach); no interval where nothing was caught."""
    seen = rate > 0
    limits = (np.where(seen, rate * np.exp(np.where(seen, sign * reach, 0.0)), np.nan) for sign in (-1.0, 1.0))
    return Intervals(rate, *limits)


def by_group(values: np.ndarray, group: np.ndarray, groups: int) -> np.ndarray:
    """Sum values over groups."""
    return np.bincount(group, values, minlength=groups)


def oracle_pivot(catch: Catch, site_variances: np.ndarray, night_variance: float) -> Intervals:
    """Compute the matched negative-binomial pivot with the true components, written out once more.

    Shares no function with ``surveys.methods``. Parameters: ``site_variances`` (C,); ``night_variance``.
    """
    n_sites = int(catch.site.max()) + 1
    site_cell = np.arange(n_sites) // (n_sites // catch.cells)
    between, marginal = site_variances[site_cell], (night_variance * (1.0 + site_variances))[catch.cell]
    rate = by_group(catch.counts, catch.cell, catch.cells) / by_group(catch.effort, catch.cell, catch.cells)
    for _ in range(RATE_ROUNDS):
        mu = catch.effort * rate[catch.cell]
        night = 1.0 / (1.0 + marginal * mu)
        weight = night / (1.0 + between * by_group(night * mu, catch.site, n_sites))[catch.site]
        exposure = by_group(weight * catch.effort, catch.cell, catch.cells)
        total = by_group(weight * catch.counts, catch.cell, catch.cells)
        rate = total / exposure
    phi = by_group(weight**2 * catch.effort, catch.cell, catch.cells) / exposure
    clumping = by_group(between * by_group(weight * catch.effort, catch.site, n_sites) ** 2, site_cell, catch.cells)
    clumping = clumping + by_group(marginal * (weight * catch.effort) ** 2, catch.cell, catch.cells)
    size, animals = exposure**2 / clumping, total / phi + 0.5
    low, high = (
        phi / exposure * size * (1.0 - share) / share
        for share in (special.betaincinv(size, animals, 1.0 - tail) for tail in (0.025, 0.975))
    )
    return Intervals(rate, np.where(total > 0, low, 0.0), high)


def cr1_z(catch: Catch) -> Intervals:
    """Ratio of totals with the cluster-robust (CR1) variance of its log and a normal quantile.

    References: Liang & Zeger 1986 (from memory); the factor sites / (sites - 1) is common practice.
    """
    animals, effort = catch.site_totals()
    total, sites = animals.sum(axis=1), animals.shape[1]
    rate = total / effort.sum(axis=1)
    squares = ((animals - rate[:, None] * effort) ** 2).sum(axis=1) * sites / (sites - 1)
    return log_limits(rate, Z * np.sqrt(squares) / np.maximum(total, 1e-300))


def jackknife_t(catch: Catch) -> Intervals:
    """Ratio of totals with the delete-one-site jackknife variance, t with sites - 1 degrees, on the log scale.

    The variance is that of the rate over its square, so that a cell with animals in one garden has an interval too.
    """
    animals, effort = catch.site_totals()
    sites = animals.shape[1]
    total, exposure = animals.sum(axis=1), effort.sum(axis=1)
    rate = total / exposure
    without = (total[:, None] - animals) / (exposure[:, None] - effort)
    squares = ((without - without.mean(axis=1, keepdims=True)) ** 2).sum(axis=1) * (sites - 1) / sites
    return log_limits(rate, stats.t.ppf(0.975, sites - 1) * np.sqrt(squares) / np.maximum(rate, 1e-300))


def site_bootstrap(catch: Catch, rng: np.random.Generator, draws: int = 999) -> Intervals:
    """Ratio of totals with the percentile interval over ``draws`` resamples of whole sites."""
    animals, effort = catch.site_totals()
    sites = animals.shape[1]
    rate = animals.sum(axis=1) / effort.sum(axis=1)
    limits = np.empty((catch.cells, 2))
    for c in range(catch.cells):
        taken = rng.multinomial(sites, np.full(sites, 1.0 / sites), size=draws)
        limits[c] = np.quantile((taken @ animals[c]) / (taken @ effort[c]), [0.025, 0.975])
    limits[rate == 0] = np.nan
    return Intervals(rate, limits[:, 0], limits[:, 1])


def statsmodels_cluster(catch: Catch) -> tuple[Intervals, bool]:
    """Negative-binomial regression of statsmodels, one dummy per cell, covariance clustered by site.

    Cells without animals are left out: no finite coefficient fits them. Its dispersion is fitted by maximum
    likelihood; where that fails, a Poisson model takes its place. Returns: Intervals, and whether the negative
    binomial converged.
    """
    rate = by_group(catch.counts, catch.cell, catch.cells)
    seen = np.flatnonzero(rate > 0)
    kept = np.isin(catch.cell, seen)
    column = np.searchsorted(seen, catch.cell[kept])
    dummies = np.eye(seen.size)[column]
    effort, counts = catch.effort[kept], catch.counts[kept]
    start = np.log(rate[seen] / by_group(catch.effort, catch.cell, catch.cells)[seen])
    clusters = {"groups": np.unique(catch.site[kept], return_inverse=True)[1]}
    fitted, converged = fit_negative_binomial(counts, dummies, effort, start, clusters)
    if not converged:
        family = sm.families.Poisson()
        model = sm.GLM(counts, dummies, family=family, offset=np.log(effort))
        fitted = model.fit(start_params=start, cov_type="cluster", cov_kwds=clusters)
    estimate, low, high = np.zeros(catch.cells), np.full(catch.cells, np.nan), np.full(catch.cells, np.nan)
    log_rate, error = fitted.params[: seen.size], fitted.bse[: seen.size]
    estimate[seen] = np.exp(log_rate)
    low[seen], high[seen] = np.exp(log_rate - Z * error), np.exp(log_rate + Z * error)
    return Intervals(estimate, low, high), converged


def fit_negative_binomial(
    counts: np.ndarray, design: np.ndarray, effort: np.ndarray, start: np.ndarray, clusters: dict[str, np.ndarray]
) -> tuple[object, bool]:
    """Fit statsmodels' NB2 by Newton steps, then by BFGS; say whether it settled with usable standard errors."""
    model = sm.NegativeBinomial(counts, design, exposure=effort)
    for method in ("newton", "bfgs"):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                fitted = model.fit(
                    start_params=np.r_[start, 1.0],
                    method=method,
                    maxiter=MOST_STEPS,
                    disp=0,
                    cov_type="cluster",
                    cov_kwds=clusters,
                )
            except (np.linalg.LinAlgError, ValueError):
                continue
            errors = fitted.bse
        if fitted.mle_retvals["converged"] and np.isfinite(errors).all() and fitted.params[-1] > 0:
            return fitted, True
    return None, False
