"""How many groups there are to see: the estimators of Chao with their variances and intervals.

Every equation is written for incidence frequencies: Y_i of T units held group i, Q_k groups were in exactly k units.
"""

from __future__ import annotations

import math

import numpy as np

from surveys.methods.groups_seen_records import Incidence


def groups_seen_count(incidence: Incidence) -> int:
    """Return S, the number of groups seen at least once. Raises: nothing."""
    return int(np.count_nonzero(incidence.frequencies))


def unit_factor(incidence: Incidence) -> float:
    """Return (T - 1) / T, or 0 without units: Chao's correction for a finite number of units."""
    return (incidence.units - 1) / incidence.units if incidence.units else 0.0


def unseen_groups(incidence: Incidence) -> float:
    """Estimate Q_0, the groups that were there and not seen: (T-1)/T Q_1^2 / (2 Q_2), a lower bound.

    Without a group seen twice: (T-1)/T Q_1 (Q_1 - 1) / 2.
    Parameters: ``incidence``. Returns: zero or more. Raises: nothing.
    References: Chao 1987, Biometrics 43: 783-791; with (T-1)/T as in Colwell et al. 2012, J. Plant Ecol. 5: 3-21.
    """
    once, twice = incidence.seen_on(1), incidence.seen_on(2)
    pairs = once**2 / (2.0 * twice) if twice else once * (once - 1) / 2.0
    return unit_factor(incidence) * pairs


def chao2(incidence: Incidence) -> float:
    """Estimate the number of groups there are to see: S + Q_0 (Chao2; Chao1 where units are individuals).

    Parameters: ``incidence``. Returns: at least the groups seen. Raises: nothing. References: Chao 1987.
    """
    return groups_seen_count(incidence) + unseen_groups(incidence)


def chao2_bias_corrected(incidence: Incidence) -> float:
    """Estimate the same with less bias when few groups are rare: S + (T-1)/T Q_1 (Q_1 - 1) / (2 (Q_2 + 1)).

    Parameters: ``incidence``. Returns: at least the groups seen. Raises: nothing.
    References: Chao 2005, Encyclopedia of Statistical Sciences 12: 7907-7916 (from memory).
    """
    once, twice = incidence.seen_on(1), incidence.seen_on(2)
    return groups_seen_count(incidence) + unit_factor(incidence) * once * (once - 1) / (2.0 * (twice + 1))


def chao2_variance(incidence: Incidence) -> float:
    """Variance of Chao2 for independent units: Q_2 (a r^2 / 2 + a^2 r^3 + a^2 r^4 / 4), r = Q_1 / Q_2, a = (T-1)/T.

    Without a group seen twice: a Q_1 (Q_1-1)/2 + a^2 Q_1 (2 Q_1-1)^2 / 4 - a^2 Q_1^4 / (4 Chao2). Without a group
    seen once the estimate is the groups seen, and the variance is taken as 0.
    Parameters: ``incidence``. Returns: zero or more. Raises: nothing.
    References: Chao 1987, equation for the variance; Colwell's EstimateS guide, appendix B (from memory).
    """
    once, twice, a = incidence.seen_on(1), incidence.seen_on(2), unit_factor(incidence)
    if once == 0:
        return 0.0
    if twice == 0:
        spread = a * once * (once - 1) / 2.0 + (a * (2 * once - 1)) ** 2 * once / 4.0
        return max(spread - a**2 * once**4 / (4.0 * chao2(incidence)), 0.0)
    ratio = once / twice
    return twice * (a * ratio**2 / 2.0 + a**2 * ratio**3 + a**2 * ratio**4 / 4.0)


def chao2_bias_corrected_variance(incidence: Incidence) -> float:
    """Variance of the bias-corrected Chao2 for independent units.

    a Q_1(Q_1-1) / (2(Q_2+1)) + a^2 Q_1(2Q_1-1)^2 / (4(Q_2+1)^2) + a^2 Q_1^2 Q_2 (Q_1-1)^2 / (4(Q_2+1)^4).
    Parameters: ``incidence``. Returns: zero or more. Raises: nothing.
    References: Colwell's EstimateS guide, appendix B (from memory), after Chao 1987.
    """
    once, more, a = incidence.seen_on(1), incidence.seen_on(2) + 1, unit_factor(incidence)
    first = a * once * (once - 1) / (2.0 * more)
    second = a**2 * once * (2 * once - 1) ** 2 / (4.0 * more**2)
    third = a**2 * once**2 * (more - 1) * (once - 1) ** 2 / (4.0 * more**4)
    return first + second + third


def log_normal_limits(seen: float, estimate: float, variance: float, *, quantile: float) -> tuple[float, float]:
    """Limits for a number of groups that is never below those seen: S + d / K and S + d K, d = estimate - S.

    K = exp(quantile x sqrt(log(1 + variance / d^2))): the unseen part is taken as log-normal.
    Parameters: ``seen`` S; ``estimate`` >= S; its ``variance``; ``quantile``, 1.96 for 95 %.
    Returns: lower and upper limit, both S when nothing is estimated to be unseen. Raises: nothing.
    References: Chao 1987, Biometrics 43: 783-791, interval after equation 12 (number from memory).
    """
    unseen = estimate - seen
    if unseen <= 0.0:
        return seen, seen
    spread = math.exp(quantile * math.sqrt(math.log1p(variance / unseen**2)))
    return seen + unseen / spread, seen + unseen * spread
