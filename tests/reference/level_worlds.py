"""Invented level data with known truth, for tests. Nothing here comes from the code under test but its records."""

from __future__ import annotations

from typing import Any

import numpy as np

from surveys.methods.level_records import LevelInput

HABITAT_WEIGHTS = np.array([0.5, 0.3, 0.2])
HABITAT_EFFECTS = np.array([0.0, 0.6, -0.4])
FRESH_EFFECT = 0.3


def make_rows(**columns: Any) -> LevelInput:
    """Build a LevelInput from lists; what is left out is the plainest choice."""
    cell = np.asarray(columns["cell"], dtype=np.int64)
    n = cell.size
    low = np.asarray(columns["low"], dtype=np.int64)
    weights = np.asarray(columns.get("habitat_weights", [1.0]), dtype=float)
    at_habitats = np.asarray(columns.get("covariates_of_habitat", np.zeros((weights.size, 0))), dtype=float)
    habitat = np.asarray(columns.get("habitat", np.zeros(n)), dtype=np.int64)
    covariates = np.asarray(columns.get("covariates", at_habitats[habitat]), dtype=float)
    return LevelInput(
        cell=cell,
        site=np.asarray(columns.get("site", np.arange(n)), dtype=np.int64),
        effort=np.asarray(columns.get("effort", np.ones(n)), dtype=float),
        low=low,
        high=np.asarray(columns.get("high", low), dtype=np.int64),
        kinds=covariates,
        kind=np.arange(n),
        habitat=habitat,
        night=np.asarray(columns.get("night", np.arange(n)), dtype=np.int64),
        n_cells=int(columns.get("n_cells", cell.max(initial=-1) + 1)),
        habitat_weights=weights,
        covariates_of_habitat=at_habitats,
    )


def draw_world(
    rng: np.random.Generator,
    *,
    cells: int,
    sites: int,
    mean: float,
    site_variance: float,
    night_variance: float,
    share_classed: float = 0.0,
    with_effects: bool = False,
) -> tuple[LevelInput, np.ndarray]:
    """Draw gamma sites, gamma nights and Poisson catches; return the rows and the true index of each cell."""
    rates = mean * np.exp(rng.normal(0.0, 0.5, cells))
    nights = rng.integers(1, 7, (cells, sites))
    cell = np.repeat(np.repeat(np.arange(cells), sites), nights.ravel())
    site = np.repeat(np.arange(cells * sites), nights.ravel())
    n = cell.size
    habitat = rng.choice(3, n, p=[0.3, 0.4, 0.3]) if with_effects else np.zeros(n, dtype=np.int64)
    fresh = (rng.random(n) < 0.3).astype(float)
    effort = rng.uniform(0.8, 1.25, n)
    eta = HABITAT_EFFECTS[habitat] + FRESH_EFFECT * fresh if with_effects else np.zeros(n)
    site_effect = rng.gamma(1.0 / site_variance, site_variance, cells * sites)[site]
    night_effect = rng.gamma(1.0 / night_variance, night_variance, n)
    counts = rng.poisson(rates[cell] * effort * np.exp(eta) * site_effect * night_effect)
    low, high = into_octaves(counts, (counts >= 2) & (rng.random(n) < share_classed))
    columns: dict[str, Any] = {"cell": cell, "site": site, "effort": effort, "low": low, "high": high}
    if with_effects:
        at_habitats = np.column_stack([np.eye(3)[:, 1:], np.zeros(3)])
        covariates = np.column_stack([np.eye(3)[habitat][:, 1:], fresh])
        columns |= {"habitat": habitat, "covariates": covariates, "covariates_of_habitat": at_habitats}
        columns |= {"habitat_weights": HABITAT_WEIGHTS}
        rates = rates * (HABITAT_WEIGHTS * np.exp(HABITAT_EFFECTS)).sum()
    return make_rows(**columns), rates


def into_octaves(counts: np.ndarray, classed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Turn the chosen counts into the classes 2-3, 4-7, ... and 128 or more (open above)."""
    bottom = 2 ** np.floor(np.log2(np.maximum(counts, 1))).astype(np.int64)
    bottom = np.minimum(bottom, 128)
    top = np.where(bottom == 128, -1, 2 * bottom - 1)
    return np.where(classed, bottom, counts), np.where(classed, top, counts)
