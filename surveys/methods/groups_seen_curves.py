"""Hill numbers of incidence frequencies: as observed, for an endless season, and at any number of units.

Order 0 counts all groups alike, order 1 weighs them by how often they are seen, order 2 counts the very common ones.
Between whole numbers of units every Hill number is interpolated on a straight line.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import integrate, special

from surveys.methods.groups_seen_coverage import missed_share
from surveys.methods.groups_seen_records import Floats, Incidence
from surveys.methods.groups_seen_richness import chao2, groups_seen_count, unseen_groups

Triple = tuple[float, float, float]


def observed_hill(incidence: Incidence) -> Triple:
    """Hill numbers of orders 0, 1, 2 of the shares Y_i / U: S, exp(-sum p log p), 1 / sum p^2.

    Parameters: ``incidence``. Returns: three numbers, all 0 when nothing was seen. Raises: nothing.
    References: Hill 1973, Ecology 54: 427-432; for incidence Chao et al. 2014, Ecol. Monogr. 84: 45-67.
    """
    if incidence.total == 0:
        return 0.0, 0.0, 0.0
    share = incidence.positive / incidence.total
    entropy = float(special.entr(share).sum())
    return float(share.size), math.exp(entropy), float(1.0 / np.square(share).sum())


def asymptotic_shannon(incidence: Incidence) -> float:
    """Estimate the Hill number of order 1 of an endless number of units, exp of the Chao-Shannon entropy.

    H_o = sum_i Y_i/T (psi(T) - psi(Y_i)) + Q_1/T :func:`entropy_tail`, then (T/U) H_o + log(U/T).
    Parameters: ``incidence``. Returns: 0 when nothing was seen. Raises: nothing.
    References: Chao, Wang & Jost 2013, Methods Ecol. Evol. 4: 1091-1100; for incidence Chao et al. 2014, appendix
    (equations from memory).
    """
    units, total, positive = incidence.units, incidence.total, incidence.positive
    if total == 0:
        return 0.0
    seen_part = float((positive / units * (special.digamma(units) - special.digamma(positive))).sum())
    unseen_part = incidence.seen_on(1) / units * entropy_tail(missed_share(incidence), units)
    return math.exp(units / total * (seen_part + unseen_part) + math.log(total / units))


def entropy_tail(left: float, units: int) -> float:
    """Return sum_{r >= T} A^(r-T+1) / r, the part of the entropy that unseen groups hold; ``left`` A, ``units`` T.

    Written as x/T times the integral over w > 0 of exp(-w) / (1 + x (1 - exp(-w/T))), x = A / (1 - A): the sum loses
    all its digits to cancellation in the usual form and takes 10^5 terms in this one.
    References: Chao, Wang & Jost 2013 (the sum); Euler's integral of the hypergeometric function, DLMF 15.6.1.
    """
    if left <= 0.0:
        return 0.0
    odds = left / (1.0 - left)
    whole = integrate.quad(lambda w: math.exp(-w) / (1.0 - odds * math.expm1(-w / units)), 0.0, math.inf)[0]
    return float(odds / units * whole)


def asymptotic_simpson(incidence: Incidence) -> float:
    """Estimate the Hill number of order 2 of an endless number of units: U^2 (T-1)/T / sum_i Y_i (Y_i - 1).

    Where no group was seen twice the sum is 0; Chao2, which no Hill number exceeds, is then returned.
    Parameters: ``incidence``. Returns: a finite number. Raises: nothing.
    References: Chao et al. 2014, appendix H, for incidence (number from memory).
    """
    pairs = repeats(incidence)
    return 1.0 / pairs if pairs > 0.0 else chao2(incidence)


def asymptotic_hill(incidence: Incidence) -> Triple:
    """Return the asymptotic Hill numbers of orders 0 (Chao2), 1 and 2. References: Chao et al. 2014."""
    return in_order(chao2(incidence), asymptotic_shannon(incidence), asymptotic_simpson(incidence))


def in_order(zero: float, one: float, two: float) -> Triple:
    """Let no Hill number exceed the one of the order below, which holds by definition and may fail for estimates."""
    return zero, min(zero, one), min(zero, one, two)


def repeats(incidence: Incidence) -> float:
    """Return T/(T-1) sum_i Y_i (Y_i - 1) / U^2, the unbiased sum of squared shares; 0 below two units."""
    if incidence.units < 2 or incidence.total == 0:
        return 0.0
    pairs = float((incidence.positive * (incidence.positive - 1.0)).sum())
    return pairs * incidence.units / (incidence.units - 1.0) / incidence.total**2


def rarefied_frequencies(incidence: Incidence, units: int) -> Floats:
    """Return the expected Q_k of ``units`` drawn from the T without putting back, for k = 0 ... max Y.

    Q_k(t) = sum_i C(Y_i, k) C(T - Y_i, t - k) / C(T, t), over the groups that were seen.
    Parameters: ``units`` t, a whole number from 0 to T. Returns: array, its sum is S. Raises: nothing.
    References: Chao et al. 2014, equation for incidence in appendix (number from memory).
    """
    values, times = np.unique(incidence.positive.astype(float), return_counts=True)
    held = np.arange(int(values.max(initial=0)) + 1.0)
    log_chance = (
        log_choose(values[:, None], held)
        + log_choose(incidence.units - values[:, None], units - held)
        - log_choose(np.array(float(incidence.units)), np.array(float(units)))
    )
    return np.asarray(times @ np.exp(log_chance))


def log_choose(among: Floats, chosen: Floats) -> Floats:
    """Return log C(n, k) and minus infinity where k is below 0 or above n."""
    possible = (chosen >= 0) & (chosen <= among)
    part = np.where(possible, chosen, 0.0)
    return np.asarray(
        np.where(
            possible,
            special.gammaln(among + 1.0) - special.gammaln(part + 1.0) - special.gammaln(among - part + 1.0),
            -np.inf,
        )
    )


def rarefied_hill(incidence: Incidence, units: int) -> Triple:
    """Hill numbers expected of ``units`` t of the T units, t a whole number from 0 to T.

    The expected Q_k(t) are read as a collection of groups with shares k / U_t, U_t = t U / T.
    Parameters: ``incidence``, ``units``. Returns: three numbers; 0 for no units. Raises: nothing.
    References: Chao et al. 2014, Ecol. Monogr. 84: 45-67; order 0 is Mao Tau, Colwell, Mao & Chang 2004.
    """
    if units == 0 or incidence.total == 0:
        return 0.0, 0.0, 0.0
    expected = rarefied_frequencies(incidence, units)
    share = np.arange(expected.size) / (units * incidence.total / incidence.units)
    entropy = float(expected @ special.entr(share))
    return float(expected[1:].sum()), math.exp(entropy), 1.0 / float(expected @ share**2)


def extrapolated_hill(incidence: Incidence, units: float) -> Triple:
    """Hill numbers expected of ``units`` t, T or more (infinite allowed: the asymptotic numbers).

    Order 0: S + Q_0 (1 - w^(t-T)). Order 1: D(T) + (D(inf) - D(T)) (1 - (1-b)^(t-T)), where b is the share of the
    way to the end that the last unit went, (D(T) - D(T-1)) / (D(inf) - D(T-1)); this form, not the weighted mean
    of entropies of Chao et al. 2014, is the one implemented. Order 2: 1 / (T/(t U) + (t-1)/t sum of squares).
    Parameters: ``incidence``, ``units``. Returns: three finite numbers. Raises: nothing.
    References: orders 0 and 2 Chao et al. 2014; order 1 Chao et al. 2020, Ecol. Res. 35: 292-314 (from memory).
    """
    if incidence.total == 0:
        return 0.0, 0.0, 0.0
    more = units - incidence.units
    unseen, left = unseen_groups(incidence), missed_share(incidence)
    seen = groups_seen_count(incidence) + unseen * (1.0 - float(left**more) if more else 0.0)
    return in_order(seen, extrapolated_shannon(incidence, more), simpson_at(incidence, units))


def extrapolated_shannon(incidence: Incidence, more: float) -> float:
    """Hill number of order 1 of ``more`` units beyond those of the sample; see :func:`extrapolated_hill`."""
    here = observed_hill(incidence)[1]
    end = max(asymptotic_shannon(incidence), here)
    before = rarefied_hill(incidence, incidence.units - 1)[1]
    if more == 0 or end <= here or end <= before:
        return here
    step = min(max((here - before) / (end - before), 0.0), 1.0)
    return here + (end - here) * (1.0 - float((1.0 - step) ** more))


def simpson_at(incidence: Incidence, units: float) -> float:
    """Hill number of order 2 of any number of units above 0: 1 / (T/(t U) + (t-1)/t times :func:`repeats`)."""
    if math.isinf(units):
        return asymptotic_simpson(incidence)
    if incidence.units < 2:
        return observed_hill(incidence)[2]
    alone = incidence.units / (units * incidence.total)
    return 1.0 / (alone + (units - 1.0) / units * repeats(incidence))


def hill_at(incidence: Incidence, units: float) -> Triple:
    """Hill numbers of orders 0, 1, 2 at any ``units``: rarefied below T, extrapolated above.

    Parameters: ``incidence``; ``units`` t of 0 or more. Returns: three finite numbers. Raises: nothing.
    References: see :func:`rarefied_hill`, :func:`extrapolated_hill`; a straight line between whole numbers below T.
    """
    if units >= incidence.units:
        return extrapolated_hill(incidence, units)
    below = math.floor(units)
    part = units - below
    low = rarefied_hill(incidence, below)
    if part == 0.0:
        return low
    high = rarefied_hill(incidence, below + 1)
    first, second, third = (a + part * (b - a) for a, b in zip(low, high, strict=True))
    return first, second, third


def rarefied_variance(incidence: Incidence, units: int) -> float:
    """Unconditional variance of the rarefied number of groups for independent units.

    sum_k (1 - alpha_k)^2 Q_k - S(t)^2 / S_est, alpha_k = C(T-k, t) / C(T, t), S_est = Chao2.
    Parameters: ``units`` t, a whole number from 0 to T. Returns: zero or more. Raises: nothing.
    References: Colwell et al. 2012, J. Plant Ecol. 5: 3-21, equation 19 (number from memory).
    """
    values, drawn, whole = incidence.positive.astype(float), np.array(float(units)), np.array(float(incidence.units))
    if values.size == 0:
        return 0.0
    found = -np.expm1(log_choose(whole - values, drawn) - log_choose(whole, drawn))
    return max(float(np.square(found).sum() - found.sum() ** 2 / chao2(incidence)), 0.0)
