"""The change where animals are few: an F pivot on the totals of revisited gardens, matched garden by garden.

Given what a garden caught in all, its animals of the period are binomial with odds rho E_C / E_B (conditional Poisson).
Two totals then give exact-like limits through the F distribution, finite at zero. Scatter beyond that of counting is
divided out of both totals first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from surveys.methods.change_layout import Visits, sum_by_region
from surveys.methods.level_records import Floats, Ints

MATCHING_ROUNDS = 30  # the fixed point has settled to 1e-9 by then
SMALLEST, LARGEST = 1e-300, 1e300  # keep quotients of beta quantiles finite


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """The gardens visited in one period and in the base, in the period (C) and in the base (B), and their region.

    ``garden`` (P,) are rows of Visits. For a base period the base is what is left of it without that period.
    """

    garden: Ints
    region: Ints
    period_count: Floats
    period_effort: Floats
    base_count: Floats
    base_effort: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Totals:
    """Per region (R,): revisited gardens, animals in period and base, and effective gardens.

    ``ratio`` is the matched ratio (0 without animals in the period, nan without any in the base), ``middle`` the same
    with half an animal more on both sides. ``influence``, ``share`` (P,) and ``model`` (R,) are those of the log ratio.
    ``excess`` and ``expected`` (R,) are observed and expected squares of the gardens' deviations.
    """

    gardens: Ints
    period_count: Floats
    base_count: Floats
    effective: Floats
    ratio: Floats
    middle: Floats
    influence: Floats
    share: Floats
    model: Floats
    excess: Floats
    expected: Floats


def pair_visits(visits: Visits, period: int, base: tuple[int, ...]) -> Pairs:
    """Pick the gardens that were visited in ``period`` and in another period of the base."""
    others = [b for b in base if b != period]
    garden = np.flatnonzero(visits.visited[:, period] & visits.visited[:, others].any(axis=1))
    return Pairs(
        garden=garden,
        region=visits.region[garden],
        period_count=visits.counts[garden, period],
        period_effort=visits.effort[garden, period],
        base_count=visits.counts[garden][:, others].sum(axis=1),
        base_effort=visits.effort[garden][:, others].sum(axis=1),
    )


def matched_ratio(pairs: Pairs, visits: Visits, extra: float) -> Floats:
    """Solve Y_C / Y_B = rho sum(u E_C) / sum(u E_B) with u = n / (rho E_C + E_B), per region (R,).

    ``extra`` animals are added to both totals; with 0 this is the conditional Poisson estimate. Regions where nobody
    caught anything weigh their gardens alike. Parameters: ``pairs``; ``visits`` for the regions. Returns: ratios, nan
    where the base is empty. Raises: nothing. References: conditional Poisson likelihood, as a fixed point.
    """
    caught = pairs.period_count + pairs.base_count
    animals = sum_pairs(caught, pairs, visits)
    caught = np.where(animals[pairs.region] > 0, caught, 1.0)
    above = sum_pairs(pairs.period_count, pairs, visits) + extra
    below = sum_pairs(pairs.base_count, pairs, visits) + extra
    ratio = np.ones(visits.n_regions)
    for _ in range(MATCHING_ROUNDS):
        level = caught / (ratio[pairs.region] * pairs.period_effort + pairs.base_effort)
        exposure = [sum_pairs(level * effort, pairs, visits) for effort in (pairs.base_effort, pairs.period_effort)]
        known = (below > 0) & (exposure[1] > 0)
        ratio = np.where(known, above * exposure[0] / np.where(known, below * exposure[1], 1.0), np.nan)
        ratio = np.where(np.isnan(ratio), 1.0, ratio)
    return np.where(known, ratio, np.nan)


def sum_pairs(values: Floats, pairs: Pairs, visits: Visits) -> Floats:
    """Sum over the revisited gardens of each region, shape (R,)."""
    return np.bincount(pairs.region, values, minlength=visits.n_regions).astype(np.float64)


def total_pairs(pairs: Pairs, visits: Visits) -> Totals:
    """Add up the revisited gardens of each region, with the share and influence of each.

    Parameters: ``pairs``; ``visits``. Returns: Totals. Raises: nothing.
    References: conditional Poisson likelihood; 1 / sum of squared shares as in change_contrasts.py.
    """
    ratio, middle = matched_ratio(pairs, visits, 0.0), matched_ratio(pairs, visits, 0.5)
    caught = pairs.period_count + pairs.base_count

    def spread(rho: Floats) -> tuple[Floats, Floats]:
        odds = np.nan_to_num(rho)[pairs.region] * pairs.period_effort
        chance = odds / (odds + pairs.base_effort)
        return chance, caught * chance * (1.0 - chance)

    chance, variance = spread(ratio)
    total = sum_pairs(variance, pairs, visits)
    deviation = pairs.period_count - caught * chance
    informed = total[pairs.region] > 0
    influence = np.where(informed, deviation / np.where(informed, total[pairs.region], 1.0), 0.0)
    _, planned = spread(middle)
    planned_total = sum_pairs(planned, pairs, visits)
    share = planned / np.where(planned_total > 0, planned_total, 1.0)[pairs.region]
    squares = sum_pairs(share**2, pairs, visits)
    lone = 1.0 - np.minimum(variance / np.where(informed, total[pairs.region], 1.0), 1.0 - 1e-9)
    return Totals(
        gardens=np.bincount(pairs.region, minlength=visits.n_regions),
        period_count=sum_pairs(pairs.period_count, pairs, visits),
        base_count=sum_pairs(pairs.base_count, pairs, visits),
        effective=np.where(squares > 0, 1.0 / np.where(squares > 0, squares, 1.0), 0.0),
        ratio=ratio,
        middle=middle,
        influence=influence,
        share=share,
        model=np.where(total > 0, 1.0 / np.where(total > 0, total, 1.0), 0.0),
        excess=sum_pairs(np.where(informed, deviation**2 / lone, 0.0), pairs, visits),
        expected=sum_pairs(variance, pairs, visits),
    )


def f_quantile(above: Floats, below: Floats, share: float) -> Floats:
    """Quantile of F with 2 ``above`` and 2 ``below`` degrees of freedom, finite at any of them above 0.

    Written as (b / a) x / (1 - x) with x a beta quantile, 1 - x taken from the other tail.
    """
    up = special.betaincinv(above, below, share)
    down = special.betaincinv(below, above, 1.0 - share)
    return np.asarray(np.clip(below * up / (above * np.maximum(down, SMALLEST)), 0.0, LARGEST))


def f_limit(middle: Floats, period: Floats, base: Floats, dispersion: Floats, share: float) -> Floats:
    """Limit of a ratio of two totals: ratio x F quantile(2 (Y_C + 1/2) / D, 2 (Y_B + 1/2) / D).

    Parameters: ``middle`` ratio with half an animal added; totals ``period`` and ``base``; ``dispersion`` D >= 1;
    ``share`` below the limit. Returns: limits. Raises: nothing.
    References: ratio of two Poisson means through F (Przyborowski & Wilenski 1940, from memory); half an animal as in
    the mid-p-like choice of intervals.py.
    """
    return middle * f_quantile((period + 0.5) / dispersion, (base + 0.5) / dispersion, share)


def f_p_value(middle: Floats, period: Floats, base: Floats, dispersion: Floats) -> Floats:
    """Two-sided p-value against a ratio of 1, from the same pivot as the limits.

    Parameters and references: as :func:`f_limit`. Returns: p-values up to 1. Raises: nothing.
    """
    above, below = (period + 0.5) / dispersion, (base + 0.5) / dispersion
    share = above / (above + below * middle)  # the beta variable that belongs to F = 1 / middle
    tail = np.minimum(special.betainc(above, below, share), special.betainc(below, above, 1.0 - share))
    return np.asarray(np.minimum(1.0, 2.0 * tail))


def pooled_dispersion(excess: Floats, expected: Floats) -> float:
    """Scatter of garden deviations over that of counting, pooled over cells, at least 1.

    Parameters: observed and expected squares of the cells that use it. Returns: D. Raises: nothing.
    References: McCullagh & Nelder 1989 (X2 / df as dispersion; from memory); own pooling, METHODS.md section Change.
    """
    total = float(expected.sum())
    return max(1.0, float(excess.sum()) / total) if total > 0 else 1.0


def sum_open(visits: Visits) -> Floats:
    """Variance that classes leave open of the animals of each region and period, (R, T)."""
    shape = visits.counts.shape
    cell = visits.row_garden * shape[1] + visits.row_period
    open_variance = np.bincount(cell, visits.row_variance, minlength=shape[0] * shape[1]).astype(np.float64)
    return sum_by_region(open_variance.reshape(shape), visits)
