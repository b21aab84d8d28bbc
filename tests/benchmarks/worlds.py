"""Drawn level worlds with known truth: the model's own shapes, and shapes the model does not know.

Every world keeps the two variances it names (as squared coefficients of variation), whatever the shape, so that a
loss of coverage comes from the shape and not from more scatter.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy import special, stats

from surveys.methods.level_records import LevelInput
from tests.reference.level_worlds import into_octaves, make_rows

MOST_RETURNS = 6
GARDEN_POINTS = 600  # places in a region where a garden may lie
REGION_KM = 10.0
ALIKE_KM = 1.5  # distance at which the correlation of two gardens has fallen to 1/e
BUNCH = 4  # gardens that one recruiter brings in


@dataclass(frozen=True)
class World:
    """What is drawn: ``cells`` x ``sites`` gardens of 1 to 6 returns each, effort 0.8 to 1.25.

    ``site_law`` and ``night_law`` are "gamma" or "log-normal"; ``share_classed`` of the counts of two or more come
    as octave classes; ``share_absent`` of the gardens have no animal ever (the others make up for it);
    ``variance_log_sd`` lets the site variance differ by cell (its mean stays); ``keen`` gardens with many animals
    send more returns; ``lie`` of the gardens is "apart" (independent), "scattered" or "bunched" in a region where
    near gardens are alike.
    """

    sites: int
    mean: float
    site_variance: float
    night_variance: float
    cells: int = 20
    level_log_sd: float = 0.5
    site_law: str = "gamma"
    night_law: str = "gamma"
    share_classed: float = 0.0
    share_absent: float = 0.0
    variance_log_sd: float = 0.0
    keen: bool = False
    lie: str = "apart"


@dataclass(frozen=True, eq=False)
class Drawn:
    """The returns, the exact counts behind them, the true rate and site variance of each cell (C,)."""

    rows: LevelInput
    counts: np.ndarray
    truth: np.ndarray
    site_variances: np.ndarray


def positive(rng: np.random.Generator, law: str, variance: np.ndarray | float, shape: Any) -> np.ndarray:
    """Draw factors of mean one and the given variance, gamma or log-normal."""
    if law == "gamma":
        return np.asarray(rng.gamma(1.0 / np.asarray(variance), variance, shape))
    log_variance = np.log1p(variance)
    return np.asarray(np.exp(rng.normal(0.0, 1.0, shape) * np.sqrt(log_variance) - log_variance / 2.0))


def draw_apart(world: World, variances: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Draw independent site effects (cells, sites) of mean one; absent gardens are zero, the rest scaled up."""
    present = 1.0 - world.share_absent
    # E u^2 = (1 + g) / present must stay 1 + S
    among_present = present * (1.0 + variances) - 1.0
    shape = (world.cells, world.sites)
    effects = positive(rng, world.site_law, among_present[:, None], shape)
    return np.asarray(np.where(rng.random(shape) < world.share_absent, 0.0, effects / present))


@lru_cache(maxsize=1)
def region_map() -> tuple[np.ndarray, np.ndarray]:
    """Return the distances between the possible gardens of a region and a root of their correlation."""
    places = np.random.default_rng(1500).uniform(0.0, REGION_KM, (GARDEN_POINTS, 2))
    apart = np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    return apart, np.linalg.cholesky(np.exp(-apart / ALIKE_KM) + 1e-9 * np.eye(GARDEN_POINTS))


