"""What is usual: the negative binomial of a group in a stratum (habitat x season x region), from past returns.

Robust against the few returns that are wrong: the mean comes from counts cut off high up, the spread from
the share of zeros, which no slip in a large number can move. Sparse strata lean on the group as a whole, and
the group on the planning values of the group list, until returns take over.

References: O'Hara & Kotze (2010) Methods Ecol. Evol. 1: 118-122 (counts stay counts); Anscombe (1949)
Biometrics 5: 165-173 (size from the share of zeros; from memory); clipped means made consistent under the
model as in Cantoni & Ronchetti (2001) J. Am. Stat. Assoc. 96: 1022-1030 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betainc

from surveys.methods.screening_chances import log_pmf, lower_tail, point_of, upper_count, upper_tail
from surveys.methods.screening_records import BoolArray, FloatArray, IntArray

PLANNING_SIZE = 0.4  # METHODS.md, section 7.2: assumed k 0.3 to 0.5
HIGH_TAIL = 0.001  # "a value a coordinator should look at": tail p < 0.001 (METHODS.md, section 7)
SITE_VARIANCE = 0.8  # METHODS.md, section 5.3: centre of the prior on the variance between sites
PLANNING_RETURNS = 10.0  # planning values weigh as much as so many returns (planning value)
POOLED_RETURNS = 20.0  # so does the whole group in each of its strata (planning value)
CUT_SHARE = 0.9  # counts above this quantile are cut down to it; about 5 % of returns are wrong (METHODS.md, section 7)
LEAST_CUT = 3.0
LOG_MEAN_RANGE = (np.log(1e-4), np.log(2e4))
INVERSE_SIZE_RANGE = (0.02, 20.0)
STEPS = 36  # halvings: the widest range shrinks below 1e-9
NEWS = 0.1  # an estimate that has moved by less changes hardly any decision (planning value)
NEWS_ERRORS = 1.0  # nor does one that has moved by less than so many standard errors (planning value)
HARDLY_ANY = 0.05  # animals a night: of a group rarer than this, twice as many are still hardly any (planning value)


@dataclass(frozen=True, slots=True, eq=False)
class Baselines:
    """What is usual of one group in each of S strata, per trap-night.

    ``mean`` (S,); ``size`` (S,): spread of one trap's night within a site; ``total_size`` (S,): spread
    over sites and nights together; ``site_shape`` (S,): gamma shape (and rate) of the site's factor before any
    history; ``returns`` (S,): how many returns speak.
    """

    mean: FloatArray
    size: FloatArray
    total_size: FloatArray
    site_shape: FloatArray
    returns: FloatArray


def estimate_usual(
    *,
    low: FloatArray,
    high: FloatArray,
    effort: FloatArray,
    stratum: IntArray,
    strata: int,
    planning_typical: float,
    planning_high: float,
) -> Baselines:
    """Return what is usual of one group in each stratum.

    ``low``, ``high`` (n,): counts and classes (``high`` infinite or NaN where open, both NaN where not
    answered); ``effort`` (n,) trap-nights; ``stratum`` (n,) from 0 to ``strata`` - 1; planning values per
    trap-night. Linear in n. Raises ValueError when lengths differ.
    References: module docstring.
    """
    if not len(low) == len(high) == len(effort) == len(stratum):
        raise ValueError("Counts, effort and strata must have the same length.")
    keep = ~np.isnan(low) & (effort > 0.0)
    tops = np.where(np.isnan(high), np.inf, high)[keep]
    counts, nights, where = point_of(low[keep], tops), effort[keep], stratum[keep]
    plan_mean, plan_size = plan_baseline(planning_typical, planning_high)
    everywhere = np.zeros(len(where), dtype=np.int64)
    whole = _fit(
        counts, nights, everywhere, np.array([plan_mean]), np.array([1.0 / plan_size]), weight=PLANNING_RETURNS
    )
    start_mean, start_inverse = (np.full(strata, float(part[0])) for part in whole)
    mean, inverse = _fit(counts, nights, where, start_mean, start_inverse, weight=POOLED_RETURNS)
    size, site_shape = split_size(1.0 / inverse)
    returns = np.bincount(where, minlength=strata).astype(float)
    return Baselines(mean=mean, size=size, total_size=1.0 / inverse, site_shape=site_shape, returns=returns)


def is_news(
    *, old: FloatArray, new: FloatArray, old_size: FloatArray, new_size: FloatArray, returns: FloatArray
) -> BoolArray:
    """Say where what is usual has moved so far that returns must be compared anew; all arguments and the answer (...).

    ``old``, ``new``: means per trap-night; the sizes are those over sites and nights; ``returns``: how many speak now.
    An estimate has news when mean or size differ by more than a tenth and by more than a standard error: what
    comes and goes with a single return is none. Standard errors are those of moment estimators from as many returns
    and the weight of the group: Var(log mean) = (1/m + 1/k)/n; Var(log k) = 2 (k + 1) (1 + k/m)^2 / (k n).
    References: Anscombe (1950) Biometrika 37: 358-382 (variance of the moment estimator of k; from memory).
    """
    number = returns + POOLED_RETURNS
    error = np.sqrt((1.0 / new + 1.0 / new_size) / number)
    error_of_size = np.sqrt(2.0 * (new_size + 1.0) / (new_size * number)) * (1.0 + new_size / new)
    moved = np.abs(np.log((new + HARDLY_ANY) / (old + HARDLY_ANY)))
    spread = np.abs(np.log(new_size / old_size))
    news: BoolArray = (moved > np.maximum(NEWS, NEWS_ERRORS * error)) | (
        spread > np.maximum(NEWS, NEWS_ERRORS * error_of_size)
    )
    return news


def total_size_of(size: FloatArray, site_shape: FloatArray) -> FloatArray:
    """Return the size over sites and nights together: what :func:`split_size` split."""
    return np.asarray(1.0 / (1.0 / size + 1.0 / site_shape + 1.0 / (size * site_shape)))


def plan_baseline(typical: float, high: float) -> tuple[float, float]:
    """Return mean and size that have ``typical`` as median and are above ``high`` once in a thousand traps.

    For each size the mean follows from ``high``; the size whose distribution is halved at
    ``typical`` is taken, held near the planning size. A typical of 0 says too little about the size (any rare
    group has it), so there the planning size stands. Used only until returns take over.
    """
    sizes = np.geomspace(0.1, 4.0, 60) if typical > 0.0 else np.array([PLANNING_SIZE])
    means = _mean_for_high(sizes, float(high))
    here = np.full_like(sizes, np.floor(typical))
    halved = lower_tail(here - 1.0, means, sizes) + 0.5 * np.exp(log_pmf(here, means, sizes))
    # 0.01: a factor e in size weighs as much as being 0.1 off the half (planning value).
    best = int(np.argmin((halved - 0.5) ** 2 + 0.01 * np.log(sizes / PLANNING_SIZE) ** 2))
    return float(means[best]), float(sizes[best])


def _mean_for_high(sizes: FloatArray, high: float) -> FloatArray:
    """Return, for each size, the mean at which P(Y > high) is the tail that a coordinator looks at."""
    below, above = (np.full_like(sizes, end) for end in LOG_MEAN_RANGE)
    for _ in range(STEPS):
        middle = (below + above) / 2.0
        too_high = upper_tail(np.full_like(sizes, high), np.exp(middle), sizes) > HIGH_TAIL
        above, below = np.where(too_high, middle, above), np.where(too_high, below, middle)
    mean: FloatArray = np.exp((below + above) / 2.0)
    return mean


def split_size(total_size: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the size within a site and the shape of the site's gamma, which together have ``total_size``.

    1/total = 1/size + s + s/size with s the variance between sites: the planning value, or a third of the
    total where that is smaller, so that a night always keeps a spread of its own.
    """
    total = 1.0 / total_size
    site = np.minimum(SITE_VARIANCE, total / 3.0)
    within = (total - site) / (1.0 + site)
    return 1.0 / within, 1.0 / site


