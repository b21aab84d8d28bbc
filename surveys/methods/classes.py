"""Counts given as a class: probability and moments under the negative binomial, and fast tables of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import interpolate, special

from surveys.methods.level_records import OPEN_ABOVE, Floats, Ints

TABLE_FROM, TABLE_TO, TABLE_STEP = -16.0, 13.0, 0.05  # log mean; the spline is then right to 1e-5
MOST_COUNT = 2**31 - 1  # a count fits into the column of the database
BLOCK = 256  # counts summed at a time, so that a wide class needs little memory
OPEN_START = 1.5  # METHODS.md, section 4: an open class starts at 1.5 times its lower end
NO_LOWER_START = 0.5  # a class from 0 starts at half its upper end, one without any end at half an animal


@dataclass(frozen=True, slots=True, eq=False)
class ClassMoments:
    """Log probability of a class, and mean and variance of the count given the class; one shape for all."""

    log_probability: Floats
    mean: Floats
    variance: Floats


@dataclass(frozen=True, slots=True, eq=False)
class ClassTable:
    """Cubic pieces of the three functions of :class:`ClassMoments` on an even grid of log means, (pieces, 3, 4)."""

    pieces: Floats

    def read(self, log_mean: Floats, which: int) -> Floats:
        """Interpolate function ``which`` (0 log probability, 1 mean, 2 variance) at ``log_mean``."""
        position = np.clip((log_mean - TABLE_FROM) / TABLE_STEP, 0.0, self.pieces.shape[0] - 1e-9)
        piece = position.astype(np.int64)
        along = (position - piece) * TABLE_STEP
        cubic = self.pieces[:, which, :][piece]
        value = ((cubic[..., 0] * along + cubic[..., 1]) * along + cubic[..., 2]) * along + cubic[..., 3]
        return np.asarray(value)


def start_counts(low: Ints, high: Ints) -> Floats:
    """Return a first guess per return (n,): the number, or the geometric middle of its class.

    References: METHODS.md, section 4.
    """
    counts = low.astype(float)
    classed = np.flatnonzero(low != high)
    if classed.size:
        counts[classed] = middle_of_class(low[classed].astype(float), high[classed].astype(float))
    return counts


def middle_of_class(low: Floats, high: Floats) -> Floats:
    """Return the geometric middle of each class, 1.5 times the low end of an open one, half the high end from 0 on."""
    middle = np.where(low > 0, np.sqrt(low * np.maximum(high, low)), np.maximum(high / 2.0, NO_LOWER_START))
    opened = np.where(low > 0, OPEN_START * low, NO_LOWER_START)
    return np.asarray(np.where(high == OPEN_ABOVE, opened, middle))


def count_log_probability(counts: Floats, log_mean: Floats, night_variance: float) -> Floats:
    """Log probability of counts under the negative binomial of variance mean + night_variance mean^2.

    Parameters: ``counts`` and ``log_mean`` that broadcast; ``night_variance`` = 1 / size, 0 for Poisson.
    Returns: log probabilities. Raises: nothing.
    References: common practice (NB2 parametrisation).
    """
    if night_variance <= 0.0:
        return np.asarray(counts * log_mean - np.exp(log_mean) - special.gammaln(counts + 1.0))
    size = 1.0 / night_variance
    constant = special.gammaln(counts + size) - special.gammaln(size) - special.gammaln(counts + 1.0)
    scaled = night_variance * np.exp(log_mean)
    return np.asarray(constant + counts * (np.log(night_variance) + log_mean) - (counts + size) * np.log1p(scaled))


def at_least(count: int, mean: Floats, night_variance: float, extra: int) -> Floats:
    """Return P(Y >= count) with the size raised by ``extra`` at the same success share.

    Raising the size turns sums of y f(y) into tail probabilities: y f(y; k) = mean f(y - 1; k + 1).
    """
    if count <= 0:
        return np.ones_like(mean)
    if night_variance <= 0.0:
        return np.asarray(special.gammainc(count, mean))
    share = night_variance * mean / (1.0 + night_variance * mean)
    return np.asarray(special.betainc(count, 1.0 / night_variance + extra, share))


def open_class_moments(low: int, log_mean: Floats, night_variance: float) -> ClassMoments:
    """Moments of a count known to be ``low`` or more. References: tail identities of the negative binomial."""
    mean = np.exp(log_mean)
    tail = at_least(low, mean, night_variance, 0)
    seen = tail > 1e-280  # below, the class is its lowest count for all that floating point can tell
    safe = np.where(seen, tail, 1.0)
    first = mean * at_least(low - 1, mean, night_variance, 1) / safe
    second = mean**2 * (1.0 + night_variance) * at_least(low - 2, mean, night_variance, 2) / safe
    lowest = count_log_probability(np.asarray(float(low)), log_mean, night_variance)
    return ClassMoments(
        np.where(seen, np.log(safe), lowest),
        np.where(seen, np.maximum(first, low), low),
        np.where(seen, np.maximum(second + first - first**2, 0.0), 0.0),
    )


def closed_class_moments(low: int, high: int, log_mean: Floats, night_variance: float) -> ClassMoments:
    """Moments of a count known to lie in ``low`` to ``high``, by summing the probabilities."""
    top = np.full(log_mean.shape, -np.inf)
    sums = np.zeros((3, *log_mean.shape))
    for first in range(low, high + 1, BLOCK):
        counts = np.arange(first, min(first + BLOCK, high + 1), dtype=float)
        terms = count_log_probability(counts, log_mean[..., None], night_variance)
        new_top = np.maximum(top, terms.max(axis=-1))
        shares = np.exp(terms - new_top[..., None])
        block = np.stack([(shares * (counts - low) ** power).sum(axis=-1) for power in range(3)])
        sums, top = sums * np.exp(top - new_top) + block, new_top
    first_moment, second_moment = sums[1] / sums[0], sums[2] / sums[0]
    variance = np.maximum(second_moment - first_moment**2, 0.0)
    return ClassMoments(top + np.log(sums[0]), low + first_moment, variance)


def class_moments(low: int, high: int, log_mean: Floats, night_variance: float) -> ClassMoments:
    """Log probability of a class and the mean and variance of the count within it.

    Parameters: ``low`` and ``high`` the class, ``high`` -1 when open above; ``log_mean`` array;
    ``night_variance`` of the negative binomial (0: Poisson).
    Returns: ClassMoments of the shape of ``log_mean``. Raises: nothing.
    References: METHODS.md, section 4.
    """
    log_mean = np.asarray(log_mean, dtype=float)
    if high == OPEN_ABOVE:
        return open_class_moments(low, log_mean, night_variance)
    return closed_class_moments(low, high, log_mean, night_variance)


@lru_cache(maxsize=256)
def class_table(low: int, high: int, night_variance: float) -> ClassTable:
    """Tabulate a class once per night variance; reading it costs a few multiplications.

    Parameters: as :func:`class_moments`. Returns: ClassTable. Raises: nothing. References: METHODS.md, section 4.
    """
    grid = np.arange(TABLE_FROM, TABLE_TO + TABLE_STEP / 2, TABLE_STEP)
    moments = class_moments(low, high, grid, night_variance)
    values = np.stack([moments.log_probability, moments.mean, moments.variance], axis=1)
    pieces = interpolate.CubicSpline(grid, values).c
    return ClassTable(np.ascontiguousarray(np.transpose(pieces, (1, 2, 0))))


def distinct_classes(low: Ints, high: Ints) -> list[tuple[int, int, Ints]]:
    """List each class in use with the positions of its returns."""
    classed = np.flatnonzero(low != high)
    keys = low[classed] * (MOST_COUNT + 2) + high[classed] + 1
    kinds = [(int(key) // (MOST_COUNT + 2), int(key) % (MOST_COUNT + 2) - 1, key) for key in np.unique(keys)]
    return [(first, last, classed[keys == key]) for first, last, key in kinds]
