"""Variance components against brute-force integrals and simulated truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from surveys.methods.cell_rates import Components
from surveys.methods.dispersion import (
    COMPONENT_GRID,
    estimate_components,
    integrated_log_likelihood,
    level_grid,
    posterior_components,
)
from surveys.methods.level_layout import arrange_rows
from surveys.methods.level_records import LevelSettings
from surveys.methods.shared_effects import fit_shared_effects
from surveys.methods.site_lattice import lattice_nodes, node_weights, plot_log_likelihood
from tests.reference import level_slow
from tests.reference.level_worlds import draw_world, make_rows


@pytest.mark.parametrize(("site", "night"), [(0.3, 0.5), (1.0, 1.0), (2.5, 2.5), (6.0, 0.3)])
def test_the_lattice_integrates_the_site_effect_like_brute_force(site: float, night: float) -> None:
    plots = [[(0, 0), (0, 0)], [(1, 1)], [(3, 3), (0, 0), (2, 3)], [(25, 25), (8, 15)], [(128, -1)]]
    means = np.array([0.7, 1.1])
    nodes = lattice_nodes(5.0, 0.3)
    for bounds in plots:
        chosen = np.resize(means, len(bounds)) * 2.0
        low, high = zip(*bounds, strict=True)
        rows = make_rows(cell=[0] * len(bounds), site=[0] * len(bounds), low=low, high=high, effort=chosen)
        layout = arrange_rows(rows)
        log_like = plot_log_likelihood(layout, np.log(layout.effort), nodes, night)[0]
        found = np.log(np.exp(log_like) @ node_weights(nodes, np.array(0.0), site, 0.3))
        expected = np.log(level_slow.plot_likelihood(bounds, chosen, site, night))  # brute force with scipy.stats
        assert found == pytest.approx(expected, abs=2e-3, rel=4e-4)  # 0.002 a site: method study 1.3


def test_the_component_surface_has_the_shape_of_the_brute_force_integrals() -> None:
    # two cells of six sites, exact counts; the constant between the two programs does not matter
    y = np.array([0, 2, 5, 1, 0, 9, 3, 3, 1, 0, 0, 14, 2, 4, 1, 6])
    cell, site = np.repeat([0, 1], 8), np.array([0, 0, 1, 2, 3, 3, 4, 5, 6, 7, 7, 8, 9, 10, 11, 11])
    layout = arrange_rows(make_rows(cell=cell, site=site, low=y, effort=np.tile([0.8, 1.2], 8)))
    counts, working = layout.low.astype(float), Components(1.0, 1.0)
    effects = fit_shared_effects(layout, counts, site_variance=1.0, night_variance=1.0, ridge=0.25)
    surface = integrated_log_likelihood(layout, effects, lattice_nodes(5.0, 0.3), 0.3, working)
    rows = level_slow.Rows(counts, layout.effort, layout.covariates, layout.row_cell, layout.row_plot)
    places = [(3, 4), (5, 5), (6, 3), (5, 7)]  # 0.26 to 3.2 on either axis
    slow = [
        level_slow.component_log_likelihood(
            rows,
            layout.effort,
            effects.levels,
            level_slow.Spread(COMPONENT_GRID[i], COMPONENT_GRID[j]),
            level_slow.Spread(1.0, 1.0),
        )
        for i, j in places
    ]
    found = [surface[i, j] for i, j in places]
    np.testing.assert_allclose(np.diff(found), np.diff(slow), atol=0.02)


@pytest.mark.parametrize("variance", [0.04, 0.5, 2.5, 6.0])
def test_node_weights_hold_all_of_the_gamma_mass(variance: float) -> None:
    nodes = lattice_nodes(5.0, 0.3)
    for shift in (-1.0, 0.0, 1.0):
        above = stats.gamma.sf(np.exp(nodes[-1] + 0.15 - shift), 1 / variance, scale=variance)
        total = node_weights(nodes, np.array(shift), variance, 0.3).sum()
        assert total == pytest.approx(1 - above, abs=2e-3)


def test_the_level_prior_is_the_square_root_of_the_information_at_the_working_components() -> None:
    # Poisson with one return a site: the information on a log level is the expected count, so at 4 times the
    # level the prior doubles (arithmetic by hand). A tiny variance stands for none.
    layout = arrange_rows(make_rows(cell=[0] * 25, low=[4] * 25))
    shifts, log_prior = level_grid(layout, np.ones(25), np.log([4.0]), Components(1e-12, 1e-12))
    assert shifts[-1, 0] == pytest.approx(4.5 / 10)  # 25 x 4 animals: sd 1/10
    slope = np.diff(log_prior[:, 0]) / np.diff(shifts[:, 0])
    np.testing.assert_allclose(slope, 0.5, rtol=1e-6)


def test_without_any_likelihood_the_components_are_the_means_of_their_priors() -> None:
    settings = LevelSettings(prior_log_sd=0.2)  # narrow, so that the ends of the grid do not matter
    found = posterior_components(np.zeros((COMPONENT_GRID.size, COMPONENT_GRID.size)), settings)
    # mean of a log-normal = median exp(sd^2 / 2); V = N (1 + S) of independent parts
    site = 0.8 * np.exp(0.02)
    assert found.site == pytest.approx(site, rel=2e-3)
    assert found.marginal_night == pytest.approx(1.0 * np.exp(0.02) * (1 + site), rel=2e-3)


@pytest.mark.parametrize(("site", "night"), [(0.5, 1.0), (2.0, 0.5)])
def test_components_of_many_sites_come_near_the_truth_they_were_drawn_from(site: float, night: float) -> None:
    found = []
    for seed in range(4):
        world = {"cells": 20, "sites": 25, "mean": 5.0, "site_variance": site, "night_variance": night}
        layout = arrange_rows(draw_world(np.random.default_rng(seed), **world)[0])
        counts = layout.low.astype(float)
        effects = fit_shared_effects(layout, counts, site_variance=1.0, night_variance=1.0, ridge=0.25)
        components = estimate_components(layout, effects, counts, LevelSettings())
        found.append([components.site, components.marginal_night])
    median = np.median(found, axis=0)
    # 2,000 simulated sites: the standard error of either is below 5 %
    np.testing.assert_allclose(median, [site, night * (1 + site)], rtol=0.12)


def test_no_animals_at_all_leave_the_components_to_their_priors() -> None:
    layout = arrange_rows(make_rows(cell=[0] * 6, low=[0] * 6))
    effects = fit_shared_effects(layout, np.zeros(6), site_variance=1.0, night_variance=1.0, ridge=0.25)
    components = estimate_components(layout, effects, np.zeros(6), LevelSettings())
    assert 0.5 < components.site < 2.5
    assert 0.5 < components.night < 2.5