def _fit(
    counts: FloatArray,
    effort: FloatArray,
    stratum: IntArray,
    start_mean: FloatArray,
    start_inverse: FloatArray,
    *,
    weight: float,
) -> tuple[FloatArray, FloatArray]:
    """Return mean and 1/size (S,) per trap-night that match the cut mean and the share of zeros.

    The start values enter as ``weight`` further returns. Effort is near one night; a stratum uses its mean.
    """
    strata = len(start_mean)
    number = np.bincount(stratum, minlength=strata).astype(float)
    offered = np.bincount(stratum, weights=effort, minlength=strata).astype(float)
    nights = _divide(offered, number, 1.0)
    plan = start_mean * nights
    own_cut = _stratum_quantile(counts, stratum, strata, CUT_SHARE)
    cut = np.where(number >= weight, own_cut, upper_count(plan, 1.0 / start_inverse, 1.0 - CUT_SHARE))
    cut = np.maximum(cut, LEAST_CUT)
    kept = np.bincount(stratum, weights=np.minimum(counts, cut[stratum]), minlength=strata)
    empty = np.bincount(stratum, weights=counts == 0.0, minlength=strata)
    cut_mean = (kept + weight * clipped_mean(plan, start_inverse, cut)) / (number + weight)
    zero_share = (empty + weight * share_of_zeros(plan, start_inverse)) / (number + weight)
    mean, inverse = match_moments(cut_mean, zero_share, cut)
    return mean / nights, inverse


