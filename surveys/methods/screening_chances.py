"""The chance of a count, or of a class, for a trap like this one.

References: gamma-Poisson conjugacy: Gelman et al. (2013) Bayesian Data Analysis, 3rd ed., section 2.6
(from memory); negative binomial as in :class:`surveys.methods.records.Usual`.
"""

from __future__ import annotations

import numpy as np
from scipy.special import betainc, gammaln, xlog1py, xlogy

from surveys.methods.records import Answer, Counts
from surveys.methods.screening_records import FloatArray

OPEN_ABOVE = np.inf
UNKNOWN = (np.nan, np.nan)
LEAST_LOG = -700.0  # about the log of the smallest double
LEAST_MEAN = 1e-6
SWARM_CEILING = 1000.0  # groups of which a cup may hold so many come in swarms and nests (planning value)
FAR_REACH = 40.0  # an honest extreme of any other group: up to so many times the usual (planning value)
FALL = 3.0  # power with which its chance falls beyond
WIDE_SHARE = 0.1  # of nights that vary more than the estimated size says (planning value)
WIDE_SIZE = 0.33  # their size, as a share of the estimated one (planning value)
ROUNDED_SHARE = 0.25  # of honest numbers from ROUNDED_FROM on that are rounded to tens (planning value)
ROUNDED_FROM = 40.0
TENS = 10.0
MOST_OF_A_SIBLING = 5.0  # METHODS.md, section 7.3: times the expected and one more


def bounds_of(answers: tuple[Answer, ...] | Counts, groups: tuple[str, ...]) -> tuple[FloatArray, FloatArray]:
    """Return ``low`` and ``high`` (G,) of the answers, NaN where nothing is known, infinite where open."""
    if isinstance(answers, Counts):
        if answers.groups == groups:
            return answers.low, answers.high
        place = {group: at for at, group in enumerate(answers.groups)}
        chosen = [place.get(group, -1) for group in groups]  # -1: behind the last, where nothing is known
        return np.append(answers.low, np.nan)[chosen], np.append(answers.high, np.nan)[chosen]
    found = {
        one.group: (float(one.low), OPEN_ABOVE if one.high is None else float(one.high))
        for one in answers
        if one.low is not None
    }
    bounds = np.array([found.get(group, UNKNOWN) for group in groups], dtype=float).reshape(len(groups), 2)
    return np.ascontiguousarray(bounds[:, 0]), np.ascontiguousarray(bounds[:, 1])


def point_of(low: FloatArray, high: FloatArray) -> FloatArray:
    """Return the geometric middle of each class, 1.5 x low where open above (METHODS.md, section 4)."""
    middle: FloatArray = np.where(np.isinf(high), 1.5 * low, np.sqrt(low * np.where(np.isinf(high), low, high)))
    return middle


