"""Invented change data with known truth. Nothing here comes from the code under test but its records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from surveys.methods.change_records import ChangeInput
from tests.reference.level_worlds import into_octaves

LOG_CHANGE = -0.48  # from the first three periods on


def make_change_rows(**columns: Any) -> ChangeInput:
    """Build a ChangeInput from lists; what is left out is the plainest choice."""
    period = np.asarray(columns["period"], dtype=np.int64)
    low = np.asarray(columns["low"], dtype=np.int64)
    region = np.asarray(columns.get("region", np.zeros(period.size)), dtype=np.int64)
    return ChangeInput(
        region=region,
        period=period,
        site=np.asarray(columns["site"], dtype=np.int64),
        effort=np.asarray(columns.get("effort", np.ones(period.size)), dtype=float),
        low=low,
        high=np.asarray(columns.get("high", low), dtype=np.int64),
        n_regions=int(columns.get("n_regions", region.max(initial=0) + 1)),
        n_periods=int(columns.get("n_periods", period.max(initial=-1) + 1)),
    )


@dataclass(frozen=True)
class ChangeWorld:
    """Gardens enrolled a region, mean catch, and variances of site, night and site x period (squared CVs).

    ``law`` of all three is gamma or log-normal; ``share_classed`` of the counts of two or more come as octave classes.
    """

    sites: int
    mean: float
    site_variance: float
    night_variance: float
    visit_variance: float
    regions: int = 20
    periods: int = 6
    chance: float = 0.8
    law: str = "gamma"
    share_classed: float = 0.0
    log_change: float = LOG_CHANGE


def positive(rng: np.random.Generator, law: str, variance: float, shape: Any) -> np.ndarray:
    """Draw factors of mean one and the given variance."""
    if variance == 0.0:
        return np.ones(shape)
    if law == "gamma":
        return np.asarray(rng.gamma(1.0 / variance, variance, shape))
    log_variance = np.log1p(variance)
    return np.asarray(np.exp(rng.normal(0.0, np.sqrt(log_variance), shape) - log_variance / 2.0))


def draw_change(world: ChangeWorld, rng: np.random.Generator) -> ChangeInput:
    """Draw visits (chance 0.8 a period, 1 to 3 returns each), efforts of 0.8 to 1.25 and catches."""
    shape = (world.regions, world.sites, world.periods)
    returns = rng.integers(1, 4, shape) * (rng.random(shape) < world.chance)
    region, site, period = (np.repeat(index, returns.ravel()) for index in map(np.ravel, np.indices(shape)))
    garden = positive(rng, world.law, world.site_variance, shape[:2])
    visit = positive(rng, world.law, world.visit_variance, shape)
    night = positive(rng, world.law, world.night_variance, region.size)
    effort = rng.uniform(0.8, 1.25, region.size)
    change = np.exp(np.where(period >= 3, world.log_change, 0.0))
    counts = rng.poisson(world.mean * effort * change * garden[region, site] * visit[region, site, period] * night)
    low, high = into_octaves(counts, (counts >= 2) & (rng.random(counts.size) < world.share_classed))
    return ChangeInput(region, period, region * world.sites + site, effort, low, high, world.regions, world.periods)
