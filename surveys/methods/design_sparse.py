"""Thin designs: what the change index does where it expects few animals, and how often it then shows a change.

With fewer than 5 animals in the season (or 10 in the base) the index uses an F pivot on the totals instead of the
scatter between gardens (change_sparse.py). Whole regions are put together from the drawn gardens with a fixed seed, and
in each thin one the two rules are compared. Own construction, METHODS.md, section Design.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surveys.methods.change_records import ChangeSettings
from surveys.methods.change_sparse import f_limit
from surveys.methods.design_records import DesignSettings, SurveyPlan
from surveys.methods.design_scatter import IndexScatter
from surveys.methods.level_records import Floats

REGIONS = 2000  # put together; fewer where they are large
MOST_GARDENS = 400_000  # in all of them
FEWEST_REGIONS = 200
ALL_THIN = 0.1  # share of thin regions from which on only the regions put together count (calibrated)
CLEARLY_ENOUGH = 8.0  # times the sparse limits: beyond, no region is thin
RULES = ChangeSettings()


def can_be_thin(sites: int, plan: SurveyPlan) -> bool:
    """Say whether a region of so many gardens could hold few enough animals for the F pivot."""
    season = sites * plan.rate * plan.nights * plan.ratio
    base = sites * plan.rate * plan.base_seasons * plan.base_nights
    return season < CLEARLY_ENOUGH * RULES.sparse_period_animals or base < CLEARLY_ENOUGH * RULES.sparse_base_animals


@dataclass(frozen=True, slots=True)
class ThinPower:
    """``power`` over all regions put together, and the share of them that is ``thin``."""

    power: float
    thin: float


def thin_power(
    sites: int, scatter: IndexScatter, plan: SurveyPlan, settings: DesignSettings, *, t: float, df: float, error: float
) -> ThinPower:
    """Put regions together and apply to each the rule that the index would use.

    Parameters: ``sites``; ``scatter``; ``plan``; ``settings``; ``t`` quantile, ``df`` and ``error`` of the log ratio by
    site. Returns: ThinPower, with a thin share of 0 where no region can be thin. Raises: nothing.
    References: module docstring.
    """
    if not can_be_thin(sites, plan):
        return ThinPower(0.0, 0.0)
    number = max(FEWEST_REGIONS, min(REGIONS, MOST_GARDENS // sites))
    rng = np.random.default_rng(settings.seed)
    chosen = rng.integers(0, scatter.influence.size, (number, sites))
    season, base = scatter.season[chosen].sum(axis=1), scatter.base[chosen].sum(axis=1)
    thin = (season < RULES.sparse_period_animals) | (base < RULES.sparse_base_animals)
    counting = np.sqrt(1.0 / np.maximum(season, 0.5) + 1.0 / np.maximum(base, 0.5))
    scattered = error * np.sqrt(rng.chisquare(df, number) / df)
    mean = scatter.influence[chosen].mean(axis=1)
    found = np.abs(log_ratios(season, base, mean, scatter=scatter, plan=plan, sites=sites))
    by_site = found > t * np.maximum(scattered, counting)
    shows = np.where(thin, pivot_shows(season, base, scatter.dispersion, plan, settings), by_site)
    return ThinPower(float(shows.mean()), float(thin.mean()))


def blend(power: float, regions: ThinPower) -> float:
    """Pass from the power of the t test to that of the regions put together as more of them are thin."""
    weight = min(1.0, regions.thin / ALL_THIN)
    return (1.0 - weight) * power + weight * regions.power


def log_ratios(
    season: Floats, base: Floats, influence: Floats, *, scatter: IndexScatter, plan: SurveyPlan, sites: int
) -> Floats:
    """Log ratio of each region: that of its totals, and by how much the influences of its gardens differ from it."""
    expected = sites * plan.rate * plan.nights * plan.ratio, sites * plan.rate * plan.base_seasons * plan.base_nights
    relative = np.maximum(season, 0.5) / expected[0], np.maximum(base, 0.5) / expected[1]
    linear = season / expected[0] - base / expected[1]
    return np.asarray(scatter.limit + np.log(relative[0] / relative[1]) + influence - linear)


def pivot_shows(
    season: Floats, base: Floats, dispersion: float, plan: SurveyPlan, settings: DesignSettings
) -> np.typing.NDArray[np.bool_]:
    """Say for each region whether the limits of the F pivot leave out a ratio of 1.

    Parameters: totals of ``season`` and ``base``; ``dispersion`` of garden deviations; ``plan``; ``settings``.
    Returns: flags. Raises: nothing. References: change_sparse.py.
    """
    effort = plan.base_seasons * plan.base_nights / plan.nights
    middle = (season + 0.5) / (base + 0.5) * effort
    tail, scatter = (1.0 - settings.confidence) / 2.0, np.full(season.size, dispersion)
    low = np.where(season > 0, f_limit(middle, season, base, scatter, tail), 0.0)
    high = f_limit(middle, season, base, scatter, 1.0 - tail)
    return np.asarray((high < 1.0) | (low > 1.0))
