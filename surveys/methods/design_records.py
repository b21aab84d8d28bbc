"""What goes into the design calculator, and what comes out of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

LARGEST_COMPONENT = 50.0  # squared coefficient of variation; a garden or night more uneven than this is a mistake
MOST_NIGHTS = 60
MOST_BASE_SEASONS = 10
SMALLEST_RATE, LARGEST_RATE = 1e-3, 1e4  # animals per trap-night
SMALLEST_RATIO, LARGEST_RATIO = 0.01, 100.0


@dataclass(frozen=True, slots=True)
class DesignComponents:
    """Squared coefficients of variation: of ``site`` (between gardens), ``night`` (within a garden and season) and
    ``site_season`` (a garden's own ups and downs from season to season). 0 means none."""

    site: float
    night: float
    site_season: float = 0.1  # planning value of this project's simulations; no source


@dataclass(frozen=True, slots=True)
class SurveyPlan:
    """How a change is looked for: ``nights`` per garden in the season that is compared, ``base_nights`` per garden in
    each of ``base_seasons``, the usual ``rate`` (animals per trap-night, mean over gardens) and the ``ratio`` that one
    wants to see (0.7 is a loss of 30 %). Gardens are those that come back: visited in the base and in the season."""

    nights: int
    base_nights: int
    base_seasons: int
    rate: float
    ratio: float


@dataclass(frozen=True, slots=True)
class DesignSettings:
    """Constants of the calculator: level of the test, the gate of the change index, and the drawn gardens."""

    confidence: float = 0.95
    working_night_variance: float = 0.3  # that of the change index
    gate_sites: int = 10  # the gate of the change index
    gate_effective_sites: float = 6.0
    gate_animals: float = 20.0
    drawn_gardens: int = 1024  # a power of two, as Sobol points ask for
    seed: int = 20260321  # any fixed number: the same question always gets the same answer


@dataclass(frozen=True, slots=True)
class PowerFigure:
    """``power`` is the chance that the interval of the change index leaves out "no change".

    ``log_se`` is the standard error of the log ratio, ``log_bias`` how far its middle lies from the truth,
    ``effective_sites`` = 1 / sum of squared shares of information, ``df`` of the t quantile. ``code`` says what the
    gate would make of such a design: planned, few_sites, few_effective_sites or few_animals.
    """

    sites: int
    power: float
    log_se: float
    log_bias: float
    effective_sites: float
    df: float
    code: str


def check_plan(components: DesignComponents, plan: SurveyPlan) -> None:
    """Refuse a plan that cannot be computed.

    Parameters: ``components``; ``plan``. Returns: nothing. Raises: ValueError, one sentence per fault, all of them.
    """
    limits = (
        ("The variation between gardens", components.site, 0.0, LARGEST_COMPONENT),
        ("The variation between nights", components.night, 0.0, LARGEST_COMPONENT),
        ("The variation from season to season", components.site_season, 0.0, LARGEST_COMPONENT),
        ("Nights per garden", plan.nights, 1, MOST_NIGHTS),
        ("Nights per garden in a base season", plan.base_nights, 1, MOST_NIGHTS),
        ("Seasons in the base", plan.base_seasons, 1, MOST_BASE_SEASONS),
        ("Animals per trap-night", plan.rate, SMALLEST_RATE, LARGEST_RATE),
        ("The ratio to be seen", plan.ratio, SMALLEST_RATIO, LARGEST_RATIO),
    )
    faults = [
        f"{name}: found {value:g}, expected {low:g} to {high:g}. Give a number in that range."
        for name, value, low, high in limits
        if not (math.isfinite(value) and low <= value <= high)
    ]
    if faults:
        raise ValueError(" ".join(faults))
