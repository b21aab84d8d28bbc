"""The design calculator: the chance to see a change, and how many gardens or nights that takes.

The chance is that of the change index itself: its scatter worked out on drawn gardens (design_scatter.py), its t
quantile with effective gardens, its rule that a variance is never below what the counts alone allow, and its F pivot
where animals are few (design_sparse.py). How near it comes to simulations of the index stands in METHODS.md, section
Design.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import special

from surveys.methods.design_records import (
    MOST_NIGHTS,
    DesignComponents,
    DesignSettings,
    PowerFigure,
    SurveyPlan,
    check_plan,
)
from surveys.methods.design_scatter import IndexScatter, index_scatter
from surveys.methods.design_sparse import blend, thin_power
from surveys.methods.gates import MOST_SITES_ASKED
from surveys.methods.level_records import Floats

FEWEST_SITES = 2
LEAST_DF = 1.0  # with less than two effective gardens the index gives no interval
SHARES = (np.arange(100) + 0.5) / 100.0  # of the distribution of the estimated standard error
REACH = np.arange(0.0, 6.0, 0.005)  # log ratios at which the least variance is looked at
MIDDLE_OF_BIAS = 0.5  # a log ratio leans to the left: its middle is off by about half as much as its mean (calibrated)


def power_of_change(
    sites: int, components: DesignComponents, plan: SurveyPlan, settings: DesignSettings
) -> PowerFigure:
    """Chance that the change index shows a change of ``plan.ratio`` with so many revisited gardens.

    Parameters: ``sites`` revisited gardens, 2 or more; ``components`` of the season; ``plan``; ``settings``.
    Returns: PowerFigure. Raises: ValueError with a sentence for a plan that cannot be computed.
    References: METHODS.md, section Design.
    """
    check_sites(sites)
    check_plan(components, plan)
    return power_at(sites, index_scatter(components, plan, settings), plan, settings)


def power_at(sites: int, scatter: IndexScatter, plan: SurveyPlan, settings: DesignSettings) -> PowerFigure:
    """Power with so many gardens, once the scatter per garden is known. Parameters and returns: as above."""
    error = math.sqrt(scatter.variance / sites)
    middle = scatter.limit + MIDDLE_OF_BIAS * scatter.bias / sites
    effective = sites * scatter.effective
    df = max(effective - 1.0, LEAST_DF)
    t = float(special.stdtrit(df, 0.5 + settings.confidence / 2.0))
    power = 0.0
    for side in (-1.0, 1.0):
        least = np.sqrt(counting_variance(side * REACH, plan) / sites)
        power += chance_beyond(middle, error, t=t, df=df, side=side, least=least)
    bias = middle - math.log(plan.ratio)
    power = blend(power, thin_power(sites, scatter, plan, settings, t=t, df=df, error=error))
    return PowerFigure(sites, power, error, bias, effective, df, gate_code(sites, effective, plan, settings))


def chance_beyond(middle: float, error: float, *, t: float, df: float, side: float, least: Floats) -> float:
    """Chance that the interval lies wholly on one side of "no change".

    The log ratio is normal around ``middle``; its estimated standard error is ``error`` times sqrt(chi^2 / df),
    independent of it, but never below that of the counts alone. Without that floor this is the power of a t test by the
    non-central t distribution, as a mean over the chi distribution.
    Parameters: ``middle`` and ``error`` of the log ratio; ``t`` quantile; ``df``; ``side`` -1 below, 1 above; ``least``
    standard error by the counts alone at log ratios ``side`` x REACH. Returns: share. Raises: nothing.
    References: Johnson & Welch 1940 (non-central t; from memory); the floor is that of the change index, METHODS.md,
    section Change.
    """
    beyond = np.flatnonzero(t * least < REACH)
    if beyond.size == 0:
        return 0.0
    estimated = error * np.sqrt(special.chdtri(df, 1.0 - SHARES) / df)
    needed = np.maximum(t * estimated, REACH[beyond[0]])
    return float(special.ndtr((side * middle - needed) / error).mean())


def counting_variance(log_ratio: Floats, plan: SurveyPlan) -> Floats:
    """Least variance of the log ratio per garden, 1 / animals in the season + 1 / animals in the base, by log ratio."""
    season, base = plan.nights * np.exp(log_ratio), plan.base_seasons * plan.base_nights
    return np.asarray((1.0 / season + 1.0 / base) / plan.rate)


def gate_code(sites: int, effective: float, plan: SurveyPlan, settings: DesignSettings) -> str:
    """Say whether the change index would be shown on average: planned, few_sites, few_animals, few_effective_sites."""
    if sites < settings.gate_sites:
        return "few_sites"
    if sites * animals_per_site(plan) < settings.gate_animals:
        return "few_animals"
    return "planned" if effective >= settings.gate_effective_sites else "few_effective_sites"


def animals_per_site(plan: SurveyPlan) -> float:
    """Animals expected in one garden, base and compared season together."""
    return plan.rate * (plan.base_seasons * plan.base_nights + plan.nights * plan.ratio)


def sites_for_power(
    wanted: float, components: DesignComponents, plan: SurveyPlan, settings: DesignSettings
) -> PowerFigure | None:
    """Find the fewest revisited gardens that pass the gate and reach the ``wanted`` power.

    Power rises with gardens, so halving finds the number. Parameters: ``wanted`` share below 1; others as above.
    Returns: PowerFigure of that number, None when even the most that may be asked do not reach it (as for no change).
    Raises: ValueError with a sentence for a plan that cannot be computed.
    """
    check_wanted(wanted)
    check_plan(components, plan)
    scatter = index_scatter(components, plan, settings)
    low, high = FEWEST_SITES, MOST_SITES_ASKED
    if not _reaches(power_at(high, scatter, plan, settings), wanted):
        return None
    while low < high:
        middle = (low + high) // 2
        if _reaches(power_at(middle, scatter, plan, settings), wanted):
            high = middle
        else:
            low = middle + 1
    return power_at(high, scatter, plan, settings)


def nights_for_power(
    wanted: float, sites: int, components: DesignComponents, plan: SurveyPlan, settings: DesignSettings
) -> tuple[int, PowerFigure] | None:
    """Find the fewest nights per garden and season, in the base as well, that reach the ``wanted`` power.

    Parameters: as above; the nights of ``plan`` are not used. Returns: nights with their PowerFigure, None when even
    60 nights do not reach it. Raises: ValueError with a sentence for a plan that cannot be computed.
    """
    check_wanted(wanted)
    low, high = 1, MOST_NIGHTS

    def figure(nights: int) -> PowerFigure:
        fixed = SurveyPlan(nights, nights, plan.base_seasons, plan.rate, plan.ratio)
        return power_of_change(sites, components, fixed, settings)

    if not _reaches(figure(high), wanted):
        return None
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if _reaches(figure(middle), wanted) else (middle + 1, high)
    return high, figure(high)


def gardens_to_invite(revisited: int, return_share: float) -> int:
    """Gardens to invite so that ``revisited`` come back when a ``return_share`` (above 0, up to 1) of them does.

    Returns: whole number. Raises: ValueError for a share outside its range.
    """
    if not 0.0 < return_share <= 1.0:
        raise ValueError(f"The share that comes back: found {return_share:g}, expected above 0 and up to 1.")
    return math.ceil(revisited / return_share - 1e-9)


def check_sites(sites: int) -> None:
    """Refuse fewer than two gardens: one garden has no scatter between gardens."""
    if not FEWEST_SITES <= sites <= MOST_SITES_ASKED:
        raise ValueError(
            f"Gardens: found {sites}, expected {FEWEST_SITES} to {MOST_SITES_ASKED}. Give a whole number in that range."
        )


def check_wanted(wanted: float) -> None:
    """Refuse a power that no design has."""
    if not 0.0 < wanted < 1.0:
        raise ValueError(f"Wanted chance: found {wanted:g}, expected between 0 and 1. 0.8 is usual.")


def _reaches(figure: PowerFigure, wanted: float) -> bool:
    return figure.code == "planned" and figure.power >= wanted
