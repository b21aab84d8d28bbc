"""Post-stratified means against worked examples of the literature."""

from __future__ import annotations

import numpy as np
import pytest

from surveys.methods.level_records import LevelSettings
from surveys.methods.poststratification import (
    factor_log_variance,
    habitat_factor,
    habitat_support,
    merge_habitats,
    thin_habitats,
)
from tests.reference.level_worlds import make_rows


def index_of(means: list[float], sizes: list[float]) -> float:
    """Put stratum means in as a rate and log ratios to it, as the level index does."""
    weights = np.array(sizes) / sum(sizes)
    beta = np.log(np.array(means[1:]) / means[0])
    at_strata = np.eye(len(means))[:, 1:]
    return means[0] * habitat_factor(beta, weights, at_strata).value


def test_the_unemployment_example_gives_its_published_mean() -> None:
    # Lehtonen & Pahkinen, post-strata of 7 and 25 of 32; survey package, check values W1: 565.81
    means = [np.mean([4123, 760, 721]), np.mean([142, 187, 331, 127, 219])]
    assert index_of(means, [7, 25]) == pytest.approx(565.8125, rel=1e-9)


def test_the_veterinary_example_gives_its_published_mean() -> None:
    # Levy & Lemeshow, 850 dogs and 450 cats; survey package, check values W4: 40.115
    assert index_of([49.85844, 21.71111], [850, 450]) == pytest.approx(40.115, abs=5e-4)


def test_the_slope_is_the_numerical_derivative_of_the_log() -> None:
    beta, weights = np.array([0.3, -0.8]), np.array([0.2, 0.5, 0.3])
    at_strata = np.array([[0.0, 0.1], [1.0, 0.0], [0.5, 1.0]])
    slope = habitat_factor(beta, weights, at_strata).slope
    for k in range(2):
        step = 1e-6 * np.eye(2)[k]
        up, down = (np.log(habitat_factor(beta + sign * step, weights, at_strata).value) for sign in (1, -1))
        assert slope[k] == pytest.approx((up - down) / 2e-6, rel=1e-6)


def test_a_cell_with_the_published_mix_does_not_feel_errors_of_the_effects() -> None:
    factor = habitat_factor(np.zeros(1), np.array([0.4, 0.6]), np.array([[0.0], [1.0]]))
    variances = factor_log_variance(factor, np.array([[0.6], [0.0]]), np.array([[0.5]]))
    # levers 0 and 0.6; 0.36 x 0.5 = 0.18: arithmetic by hand
    np.testing.assert_allclose(variances, [0.0, 0.18], atol=1e-15)


@pytest.mark.parametrize(
    ("sites", "animals", "pool"),
    [
        ([9, 8, 7], [50, 50, 50], []),
        ([9, 2, 7], [50, 50, 50], [1, 2]),
        ([9, 2, 2, 7], [50, 50, 50, 9], [1, 2, 3]),
        ([9, 8, 7], [50, 50, 3], [2, 1]),
        ([0, 0], [0, 0], [0, 1]),
        ([0], [0], [0]),
        ([20, 3, 3], [90, 4, 4], [1, 2]),
    ],
)
def test_thin_habitats_are_pooled_by_a_fixed_rule(sites: list[int], animals: list[int], pool: list[int]) -> None:
    # fewer than 5 sites or 5 animals over all cells: method study 7.4; the pools by hand
    assert thin_habitats(np.array(sites), np.array(animals), LevelSettings()) == tuple(pool)


def test_merged_habitats_share_a_covariate_row_and_other_effects_stay() -> None:
    at_habitats = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    habitat = np.array([0] * 12 + [1] * 12 + [2] * 3)
    fresh = np.tile([0.0, 1.0, 0.0], 9)
    covariates = at_habitats[habitat] + fresh[:, None] * [0, 0, 1]
    rows = make_rows(
        cell=[0] * 27,
        low=[3] * 11 + [2] + [2] * 12 + [4] * 3,
        habitat=habitat,
        covariates=covariates,
        covariates_of_habitat=at_habitats,
        habitat_weights=[0.5, 0.3, 0.2],
    )
    pool = thin_habitats(*habitat_support(rows), LevelSettings())
    assert pool == (2, 1)
    merged = merge_habitats(rows, pool)
    # habitat 2 has three sites; habitat 1 has as many sites as 0 and fewer animals, so it is the partner
    np.testing.assert_array_equal(merged.covariates_of_habitat[2], at_habitats[1])
    np.testing.assert_array_equal(merged.covariates[24:, :2], [[1.0, 0.0]] * 3)
    np.testing.assert_array_equal(merged.covariates[:, 2], fresh)
    np.testing.assert_array_equal(merged.covariates[:24], covariates[:24])
