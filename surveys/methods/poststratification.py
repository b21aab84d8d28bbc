"""From the rate at the reference to the mean over habitats by fixed, published weights."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from surveys.methods.level_layout import count_distinct
from surveys.methods.level_records import Floats, Ints, LevelInput, LevelSettings

LARGEST_EXPONENT = 60.0  # keeps exp() finite for an effect that only the prior holds


@dataclass(frozen=True, slots=True, eq=False)
class HabitatFactor:
    """``value`` F = sum_h W_h exp(x_h'beta), ``slope`` the gradient of log F (p,)."""

    value: float
    slope: Floats


def habitat_factor(beta: Floats, weights: Floats, covariates: Floats) -> HabitatFactor:
    """Average the habitats by their published weights: F = sum_h W_h exp(x_h'beta).

    Parameters: ``beta`` (p,); ``weights`` (H,) summing to 1; ``covariates`` (H, p) of each habitat.
    Returns: HabitatFactor. Raises: nothing. References: METHODS.md, section 5.7; post-stratified mean, common practice.
    """
    parts = weights * np.exp(np.clip(covariates @ beta, -LARGEST_EXPONENT, LARGEST_EXPONENT))
    value = float(parts.sum())
    return HabitatFactor(value, covariates.T @ parts / value)


def factor_log_variance(factor: HabitatFactor, mean_covariates: Floats, covariance: Floats) -> Floats:
    """Variance of log F - (mean covariates of the cell)'beta: what beta's error does to each cell, shape (C,).

    Parameters: ``mean_covariates`` (C, p) the mix the cell really had; ``covariance`` (p, p) of beta.
    Returns: variances, zero or more. Raises: nothing. References: METHODS.md, section 5.7 (delta method).
    """
    lever = factor.slope - mean_covariates
    return np.asarray(np.maximum(np.einsum("cp,pq,cq->c", lever, covariance, lever), 0.0))


def habitat_support(rows: LevelInput) -> tuple[Ints, Ints]:
    """Count sites and animals (lowest possible) of each habitat over all cells, (H,) each."""
    n_habitats = rows.habitat_weights.size
    sites = np.array([count_distinct(rows.site[rows.habitat == h]) for h in range(n_habitats)], dtype=np.int64)
    animals = np.bincount(rows.habitat, weights=rows.low, minlength=n_habitats)
    return sites, animals.astype(np.int64)


def thin_habitats(sites: Ints, animals: Ints, settings: LevelSettings) -> tuple[int, ...]:
    """Name the habitats to be read as one: all thin ones, and then the thinnest others until the pool is not thin.

    Returns nothing when no habitat is thin. References: METHODS.md, section 5.7.
    """
    by_support = [int(h) for h in np.lexsort((np.arange(sites.size), animals, sites))]
    least = (settings.thin_habitat_sites, settings.thin_habitat_animals)
    pool = [h for h in by_support if sites[h] < least[0] or animals[h] < least[1]]
    others = [h for h in by_support if h not in pool]
    while pool and others and (sites[pool].sum() < least[0] or animals[pool].sum() < least[1] or len(pool) == 1):
        pool.append(others.pop(0))
    return tuple(pool)


def merge_habitats(rows: LevelInput, pool: tuple[int, ...]) -> LevelInput:
    """Give all habitats of ``pool`` the effect of its last, the best supported one.

    Parameters: ``rows``; ``pool`` habitat numbers, fewer than two of them change nothing.
    Returns: rows with covariates rewritten. Raises: nothing.
    References: common practice (strata merged by a fixed rule); the ridge alone is not relied on.
    """
    if len(pool) < 2:
        return rows
    target = rows.covariates_of_habitat[pool[-1]]
    merged = rows.covariates_of_habitat.copy()
    merged[list(pool)] = target
    pairs, kind = np.unique(rows.kind.astype(np.int64) * len(merged) + rows.habitat, return_inverse=True)
    of_kind, of_habitat = np.divmod(pairs, len(merged))
    kinds = rows.kinds[of_kind] + (merged - rows.covariates_of_habitat)[of_habitat]
    return replace(rows, kinds=kinds, kind=kind.reshape(-1).astype(np.int32), covariates_of_habitat=merged)