def choose_places(world: World, rng: np.random.Generator) -> np.ndarray:
    """Choose where the gardens of one cell lie: anywhere, or in bunches of neighbours."""
    if world.lie == "scattered":
        return rng.integers(0, GARDEN_POINTS, world.sites)
    apart, _ = region_map()
    firsts = rng.integers(0, GARDEN_POINTS, -(-world.sites // BUNCH))
    return np.argsort(apart[firsts], axis=1)[:, :BUNCH].ravel()[: world.sites]


def draw_alike(world: World, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Draw site effects (cells, sites) from a field over each region, and the mean of that field (cells,).

    Gamma margins by a Gaussian copula, correlation exp(-distance / 1.5 km) on the normal scale.
    """
    _, root = region_map()
    normal = root @ rng.normal(size=(GARDEN_POINTS, world.cells))
    shape = 1.0 / world.site_variance
    field = stats.gamma.ppf(special.ndtr(normal.T), shape, scale=world.site_variance)
    effects = np.stack([field[c, choose_places(world, rng)] for c in range(world.cells)])
    return effects, field.mean(axis=1)


def count_returns(world: World, effects: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Say how many returns each garden sends: 1 to 6, for keen gardens more where more is caught."""
    if not world.keen:
        return rng.integers(1, MOST_RETURNS + 1, effects.shape)
    rank = (np.argsort(np.argsort(effects, axis=1), axis=1) + 0.5) / world.sites
    return 1 + rng.binomial(MOST_RETURNS - 1, 0.25 + 0.4 * rank)  # +15 % for the plain ratio at S = 1


def draw(world: World, rng: np.random.Generator) -> Drawn:
    """Draw one data set.

    Parameters: ``world``; ``rng``. Returns: Drawn. The truth is the mean over gardens: of the law they come from, or
    of all possible gardens of the region where near ones are alike.
    """
    rates = world.mean * np.exp(rng.normal(0.0, world.level_log_sd, world.cells))
    spread = rng.normal(0.0, 1.0, world.cells) * world.variance_log_sd - world.variance_log_sd**2 / 2.0
    variances = world.site_variance * np.exp(spread)
    truth = rates
    if world.lie == "apart":
        effects = draw_apart(world, variances, rng)
    else:
        effects, field_mean = draw_alike(world, rng)
        truth = rates * field_mean
    returns = count_returns(world, effects, rng).ravel()
    site = np.repeat(np.arange(world.cells * world.sites), returns)
    cell = site // world.sites
    effort = rng.uniform(0.8, 1.25, site.size)
    nights = positive(rng, world.night_law, world.night_variance, site.size)
    counts = rng.poisson(rates[cell] * effort * effects.ravel()[site] * nights)
    low, high = into_octaves(counts, (counts >= 2) & (rng.random(site.size) < world.share_classed))
    rows = make_rows(cell=cell, site=site, effort=effort, low=low, high=high, n_cells=world.cells)
    return Drawn(rows, counts, truth, variances)


HABITAT_LOGS = np.array([0.0, 0.5, -0.3, 0.8, -0.6, 0.2])
FRESH_LOG, SEASON_LOGS = 0.3, np.array([0.4, -0.5])


def draw_with_effects(
    rng: np.random.Generator, *, cells: int, sites: int, site_variance: float = 1.0, night_variance: float = 1.0
) -> Drawn:
    """Draw a survey with six habitats (one a garden), fresh or settled traps and a season, mean catch 3 at the reference.

    The truth is the rate at the mean habitat, settled, mid-season. Parameters: as World's. Returns: Drawn.
    """
    rates = 3.0 * np.exp(rng.normal(0.0, 0.5, cells))
    returns = rng.integers(1, MOST_RETURNS + 1, cells * sites)
    site = np.repeat(np.arange(cells * sites), returns)
    cell, habitat = site // sites, rng.integers(0, HABITAT_LOGS.size, cells * sites)[site]
    fresh, season = (rng.random(site.size) < 0.3).astype(float), rng.uniform(-1.0, 1.0, site.size)
    of_time = np.column_stack([fresh, season, season**2])
    of_habitat = np.eye(HABITAT_LOGS.size)[:, 1:]
    logs = np.r_[HABITAT_LOGS[1:], FRESH_LOG, SEASON_LOGS]
    covariates = np.column_stack([of_habitat[habitat], of_time])
    effort = rng.uniform(0.8, 1.25, site.size)
    effects = positive(rng, "gamma", site_variance, cells * sites)[site]
    nights = positive(rng, "gamma", night_variance, site.size)
    counts = rng.poisson(rates[cell] * effort * np.exp(covariates @ logs) * effects * nights)
    weights = np.full(HABITAT_LOGS.size, 1.0 / HABITAT_LOGS.size)
    rows = make_rows(
        cell=cell,
        site=site,
        effort=effort,
        low=counts,
        habitat=habitat,
        covariates=covariates,
        covariates_of_habitat=np.column_stack([of_habitat, np.zeros((HABITAT_LOGS.size, of_time.shape[1]))]),
        habitat_weights=weights,
        n_cells=cells,
    )
    return Drawn(rows, counts, rates * float(weights @ np.exp(HABITAT_LOGS)), np.full(cells, site_variance))