def match_moments(cut_mean: FloatArray, zero_share: FloatArray, cut: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean and 1/size (S,) with E min(Y, cut) = ``cut_mean`` and P(Y = 0) = ``zero_share``.

    By halving on the mean; at each mean the share of zeros gives 1/size, so that the cut mean rises with
    the mean.
    """
    below, above = (np.full_like(cut_mean, end) for end in LOG_MEAN_RANGE)
    for _ in range(STEPS):
        middle = (below + above) / 2.0
        mean = np.exp(middle)
        too_high = clipped_mean(mean, inverse_size_for(mean, zero_share), cut) > cut_mean
        above, below = np.where(too_high, middle, above), np.where(too_high, below, middle)
    mean = np.exp((below + above) / 2.0)
    return mean, inverse_size_for(mean, zero_share)


def inverse_size_for(mean: FloatArray, zero_share: FloatArray) -> FloatArray:
    """Return 1/size (S,) at which P(Y = 0) = ``zero_share``, held to a range; by halving."""
    below, above = (np.full_like(mean, np.log(end)) for end in INVERSE_SIZE_RANGE)
    for _ in range(STEPS):
        middle = (below + above) / 2.0
        too_many = share_of_zeros(mean, np.exp(middle)) > zero_share
        above, below = np.where(too_many, middle, above), np.where(too_many, below, middle)
    inverse: FloatArray = np.exp((below + above) / 2.0)
    return inverse


def share_of_zeros(mean: FloatArray, inverse_size: FloatArray) -> FloatArray:
    """Return P(Y = 0) = (1 + mean/size)^-size."""
    share: FloatArray = np.exp(-np.log1p(mean * inverse_size) / inverse_size)
    return share


def clipped_mean(mean: FloatArray, inverse_size: FloatArray, cut: FloatArray) -> FloatArray:
    """Return E min(Y, cut) of a negative binomial.

    y P(y; k) = mean P(y - 1; k + 1) with the same odds, so E min = mean F(cut - 1; k + 1) + cut P(Y > cut).
    """
    size = 1.0 / inverse_size
    cut = np.floor(cut)
    odds = size / (size + mean)
    below = betainc(size + 1.0, cut, odds)
    expected: FloatArray = mean * below + cut * upper_tail(cut, mean, size)
    return expected


def _stratum_quantile(counts: FloatArray, stratum: IntArray, strata: int, share: float) -> FloatArray:
    """Return the ``share`` quantile of the counts of each stratum (S,), rounded down; 0 where there are none."""
    order = np.lexsort((counts, stratum))
    number = np.bincount(stratum, minlength=strata)
    first = np.cumsum(number) - number
    at = first + np.floor(share * np.maximum(number - 1, 0)).astype(np.int64)
    found = number > 0
    quantile = np.zeros(strata)
    quantile[found] = np.floor(counts[order][at[found]])
    return quantile


def _divide(top: FloatArray, bottom: FloatArray, otherwise: float) -> FloatArray:
    """Return top / bottom, ``otherwise`` where bottom is zero."""
    return np.divide(top, bottom, out=np.full_like(bottom, otherwise), where=bottom > 0.0)
