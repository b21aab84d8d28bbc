"""The chance of a count, or of a class, for a trap like this one.

References: gamma-Poisson conjugacy: Gelman et al. (2013) Bayesian Data Analysis, 3rd ed., section 2.6
(from memory); negative binomial as in :class:`surveys.methods.records.Usual`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betainc, gammaln, xlog1py, xlogy

from surveys.methods.records import Answer, Neighbour, Usual
from surveys.methods.screening_records import BoolArray, FloatArray, RegionFrame, ScreeningSettings

OPEN_ABOVE = np.inf
LEAST_LOG = -700.0  # about the log of the smallest double
LEAST_MEAN = 1e-6
SWARM_CEILING = 1000.0  # groups of which a cup may hold so many come in swarms and nests (planning value)
FAR_REACH = 40.0  # an honest extreme of any other group: up to so many times the usual (planning value)
FALL = 3.0  # power with which its chance falls beyond
MOST_OF_A_SIBLING = 5.0  # METHODS.md, section 7: a slip is 5 to 20 times its siblings


@dataclass(frozen=True, slots=True, eq=False)
class Catch:
    """One return's counts beside what is usual, for the G groups of the form that have a usual value.

    ``low`` and ``high`` (G,) bound the count (``high`` infinite for the open class, both NaN when
    not answered); ``point`` (G,) is the number used where one is needed; ``mean`` and ``size`` (G,)
    are the predictive negative binomial of this trap and exposure; ``ceiling`` (G,) the most a cup holds.
    """

    groups: tuple[str, ...]
    low: FloatArray
    high: FloatArray
    point: FloatArray
    mean: FloatArray
    size: FloatArray
    ceiling: FloatArray
    expected_total: FloatArray  # (G,) of the region's cell

    @property
    def known(self) -> BoolArray:
        """Say which groups have an answer that bounds a count."""
        known: BoolArray = ~np.isnan(self.low)
        return known


def read_catch(
    answers: tuple[Answer, ...],
    *,
    siblings: tuple[Neighbour, ...],
    usual: tuple[Usual, ...],
    region: RegionFrame,
    settings: ScreeningSettings,
    trap_nights: float,
) -> Catch:
    """Return the counts of one return beside their predictive distribution, in the order of the form."""
    by_group = {one.group: one for one in usual}
    groups = tuple(group for group in region.groups if group in by_group)
    rows = [by_group[group] for group in groups]
    mean, size, shape, rate, ceiling = (
        np.array([getattr(row, name) for row in rows], dtype=float)
        for name in ("mean", "size", "site_shape", "site_rate", "ceiling")
    )
    low, high = bounds_of(answers, groups)
    night = night_factor(mean * shape / rate, size, siblings=siblings, groups=groups, settings=settings)
    predicted, spread = predictive(mean * night * trap_nights, size, shape, rate)
    totals = dict(zip(region.groups, region.expected_total, strict=True))
    return Catch(
        groups=groups,
        low=low,
        high=high,
        point=point_of(low, high),
        mean=np.maximum(predicted, LEAST_MEAN),
        size=spread,
        ceiling=ceiling,
        expected_total=np.array([totals[group] for group in groups], dtype=float),
    )


def bounds_of(answers: tuple[Answer, ...], groups: tuple[str, ...]) -> tuple[FloatArray, FloatArray]:
    """Return ``low`` and ``high`` (G,) of the answers, NaN where nothing is known, infinite where open."""
    low, high = np.full(len(groups), np.nan), np.full(len(groups), np.nan)
    place = {group: at for at, group in enumerate(groups)}
    for answer in answers:
        at = place.get(answer.group)
        if at is not None and answer.low is not None:
            low[at] = answer.low
            high[at] = OPEN_ABOVE if answer.high is None else answer.high
    return low, high


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
    weight = 1.0 / (1.0 + expected / size)
    gained, offered = np.atleast_2d(weight * counts), np.atleast_2d(weight * expected)
    return shape + gained.sum(axis=0), rate + offered.sum(axis=0)


def night_factor(
    expected: FloatArray,
    size: FloatArray,
    *,
    siblings: tuple[Neighbour, ...],
    groups: tuple[str, ...],
    settings: ScreeningSettings,
) -> FloatArray:
    """Return how rich this night is (G,), group by group, from the other traps of the site that night.

    The posterior mean of a gamma with mean one and the variance between nights, each sibling with a weight
    below one. ``expected`` (G,): what a sibling would catch at this site; ``size`` (G,): within the site.
    One without siblings.
    """
    shape = np.full_like(expected, 1.0 / settings.night_log_sd**2)
    rate = shape
    for sibling in siblings:
        low, high = bounds_of(sibling.answers, groups)
        known = ~np.isnan(low)
        counts = np.where(known, point_of(low, high), 0.0)
        # A slip in a sibling must not excuse the same slip here.
        counts = np.minimum(counts, MOST_OF_A_SIBLING * (expected + 1.0))
        trusted = np.where(known, settings.sibling_trust, 0.0)
        shape, rate = update_site(shape, rate, trusted * counts, trusted * expected, size)
    factor: FloatArray = shape / rate
    return factor


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
        span = upper_tail(low - 1.0, mean, size) - np.where(
            np.isinf(high), 0.0, upper_tail(np.where(np.isinf(high), low, high), mean, size)
        )
        logs = np.where(wide, np.log(np.maximum(span, np.exp(LEAST_LOG))), logs)
    chance: FloatArray = np.where(np.isnan(low), 0.0, np.maximum(logs, LEAST_LOG))
    return chance


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
