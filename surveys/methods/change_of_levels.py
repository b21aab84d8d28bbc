"""The ratio of two levels that come from different gardens, where no garden can be compared with itself."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LevelRatio:
    """``ratio`` and its limits; None where the denominator's estimate, or its lower limit, is zero."""

    ratio: float | None
    low: float | None
    high: float | None


def ratio_of_levels(above: tuple[float, float, float], below: tuple[float, float, float]) -> LevelRatio:
    """Divide one level by another, with limits recovered from theirs (MOVER-R).

    With estimates a, b and limits (l, u) of each, A = a b, P(x, y) = x (2a - x) y (2b - y): the lower limit is
    (A - sqrt(A^2 - P(l_a, u_b))) / (u_b (2b - u_b)), the upper one (A + sqrt(A^2 - P(u_a, l_b))) / (l_b (2b - l_b)).
    The first is written with the conjugate root, which is safe where u_b is near 2b.
    Parameters: ``above`` and ``below``: estimate, low and high, per trap-night, of independent levels (different
    gardens; where gardens are shared use the change index instead).
    Returns: LevelRatio; the lower limit is 0 where that of ``above`` is; the upper one is None where the lower limit
    of ``below`` is 0, since the ratio then has no upper bound.
    Raises: ValueError when an estimate does not lie within its limits, or a number is negative or not finite.
    References: Donner & Zou 2012, eq. 9 (read in the documentation of R packages that implement it, not opened).
    """
    for estimate, low, high in (above, below):
        if not 0.0 <= low <= estimate <= high < math.inf:
            raise ValueError(f"found {low}, {estimate}, {high}; expected 0 <= low <= estimate <= high, all finite")
    (a, low_a, high_a), (b, low_b, high_b) = above, below
    if b == 0.0:
        return LevelRatio(None, None, None)
    product = a * b
    low_square = product**2 - low_a * (2 * a - low_a) * high_b * (2 * b - high_b)
    low_ratio = low_a * (2 * a - low_a) / (product + math.sqrt(max(low_square, 0.0))) if low_a > 0.0 else 0.0
    high_ratio = None
    if low_b > 0.0:
        high_square = product**2 - high_a * (2 * a - high_a) * low_b * (2 * b - low_b)
        high_ratio = (product + math.sqrt(max(high_square, 0.0))) / (low_b * (2 * b - low_b))
    return LevelRatio(a / b, low_ratio, high_ratio)