def predictive(
    mean: FloatArray, size: FloatArray, site_shape: FloatArray, site_rate: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return mean and size (G,) of the predictive negative binomial at a site with a history.

    The site's factor is gamma (shape a, rate b). Mean m a/b; variance by total variance, matched to a
    negative binomial: 1/size' = 1/size + 1/a + 1/(size a). Exact when size is infinite (gamma-Poisson).
    """
    spread = 1.0 / size + 1.0 / site_shape + 1.0 / (size * site_shape)
    return mean * site_shape / site_rate, 1.0 / spread


def update_site(
    shape: FloatArray, rate: FloatArray, counts: FloatArray, expected: FloatArray, size: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the gamma of the site's factor after further counts.

    Plain conjugate step (shape + y, rate + m) with both terms divided by 1 + m/size, the variance of
    a negative binomial over that of a Poisson: one wild night is not as many independent animals.
    ``size`` infinite gives the plain step. All arguments (G,) or (n, G) summed over the first axis.
    """
    gained, offered = (np.atleast_2d(step) for step in site_steps(counts, expected, size))
    return shape + gained.sum(axis=0), rate + offered.sum(axis=0)


def site_steps(counts: FloatArray, expected: FloatArray, size: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return what each count adds to shape and rate of its site's gamma, as :func:`update_site` says; broadcasts."""
    weight = 1.0 / (1.0 + expected / size)
    return weight * counts, weight * expected


def cut_to_expected(counts: FloatArray, expected: FloatArray) -> FloatArray:
    """Return counts of other nights, cut where a slip among them would excuse the same slip here."""
    cut: FloatArray = np.minimum(counts, MOST_OF_A_SIBLING * (expected + 1.0))
    return cut


def log_pmf(count: FloatArray, mean: FloatArray, size: FloatArray) -> FloatArray:
    """Return log P(Y = count) under the negative binomial with variance mean + mean^2 / size."""
    logs: FloatArray = (
        gammaln(count + size)
        - gammaln(size)
        - gammaln(count + 1.0)
        - xlog1py(size, mean / size)
        + xlogy(count, mean / (mean + size))
    )
    return logs


def lower_tail(count: FloatArray, mean: FloatArray, size: FloatArray) -> FloatArray:
    """Return P(Y <= count); 0 below zero, 1 at infinity."""
    finite = np.isfinite(count)
    at = np.where(finite, np.maximum(count, 0.0), 0.0)
    inside = betainc(size, at + 1.0, size / (size + mean))
    tail: FloatArray = np.where(finite, np.where(count < 0.0, 0.0, inside), 1.0)
    return tail


def upper_tail(count: FloatArray, mean: FloatArray, size: FloatArray) -> FloatArray:
    """Return P(Y > count); 1 below zero. Computed as a tail of its own, so that small ones stay exact."""
    at = np.maximum(count, 0.0)
    tail: FloatArray = np.where(count < 0.0, 1.0, betainc(at + 1.0, size, mean / (size + mean)))
    return tail


def mid_tail(low: FloatArray, mean: FloatArray, size: FloatArray) -> FloatArray:
    """Return the upper mid-p value P(Y > low) + P(Y = low)/2; of a class, at its lowest count."""
    return upper_tail(low, mean, size) + 0.5 * np.exp(log_pmf(low, mean, size))


def log_chance(low: FloatArray, high: FloatArray, mean: FloatArray, size: FloatArray) -> FloatArray:
    """Return log P(low <= Y <= high) under the negative binomial; broadcasts; NaN bounds give 0 (no information)."""
    logs = log_pmf(low, mean, size)
    wide = (low != high) & ~np.isnan(low)
    if np.any(wide):
        room = np.broadcast_shapes(logs.shape, wide.shape)
        logs, wide = np.array(np.broadcast_to(logs, room)), np.broadcast_to(wide, room)
        parts = (np.broadcast_to(part, room)[wide] for part in (low, high, mean, size))
        logs[wide] = np.log(np.maximum(_span(*parts), np.exp(LEAST_LOG)))
    chance: FloatArray = np.where(np.isnan(low), 0.0, np.maximum(logs, LEAST_LOG))
    return chance


def _span(low: FloatArray, high: FloatArray, mean: FloatArray, size: FloatArray) -> FloatArray:
    """Return P(low <= Y <= high) of classes, each as the difference of two upper tails."""
    closed = np.where(np.isinf(high), low, high)
    above: FloatArray = np.where(np.isinf(high), 0.0, upper_tail(closed, mean, size))
    return upper_tail(low - 1.0, mean, size) - above


def log_far(low: FloatArray, high: FloatArray, ceiling: FloatArray) -> FloatArray:
    """Return log P(low <= Y <= high) where nothing is known of a count: every order of magnitude alike to the ceiling.

    P(y) = log((y + 2) / (y + 1)) / log(ceiling + 2) on 0..ceiling, which sums to one.
    """
    top = np.where(np.isinf(high), np.maximum(ceiling, low), high)
    scale = np.log(np.maximum(ceiling, top) + 2.0)
    logs: FloatArray = np.where(np.isnan(low), 0.0, np.log(np.log((top + 2.0) / (low + 1.0)) / scale))
    return logs


def log_extreme(low: FloatArray, high: FloatArray, mean: FloatArray, ceiling: FloatArray) -> FloatArray:
    """Return log P(low <= Y <= high) of an honest extreme: alike in magnitude up to its reach, then falling away.

    A group that may swarm reaches to its ceiling. Of any other a rich night brings some ten times the usual, and
    hundreds are no night at all: beyond the reach the chance falls with the third power of the count.
    """
    reach = np.where(ceiling >= SWARM_CEILING, ceiling, np.minimum(ceiling, FAR_REACH * (mean + 1.0)))
    top = np.where(np.isinf(high), np.maximum(reach, low), high)
    scale = np.log(np.maximum(reach, 1.0) + 2.0) + 1.0 / FALL
    fall = FALL * np.log(np.minimum(reach / np.maximum(low, 1.0), 1.0))
    logs: FloatArray = np.where(np.isnan(low), 0.0, np.log(np.log((top + 2.0) / (low + 1.0)) / scale) + fall)
    return logs


def log_honest(
    low: FloatArray,
    high: FloatArray,
    mean: FloatArray,
    size: FloatArray,
    *,
    ceiling: FloatArray,
    extreme_share: FloatArray,
) -> FloatArray:
    """Return the log chance of honest counts: the negative binomial with a little of the far-out kind mixed in."""
    plain = np.log1p(-extreme_share) + log_chance(low, high, mean, size)
    mixed: FloatArray = np.logaddexp(plain, np.log(extreme_share) + log_extreme(low, high, mean, ceiling))
    return np.asarray(np.where(np.isnan(low), 0.0, mixed))


def log_heaped(low: FloatArray, high: FloatArray) -> FloatArray:
    """Return the log factor by which an exact number is likelier because honest people round: 0 for classes.

    A share of the numbers from 40 on is rounded to tens, as when somebody counts a swarm in handfuls; the others
    are as they were counted. Sums to one over each ten.
    """
    tens = np.where(np.mod(low, TENS) == 0.0, 1.0 - ROUNDED_SHARE + TENS * ROUNDED_SHARE, 1.0 - ROUNDED_SHARE)
    factor: FloatArray = np.where((low == high) & (low >= ROUNDED_FROM), np.log(tens), 0.0)
    return factor


def log_wide(
    low: FloatArray,
    high: FloatArray,
    mean: FloatArray,
    size: FloatArray,
    *,
    ceiling: FloatArray,
    extreme_share: FloatArray,
) -> FloatArray:
    """Return the log chance of an honest high count, with all that a negative binomial may have missed.

    The spread of a group is estimated, and nights vary in other ways than a gamma: a small share has the same mean
    and a third of the size. Large numbers may be rounded. Only for counts that stick out, where it matters.
    """
    plain = np.log1p(-extreme_share) + np.logaddexp(
        np.log1p(-WIDE_SHARE) + log_chance(low, high, mean, size),
        np.log(WIDE_SHARE) + log_chance(low, high, mean, size * WIDE_SIZE),
    )
    mixed: FloatArray = np.logaddexp(plain, np.log(extreme_share) + log_extreme(low, high, mean, ceiling))
    return mixed + log_heaped(low, high)


def upper_count(mean: FloatArray, size: FloatArray, chance: float) -> FloatArray:
    """Return the smallest counts (G,) that are exceeded with at most ``chance``, by bisection."""
    below, above = np.full_like(mean, -1.0), np.ceil(20.0 * mean * (1.0 + 1.0 / size) * -np.log(chance) + 10.0)
    for _ in range(int(np.ceil(np.log2(above.max(initial=1.0) + 2.0))) + 1):
        middle = np.floor((below + above) / 2.0)
        enough = upper_tail(middle, mean, size) <= chance
        above, below = np.where(enough, middle, above), np.where(enough, below, middle)
        if np.all(above - below <= 1.0):
            break
    return np.asarray(above)
