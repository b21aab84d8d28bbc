"""Intervals for rates: the matched negative-binomial pivot, exact Poisson limits, and MOVER."""

from __future__ import annotations

import numpy as np
from scipy import special

from surveys.methods.level_records import Floats

NEARLY_POISSON = 1e8  # above this size the beta and the gamma quantile agree to 7 digits
SMALLEST_SHARE = 1e-300  # keeps the odds finite in the most clumped cell
LARGEST_LOG = 700.0  # exp() of more would overflow


def exact_poisson_limits(counts: Floats, *, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Exact two-sided limits for the mean of a Poisson count.

    Parameters: ``counts`` array of any shape; ``confidence`` share.
    Returns: lower (0 at a count of 0) and upper limits of the same shape. Raises: nothing.
    References: Garwood 1936, as chi-square quantiles.
    """
    tail = (1.0 - confidence) / 2.0
    counts = np.asarray(counts, dtype=float)
    lower = np.where(counts > 0, special.gammaincinv(np.where(counts > 0, counts, 1.0), tail), 0.0)
    return lower, np.asarray(special.gammaincinv(counts + 1.0, 1.0 - tail))


def pivot_limit(total: Floats, exposure: Floats, dispersion: Floats, size: Floats, *, below: float) -> Floats:
    """Return the rate at which a share ``below`` of the confidence distribution lies below it.

    The weighted total over ``dispersion`` is taken as negative binomial with mean rate x exposure /
    dispersion and the given size; half an animal is added (the mid-p-like choice).
    Parameters: arrays of one shape, weighted total, exposure, dispersion phi and size kappa; ``below`` share.
    Returns: rates per unit of exposure, always finite. Raises: nothing.
    References: METHODS.md, section 5.5; Fay & Feuer 1997 (weighted Poisson sums).
    """
    animals = total / dispersion + 0.5
    clumped = np.minimum(size, NEARLY_POISSON)
    share = np.maximum(special.betaincinv(clumped, animals, 1.0 - below), SMALLEST_SHARE)
    odds = clumped * special.betaincinv(animals, clumped, below) / share
    mean = np.where(size >= NEARLY_POISSON, special.gammaincinv(animals, below), odds)
    return np.asarray(mean * dispersion / exposure)


def mover_limit(median: Floats, limit: Floats, log_variance: Floats, *, z: float) -> Floats:
    """Widen one limit of a rate for a second, independent factor on the log scale.

    log limit = log median +- sqrt((log limit - log median)^2 + z^2 v), on the side where the limit lies.
    Parameters: ``median`` and ``limit`` rates; ``log_variance`` v of the log of the factor; ``z`` its quantile,
    negative for a lower limit, which tells the side where limit and median are one.
    Returns: limits; a limit of 0 stays 0. Raises: nothing.
    References: METHODS.md, section 5.7; Zou & Donner 2008.
    """
    above_zero = limit > 0
    gap = np.log(np.where(above_zero, limit, median)) - np.log(median)
    reach = np.sqrt(gap**2 + z**2 * log_variance)
    side = np.where(gap == 0, np.sign(z), np.sign(gap))
    moved = np.exp(np.minimum(np.log(median) + side * reach, LARGEST_LOG))
    return np.asarray(np.where(above_zero, moved, 0.0))


def normal_quantile(confidence: float) -> float:
    """Return the two-sided normal quantile, 1.96 at 0.95."""
    return float(special.ndtri(0.5 + confidence / 2.0))
