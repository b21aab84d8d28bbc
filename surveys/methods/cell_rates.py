"""Quasi-likelihood weights, the rate of each cell and the two moments its pivot needs.

Within a plot Cov(y) = diag(mu + V mu^2) + S mu mu' with S the variance between sites, N that of nights
within a site and V = N (1 + S), all as squared coefficients of variation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surveys.methods.level_layout import Layout, sum_runs
from surveys.methods.level_records import Floats

RATE_ROUNDS = 3  # METHODS.md, section 5.4: the fixed point has settled by then


@dataclass(frozen=True, slots=True)
class Components:
    """Squared coefficients of variation: ``site`` between sites, ``night`` between nights of a site."""

    site: float
    night: float

    @property
    def marginal_night(self) -> float:
        """Return V = N (1 + S): the night part once the site effect is averaged out."""
        return self.night * (1.0 + self.site)


@dataclass(frozen=True, slots=True, eq=False)
class Weights:
    """``night`` q (..., n), ``site`` d (..., P), ``row`` w = q d (..., n), ``plot_sum`` Q = sum q mu (..., P)."""

    night: Floats
    site: Floats
    row: Floats
    plot_sum: Floats


@dataclass(frozen=True, slots=True, eq=False)
class CellMoments:
    """Per cell: weighted total, weighted exposure, ``dispersion`` phi, ``clumping`` C, all (..., C)."""

    total: Floats
    exposure: Floats
    dispersion: Floats
    clumping: Floats


def quasi_weights(layout: Layout, mu: Floats, components: Components) -> Weights:
    """Compute the weights that invert the covariance of a plot.

    Parameters: ``mu`` (..., n) expected counts; ``components``.
    Returns: Weights. Raises: nothing.
    References: METHODS.md, section 5.2; Liang & Zeger 1986 (estimating equations).
    """
    night = 1.0 / (1.0 + components.marginal_night * mu)
    plot_sum = layout.by_plot(night * mu)
    site = 1.0 / (1.0 + components.site * plot_sum)
    return Weights(night, site, night * site[..., layout.row_plot], plot_sum)


def weighted_rates(
    layout: Layout,
    counts: Floats,
    exposure: Floats,
    components: Components,
    *,
    start: Floats | None = None,
    rounds: int = RATE_ROUNDS,
) -> Floats:
    """Estimate the rate of each cell, r = sum(w y) / sum(w m), by a fixed point.

    Parameters: ``counts`` (..., n); ``exposure`` m (n,) effort times shared effects; ``components``;
    ``start`` (..., C) rates to begin with, else the unweighted ones; ``rounds`` of the fixed point.
    Returns: rates per unit of exposure (..., C), zero where no animal was caught. Raises: nothing.
    References: METHODS.md, section 5.4.
    """
    rates = layout.by_cell(counts) / layout.by_cell(exposure) if start is None else start
    for _ in range(rounds):
        weight = quasi_weights(layout, exposure * rates[..., layout.row_cell], components).row
        rates = layout.by_cell(weight * counts) / layout.by_cell(weight * exposure)
    return rates


def cell_moments(
    layout: Layout, counts: Floats, exposure: Floats, weight: Floats, components: Components
) -> CellMoments:
    """Collect what the pivot needs: phi = sum(w^2 m)/Tw and C = S sum_plots (sum w m)^2 + V sum w^2 m^2.

    Parameters: ``counts`` and ``weight`` (..., n); ``exposure`` (n,); ``components``.
    Returns: CellMoments (without the guard). Raises: nothing. References: METHODS.md, section 5.5.
    """
    weighted = weight * exposure
    total_exposure = layout.by_cell(weighted)
    between = layout.plots_by_cell(layout.by_plot(weighted) ** 2)
    return CellMoments(
        total=layout.by_cell(weight * counts),
        exposure=total_exposure,
        dispersion=layout.by_cell(weight * weighted) / total_exposure,
        clumping=components.site * between + components.marginal_night * layout.by_cell(weighted**2),
    )


def mean_covariates(layout: Layout, exposure: Floats, weight: Floats) -> Floats:
    """Average the covariates of each cell as the rate weighs them (H_cb / H_cc), shape (C, p).

    Parameters: ``exposure`` and ``weight`` (n,). Returns: means. Raises: nothing. References: METHODS.md, section 5.7.
    """
    weighted = weight * exposure
    sums = sum_runs(layout.covariates, np.r_[layout.cell_start, weighted.size], weighted)
    return np.asarray(sums / layout.by_cell(weighted)[:, None])
