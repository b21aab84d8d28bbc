"""Shared effects against published regressions and statsmodels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm

from surveys.methods.level_layout import arrange_rows
from surveys.methods.shared_effects import exposure_of, fit_shared_effects
from tests.reference import level_slow
from tests.reference.level_worlds import draw_world, make_rows
from tests.surveys.methods import outside

# Ship damage, McCullagh & Nelder 1983 sect. 6.3.2: type, year, period, months of service, incidents (check values G1)
SHIPS = """A60,60,127,0 A60,75,63,0 A65,60,1095,3 A65,75,1095,4 A70,60,1512,6 A70,75,3353,18 A75,75,2244,11
B60,60,44882,39 B60,75,17176,29 B65,60,28609,58 B65,75,20370,53 B70,60,7064,12 B70,75,13099,44 B75,75,7117,18
C60,60,1179,1 C60,75,552,1 C65,60,781,0 C65,75,676,1 C70,60,783,6 C70,75,1948,2 C75,75,274,1 D60,60,251,0
D60,75,105,0 D65,60,288,0 D65,75,192,0 D70,60,349,2 D70,75,1208,11 D75,75,2051,4 E60,60,45,0 E65,60,789,7
E65,75,437,7 E70,60,1157,5 E70,75,2161,12 E75,75,542,1"""
SHIPS_COEF = [-6.405901561, -0.5433443012, -0.6874016474, -0.07596142188, 0.3255794562]
SHIPS_COEF += [0.6971404267, 0.8184265772, 0.4534266388, 0.3844669582]  # R glm and statsmodels, check values G1
SHIPS_PUBLISHED = [-6.4059, -0.54334, -0.6874, -0.07596, 0.32558, 0.69714, 0.81843, 0.45343, 0.38447]

# Hunting spiders, van der Aart & Smeenk-Enserink 1975: Pardosa lugubris, soil water, light (check values G7)
SPIDERS = outside.SPIDERS["Pardlugu"]
SPIDER_THETA = 1.325714063  # MASS glm.nb, check values G7
SPIDER_COEF = [5.236924232, -0.7428709986, -1.303925635]


def ship_rows() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    lines = [line.split(",") for line in SHIPS.split()]
    kinds, years = "BCDE", ("65", "70", "75")
    x = [[*(line[0][0] == k for k in kinds), *(line[0][1:] == y for y in years), line[1] == "75"] for line in lines]
    service, incidents = (np.array([float(line[i]) for line in lines]) for i in (2, 3))
    return np.array(x, dtype=float), service, incidents


def test_without_variance_components_it_is_the_poisson_regression_of_the_ships() -> None:
    x, service, incidents = ship_rows()
    rows = make_rows(cell=np.zeros(34), low=incidents, effort=service, covariates=x, covariates_of_habitat=x[:1])
    fit = fit_shared_effects(arrange_rows(rows), incidents, site_variance=0.0, night_variance=0.0, ridge=0.0)
    found = np.r_[fit.levels, fit.beta]
    np.testing.assert_allclose(found, SHIPS_COEF, rtol=1e-6)
    np.testing.assert_allclose(found, SHIPS_PUBLISHED, atol=6e-6)  # published R summary, check values G1
    assert fit.converged


def test_with_night_variance_only_it_is_the_negative_binomial_regression_of_the_spiders() -> None:
    x = np.column_stack([outside.WATER, outside.LIGHT])
    rows = make_rows(cell=np.zeros(28), low=SPIDERS, covariates=x, covariates_of_habitat=x[:1])
    fit = fit_shared_effects(
        arrange_rows(rows), np.array(SPIDERS, float), site_variance=0.0, night_variance=1 / SPIDER_THETA, ridge=0.0
    )
    np.testing.assert_allclose(np.r_[fit.levels, fit.beta], SPIDER_COEF, rtol=1e-4)


@pytest.mark.parametrize("night_variance", [0.0, 0.8])
def test_several_cells_agree_with_a_regression_on_cell_indicators(night_variance: float) -> None:
    world = {"cells": 4, "sites": 12, "mean": 3.0, "site_variance": 0.5, "night_variance": 0.8}
    rows, _ = draw_world(np.random.default_rng(3), **world, with_effects=True)
    layout = arrange_rows(rows)
    fit = fit_shared_effects(
        layout, layout.low.astype(float), site_variance=0.0, night_variance=night_variance, ridge=0.0
    )
    family = sm.families.NegativeBinomial(alpha=night_variance) if night_variance else sm.families.Poisson()
    design = np.column_stack([np.eye(4)[layout.row_cell], layout.covariates])
    other = sm.GLM(layout.low, design, family=family, offset=np.log(layout.effort)).fit(tol=1e-13, maxiter=200)
    np.testing.assert_allclose(np.r_[fit.levels, fit.beta], other.params, atol=1e-6)


def slow_rows(layout: object) -> level_slow.Rows:
    return level_slow.Rows(
        y=layout.low.astype(float),
        effort=layout.effort,
        x=layout.covariates,
        cell=layout.row_cell,
        site=layout.plot_cluster[layout.row_plot],
    )


def test_block_elimination_solves_the_same_equations_as_dense_matrices() -> None:
    world = {"cells": 3, "sites": 8, "mean": 2.0, "site_variance": 1.0, "night_variance": 1.0}
    rows, _ = draw_world(np.random.default_rng(11), **world, with_effects=True)
    rows = replace(rows, site=rows.site % 9)  # some sites take part in several cells
    layout = arrange_rows(rows)
    fit = fit_shared_effects(layout, layout.low.astype(float), site_variance=1.3, night_variance=0.7, ridge=0.25)
    slow = slow_rows(layout)
    theta = level_slow.solve_effects(slow, 3, level_slow.Spread(1.3, 0.7))
    np.testing.assert_allclose(np.r_[fit.levels, fit.beta], theta, atol=1e-7)
    covariance = level_slow.effect_covariance(slow, 3, theta, level_slow.Spread(1.3, 0.7))
    np.testing.assert_allclose(fit.covariance, covariance, rtol=1e-6, atol=1e-10)


def test_a_habitat_without_any_return_keeps_the_variance_of_its_prior() -> None:
    x = np.column_stack([np.tile([0.0, 1.0], 20), np.zeros(40)])
    rows = make_rows(
        cell=np.zeros(40),
        low=np.tile([1, 3], 20),
        covariates=x,
        covariates_of_habitat=np.eye(3)[:, 1:],
        habitat_weights=[0.4, 0.3, 0.3],
    )
    layout = arrange_rows(rows)
    fit = fit_shared_effects(layout, layout.low.astype(float), site_variance=0.5, night_variance=0.5, ridge=0.25)
    assert fit.beta[1] == 0.0
    assert fit.covariance[1, 1] == pytest.approx(4.0)  # prior sd 2: arithmetic by hand


def test_a_habitat_without_animals_stays_finite_under_the_ridge() -> None:
    x = np.tile([0.0, 1.0], 20)[:, None]
    counts = np.tile([5.0, 0.0], 20)
    rows = make_rows(cell=np.zeros(40), low=counts, covariates=x, covariates_of_habitat=x[:1])
    fit = fit_shared_effects(arrange_rows(rows), counts, site_variance=1.0, night_variance=1.0, ridge=0.25)
    assert fit.converged
    assert -12 < fit.beta[0] < -1


def test_a_cell_without_animals_has_no_level_and_does_not_move_the_effects() -> None:
    x = np.tile([0.0, 1.0], 20)[:, None]
    cell, counts = np.repeat([0, 1], 20), np.r_[np.tile([2.0, 6.0], 10), np.zeros(20)]
    both = arrange_rows(make_rows(cell=cell, low=counts, covariates=x, covariates_of_habitat=x[:1]))
    alone = arrange_rows(make_rows(cell=cell[:20], low=counts[:20], covariates=x[:20], covariates_of_habitat=x[:1]))
    settings = {"site_variance": 1.0, "night_variance": 1.0, "ridge": 0.25}
    fit, other = fit_shared_effects(both, counts, **settings), fit_shared_effects(alone, counts[:20], **settings)
    assert fit.levels[1] == -np.inf
    np.testing.assert_allclose(fit.beta, other.beta, atol=1e-9)


def test_exposure_is_effort_times_the_effects() -> None:
    rows = make_rows(
        cell=[0, 0], low=[1, 2], effort=[2.0, 3.0], covariates=[[0.0], [1.0]], covariates_of_habitat=[[0.0]]
    )
    # 2 and 3 x e^ln2 = 6: arithmetic by hand
    np.testing.assert_allclose(exposure_of(arrange_rows(rows), np.array([np.log(2.0)])), [2.0, 6.0])
