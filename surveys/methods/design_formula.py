"""Planning formulas in closed form: the standard error of a change and of a level, and the power of a t test.

METHODS.md, section Design. The formula for a change takes each garden's level as known; against simulations of the
change index it was off by up to 0.12 of power (most with unequal nights). :mod:`surveys.methods.design` replaces its
variance by that of the index itself; this one stays because it can be followed by hand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from surveys.methods.design_records import DesignComponents, DesignSettings, SurveyPlan
from surveys.methods.level_records import Floats

LAGUERRE_NODES = 40
NEARLY_EVEN = 0.01  # below this variation between gardens all of them are taken as alike (1/sS above 170 overflows)


@dataclass(frozen=True, slots=True)
class PlannedScatter:
    """``variance`` of the log ratio per garden and the ``effective`` share of the gardens; divide by, times S."""

    variance: float
    effective: float


def site_quadrature(site_variance: float) -> tuple[Floats, Floats]:
    """Return nodes and weights (summing to 1) for a mean over u ~ Gamma(shape 1/sS, mean 1).

    Generalised Gauss-Laguerre with alpha = 1/sS - 1, which lies between -1 and 0 for sS > 1.
    Parameters: ``site_variance`` sS >= 0; near 0 a single node at 1. Returns: nodes, weights. Raises: nothing.
    References: Abramowitz & Stegun 1964, 25.4.45 (alpha = 0) and its generalisation (from memory).
    """
    if site_variance < NEARLY_EVEN:
        return np.ones(1), np.ones(1)
    nodes, weights = special.roots_genlaguerre(LAGUERRE_NODES, 1.0 / site_variance - 1.0)
    return np.asarray(nodes * site_variance), np.asarray(weights / weights.sum())


def formula_scatter(components: DesignComponents, plan: SurveyPlan, settings: DesignSettings) -> PlannedScatter:
    """Variance of the log ratio per garden if every garden's level were known.

    A = [1/(n_c rho) + 1/(k n_b)]/m; B = sO/n_c + sP + (sO/n_b + sP)/k; Bw = V [1/n_c + 1/(k n_b)];
    i(u) = u/(A + Bw u); variance = E[i^2 (A/u + B)]/(E i)^2; effective share = (E i)^2 / E i^2.
    Parameters: ``components``; ``plan``; ``settings`` with V. Returns: PlannedScatter. Raises: nothing.
    References: own construction, METHODS.md, section Design (a sandwich variance; Liang & Zeger 1986, from memory).
    """
    n_c, n_b, k = plan.nights, plan.base_nights, plan.base_seasons
    counting = (1.0 / (n_c * plan.ratio) + 1.0 / (k * n_b)) / plan.rate
    uneven = components.night / n_c + components.site_season + (components.night / n_b + components.site_season) / k
    working = settings.working_night_variance * (1.0 / n_c + 1.0 / (k * n_b))
    u, weight = site_quadrature(components.site)
    share = u / (counting + working * u)
    mean, square = float(weight @ share), float(weight @ share**2)
    # i^2 A / u written as i A / (A + Bw u), finite where the lowest node is almost 0
    top = float(weight @ (share * counting / (counting + working * u) + share**2 * uneven))
    return PlannedScatter(top / mean**2, mean**2 / square)


def t_test_power(shift: float, df: float, confidence: float) -> float:
    """Chance that a two-sided t test rejects when the estimate is ``shift`` standard errors from "no change".

    Phi[(|shift| - t (1 - 1/(4 df))) / sqrt(1 + t^2/(2 df))] plus the same for the other tail.
    Parameters: ``shift``; ``df`` > 0; ``confidence``. Returns: share. Raises: nothing.
    References: Abramowitz & Stegun 1964, 26.7.10 (normal approximation of the non-central t; from memory).
    """
    t = float(special.stdtrit(df, 0.5 + confidence / 2.0))
    middle, spread = t * (1.0 - 1.0 / (4.0 * df)), math.sqrt(1.0 + t**2 / (2.0 * df))
    return float(sum(special.ndtr((side * abs(shift) - middle) / spread) for side in (1.0, -1.0)))


def formula_power(sites: int, components: DesignComponents, plan: SurveyPlan, settings: DesignSettings) -> float:
    """Power by the closed formula; :func:`surveys.methods.design.power_of_change` is nearer the truth.

    Parameters: number of revisited ``sites``; ``components``; ``plan``; ``settings``. Returns: share.
    Raises: nothing. References: METHODS.md, section Design.
    """
    scatter = formula_scatter(components, plan, settings)
    df = max(sites * scatter.effective - 1.0, 0.5)
    return t_test_power(math.log(plan.ratio) / math.sqrt(scatter.variance / sites), df, settings.confidence)


def garden_variance(rate: float, nights: float, components: DesignComponents) -> float:
    """Squared relative error of a level from one garden: 1/(m n) + sS + sO (1 + sS)/n.

    Parameters: ``rate`` m per trap-night > 0; ``nights`` n > 0; ``components``. Returns: variance. Raises: nothing.
    References: variance of a mean of gamma-mixed negative binomial counts; METHODS.md, section Design.
    """
    return 1.0 / (rate * nights) + components.site + components.night * (1.0 + components.site) / nights


def level_error(sites: int, rate: float, nights: float, components: DesignComponents) -> float:
    """Relative standard error of a regional level: sqrt of :func:`garden_variance` over the number of gardens."""
    return math.sqrt(garden_variance(rate, nights, components) / sites)


def sites_for_level(wanted_error: float, rate: float, nights: float, components: DesignComponents) -> int:
    """Fewest gardens for a relative standard error of at most ``wanted_error`` (> 0).

    Parameters: as :func:`level_error`. Returns: whole number, at least 1. Raises: nothing.
    """
    return max(1, math.ceil(garden_variance(rate, nights, components) / wanted_error**2 - 1e-9))
