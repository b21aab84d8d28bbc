"""Sample coverage: the share of all sightings-to-come that belongs to groups already seen.

Between whole numbers of units the coverage is interpolated on a straight line, as the Hill numbers are.
"""

from __future__ import annotations

import bisect
import math

import numpy as np
from scipy import special

from surveys.methods.groups_seen_records import Incidence
from surveys.methods.groups_seen_richness import unseen_groups


def missed_share(incidence: Incidence) -> float:
    """Return A = T Q_0 / (T Q_0 + Q_1), the factor by which each further unit shrinks what is missed.

    Parameters: ``incidence``. Returns: from 0 to below 1; 0 when no group was seen only once. Raises: nothing.
    References: Chao & Jost 2012, Ecology 93: 2533-2547; equals ((T-1) Q_1) / ((T-1) Q_1 + 2 Q_2) when Q_2 > 0.
    """
    unseen = incidence.units * unseen_groups(incidence)
    return unseen / (unseen + incidence.seen_on(1)) if unseen else 0.0


def rarefied_coverage(incidence: Incidence, units: int) -> float:
    """Expected coverage of ``units`` t of the T units: 1 - sum_i Y_i/U C(T-Y_i, t) / C(T-1, t).

    Parameters: ``incidence`` with a sighting; ``units`` t, a whole number from 0 to T-1. Returns: share.
    Raises: nothing. References: Chao & Jost 2012, equation for rarefied coverage; for incidence Chao et al. 2014.
    """
    whole = incidence.units
    values = incidence.positive[incidence.positive <= whole - units]
    log_missed = (
        special.gammaln(whole - values + 1.0)
        - special.gammaln(whole - values - units + 1.0)
        - special.gammaln(whole)
        + special.gammaln(whole - units)
    )
    return min(max(1.0 - float(values @ np.exp(log_missed)) / incidence.total, 0.0), 1.0)


def coverage_at(incidence: Incidence, units: float) -> float:
    """Expected coverage of any number of sampling units: rarefied below T, from T on 1 - Q_1/U A^(t-T+1).

    Parameters: ``incidence``; ``units`` t of 0 or more, infinite allowed. Returns: share; 0 where there is no way
    to know: nothing seen, or one unit only. Raises: nothing. References: Chao & Jost 2012; Chao et al. 2014.
    """
    whole, total = incidence.units, incidence.total
    if total == 0 or whole < 2:
        return 0.0
    if units >= whole:
        return 1.0 - incidence.seen_on(1) / total * float(missed_share(incidence) ** (units - whole + 1.0))
    below = math.floor(units)
    low = rarefied_coverage(incidence, below)
    high = coverage_at(incidence, whole) if below + 1 == whole else rarefied_coverage(incidence, below + 1)
    return low + (units - below) * (high - low)


def effort_for_coverage(incidence: Incidence, coverage: float) -> float:
    """Return the smallest number of units, one or more, at which ``coverage`` is expected.

    Parameters: ``incidence``; ``coverage`` share. Returns: units t, infinite when no effort reaches it; 1 when one
    unit already does. Raises: nothing. References: Chao & Jost 2012 (coverage-based rarefaction and extrapolation).
    """
    if coverage > coverage_at(incidence, incidence.units):
        return effort_beyond(incidence, coverage)
    above = bisect.bisect_left(range(incidence.units + 1), coverage, lo=1, key=lambda t: coverage_at(incidence, t))
    low, high = coverage_at(incidence, above - 1), coverage_at(incidence, above)
    return 1.0 if above <= 1 else above - 1 + (coverage - low) / (high - low)


def effort_beyond(incidence: Incidence, coverage: float) -> float:
    """Solve 1 - Q_1/U A^(t-T+1) = coverage for t above T; infinite where the curve never gets there."""
    left, once = missed_share(incidence), incidence.seen_on(1)
    if coverage >= 1.0 or left <= 0.0 or once == 0:
        return math.inf
    return incidence.units - 1.0 + math.log((1.0 - coverage) * incidence.total / once) / math.log(left)
