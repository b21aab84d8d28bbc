"""Variance components by integrated likelihood: every cell level and every site effect integrated out."""

from __future__ import annotations

import numpy as np
from scipy import interpolate, special

from surveys.methods.cell_rates import Components, quasi_weights
from surveys.methods.level_layout import Layout
from surveys.methods.level_records import Floats, LevelSettings
from surveys.methods.shared_effects import SharedEffects, exposure_of
from surveys.methods.site_lattice import node_weights, nodes_for, plot_log_likelihood

COMPONENT_GRID = np.geomspace(0.04, 6.0, 9)  # METHODS.md, section 5.3; below 0.04 the lattice is too coarse
LEVEL_OFFSETS = np.linspace(-3.5, 4.5, 11)  # METHODS.md, section 5.3, in approximate standard deviations
FINE_POINTS = 81  # of the spline between the grid points
SMALLEST = 1e-300  # keeps log() finite where a node has no weight
#: A level that all classes let slide to nothing has hardly any information: its steps stay this side of e^90.
LEAST_INFORMATION = 1.0 / 20.0**2
START = Components(site=1.0, night=1.0)  # METHODS.md, section 5.3: S = N = 1, so V = 2


def level_information(layout: Layout, exposure: Floats, log_rates: Floats, components: Components) -> Floats:
    """Information on the log level of each cell, sum of Q d, at ``log_rates`` (..., C)."""
    mu = exposure * np.exp(log_rates)[..., layout.row_cell]
    weights = quasi_weights(layout, mu, components)
    return layout.plots_by_cell(weights.plot_sum * weights.site)


def level_grid(layout: Layout, exposure: Floats, levels: Floats, working: Components) -> tuple[Floats, Floats]:
    """Return the level shifts (J, C) of each cell and their log prior plus log step (J, C).

    The prior is the square root of the information at the *working* components: were it to follow the
    components that are being estimated, it would cancel the correction it is there for.
    References: METHODS.md, section 5.3; Cox & Reid 1987 (adjusted profile likelihood).
    """
    information = np.maximum(level_information(layout, exposure, levels, working), LEAST_INFORMATION)
    deviation = 1.0 / np.sqrt(information)
    shifts = LEVEL_OFFSETS[:, None] * deviation
    information = level_information(layout, exposure, levels + shifts, working)
    step = (LEVEL_OFFSETS[1] - LEVEL_OFFSETS[0]) * deviation
    return shifts, 0.5 * np.log(information) + np.log(step)


def cell_log_likelihood(scaled: Floats, weights: Floats) -> Floats:
    """Sum over plots the log of the likelihood integrated over the site effect.

    Parameters: ``scaled`` (plots, K) likelihood over its largest value; ``weights`` (S, J, K).
    Returns: shape (S, J).
    """
    n_site, n_level, n_nodes = weights.shape
    integrals = scaled @ weights.reshape(n_site * n_level, n_nodes).T
    return np.asarray(np.log(integrals + SMALLEST).sum(axis=0).reshape(n_site, n_level))


def integrated_log_likelihood(
    layout: Layout, effects: SharedEffects, nodes: Floats, step: float, working: Components
) -> Floats:
    """Log likelihood of the two components on their grid, shape (site, night).

    Parameters: ``effects`` fitted; lattice ``nodes`` (K,) and ``step``; ``working`` components for the prior.
    Returns: sums over the cells with animals. Raises: nothing. References: METHODS.md, section 5.3.
    """
    active = np.flatnonzero(np.isfinite(effects.levels))
    levels = np.where(np.isfinite(effects.levels), effects.levels, 0.0)
    exposure = exposure_of(layout, effects.beta)
    shifts, log_prior = level_grid(layout, exposure, levels, working)
    log_mean = np.log(exposure) + levels[layout.row_cell]
    site_weights = [[node_weights(nodes, shifts[:, c], site, step) for site in COMPONENT_GRID] for c in active]
    stacked = [np.stack(of_cell) for of_cell in site_weights]
    ends = np.r_[layout.cell_plot_start, layout.plot_start.size]
    total = np.zeros((COMPONENT_GRID.size, COMPONENT_GRID.size))
    for column, night in enumerate(COMPONENT_GRID):
        log_like = plot_log_likelihood(layout, log_mean, nodes, float(night))
        top = log_like.max(axis=1)
        scaled = np.exp(log_like - top[:, None])
        for c, weights in zip(active, stacked, strict=True):
            plots = slice(ends[c], ends[c + 1])
            by_level = cell_log_likelihood(scaled[plots], weights) + log_prior[:, c]
            total[:, column] += top[plots].sum() + special.logsumexp(by_level, axis=1)
    return total


def component_log_prior(log_component: Floats, centre: float, log_sd: float) -> Floats:
    """Log-normal prior of a component, as a density on the log scale without its constant."""
    return np.asarray(-0.5 * ((log_component - np.log(centre)) / log_sd) ** 2)


def posterior_components(log_likelihood: Floats, settings: LevelSettings) -> Components:
    """Average S and V = N (1 + S) over likelihood times prior, on a fine grid under a bicubic spline.

    Parameters: ``log_likelihood`` on the component grid (site, night); ``settings`` for the priors.
    Returns: Components. Raises: nothing. References: METHODS.md, section 5.3.
    """
    grid = np.log(COMPONENT_GRID)
    site_prior = component_log_prior(grid, settings.site_prior_centre, settings.prior_log_sd)
    night_prior = component_log_prior(grid, settings.night_prior_centre, settings.prior_log_sd)
    surface = interpolate.RectBivariateSpline(grid, grid, log_likelihood + site_prior[:, None] + night_prior)
    fine = np.linspace(grid[0], grid[-1], FINE_POINTS)
    height = surface(fine, fine)
    shares = np.exp(height - height.max())
    shares /= shares.sum()
    site, night = np.exp(fine)[:, None], np.exp(fine)
    mean_site = float((shares * site).sum())
    mean_marginal = float((shares * night * (1.0 + site)).sum())
    return Components(mean_site, mean_marginal / (1.0 + mean_site))


def estimate_components(
    layout: Layout, effects: SharedEffects, counts: Floats, settings: LevelSettings, working: Components = START
) -> Components:
    """Estimate the variance between sites and between nights of a site, given the shared effects.

    Parameters: ``effects`` fitted; ``counts`` (n,) for the choice of lattice; ``working`` components that set
    the fixed prior of the levels. Returns: Components; the prior means when no cell has an animal. Raises: nothing.
    References: METHODS.md, section 5.3.
    """
    grid = COMPONENT_GRID.size
    if not np.isfinite(effects.levels).any():
        return posterior_components(np.zeros((grid, grid)), settings)
    nodes = nodes_for(layout, counts, settings.lattice_step)
    surface = integrated_log_likelihood(layout, effects, nodes, settings.lattice_step, working)
    return posterior_components(surface, settings)
