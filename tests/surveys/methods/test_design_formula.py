"""Closed planning formulas against integrals, an outside power calculation and hand computation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats
from statsmodels.stats.power import TTestPower

from surveys.methods.design_formula import (
    formula_power,
    formula_scatter,
    garden_variance,
    level_error,
    site_quadrature,
    sites_for_level,
    t_test_power,
)
from surveys.methods.design_records import DesignComponents, DesignSettings, SurveyPlan

SETTINGS = DesignSettings()


@pytest.mark.parametrize("variance", [0.02, 0.3, 0.5, 1.0, 2.5])
def test_the_quadrature_gives_the_moments_of_a_gamma_of_mean_one(variance: float) -> None:
    u, weight = site_quadrature(variance)
    assert weight.sum() == pytest.approx(1.0)
    assert weight @ u == pytest.approx(1.0)
    assert weight @ (u - 1.0) ** 2 == pytest.approx(variance)
    # third central moment of a gamma of mean 1: 2 variance^2 (Johnson, Kotz & Balakrishnan 1994, 17.3; from memory)
    assert weight @ (u - 1.0) ** 3 == pytest.approx(2.0 * variance**2)


def test_gardens_that_are_all_alike_need_one_node() -> None:
    for variance in (0.0, 0.001):
        u, weight = site_quadrature(variance)
        assert (u.tolist(), weight.tolist()) == ([1.0], [1.0])


@pytest.mark.parametrize("site", [0.05, 0.3, 1.0, 2.5])
def test_the_scatter_is_that_of_plain_integration(site: float) -> None:
    plan, parts = SurveyPlan(3, 2, 3, 0.7, 0.6), DesignComponents(site, 1.2, 0.2)
    counting = (1 / (3 * 0.6) + 1 / (3 * 2)) / 0.7
    uneven = 1.2 / 3 + 0.2 + (1.2 / 2 + 0.2) / 3
    working = 0.3 * (1 / 3 + 1 / (3 * 2))
    gamma = stats.gamma(1 / site, scale=site)

    def mean(function) -> float:  # over shares of the gamma, which tames its pole at 0
        return integrate.quad(lambda share: function(gamma.ppf(share)), 1e-12, 1 - 1e-12, limit=400)[0]

    share = mean(lambda u: u / (counting + working * u))
    square = mean(lambda u: (u / (counting + working * u)) ** 2)
    top = mean(lambda u: u * counting / (counting + working * u) ** 2 + uneven * (u / (counting + working * u)) ** 2)
    scatter = formula_scatter(parts, plan, SETTINGS)
    assert scatter.variance == pytest.approx(top / share**2, rel=1e-3)
    assert scatter.effective == pytest.approx(share**2 / square, rel=1e-3)


def test_without_any_variation_between_gardens_the_scatter_is_arithmetic() -> None:
    # A = (1/(2 x 0.5) + 1/2)/3 = 1/2, B = 1/2 + 1/2 = 1: variance A + B, all gardens alike; by hand
    scatter = formula_scatter(DesignComponents(0, 1, 0), SurveyPlan(2, 2, 1, 3, 0.5), SETTINGS)
    assert scatter.variance == pytest.approx(1.5)
    assert scatter.effective == pytest.approx(1.0)


@pytest.mark.parametrize("df", [5, 9, 20, 60])
@pytest.mark.parametrize("shift", [0.0, 1.0, 2.0, 3.5])
def test_the_power_of_a_t_test_is_that_of_statsmodels(shift: float, df: int) -> None:
    outside = TTestPower().power(effect_size=shift / math.sqrt(df + 1), nobs=df + 1, alpha=0.05, df=df)
    assert t_test_power(shift, df, 0.95) == pytest.approx(outside, abs=0.012)  # a normal approximation


def test_power_does_not_know_up_from_down() -> None:
    assert t_test_power(-2.0, 12, 0.95) == t_test_power(2.0, 12, 0.95)


# Power by the same formula in a study made with other code for this project: sites, base seasons, nights, rate,
# components, ratio, power printed to two digits.
PRINTED = [
    (15, 1, 3, 3.0, 1.0, 1.0, 0.0, 0.5, 0.56),
    (30, 1, 3, 3.0, 1.0, 1.0, 0.0, 0.7, 0.40),
    (30, 3, 2, 3.0, 1.0, 1.0, 0.2, 0.6, 0.54),
    (60, 3, 2, 0.5, 1.0, 1.0, 0.2, 0.6, 0.52),
    (40, 3, 3, 10.0, 2.5, 2.5, 0.0, 0.5, 0.87),
    (20, 3, 4, 20.0, 0.5, 0.5, 0.1, 0.6, 0.96),
    (60, 1, 2, 2.0, 1.0, 1.0, 0.2, 0.6, 0.65),
    (40, 3, 2, 2.0, 1.0, 1.0, 0.0, 1.0, 0.05),
]


@pytest.mark.parametrize("row", PRINTED)
def test_the_formula_gives_the_powers_that_were_printed(row: tuple[float, ...]) -> None:
    sites, base, nights, rate, site, night, season, ratio, power = row
    plan = SurveyPlan(int(nights), int(nights), int(base), rate, ratio)
    found = formula_power(int(sites), DesignComponents(site, night, season), plan, SETTINGS)
    assert found == pytest.approx(power, abs=0.0075)  # printed to two digits, with 40 nodes


def test_the_error_of_a_level_is_that_of_simulated_gardens() -> None:
    parts, rng = DesignComponents(1.0, 1.0), np.random.default_rng(3)
    site = rng.gamma(1.0, 1.0, (40_000, 1))
    counts = rng.poisson(2.0 * site * rng.gamma(1.0, 1.0, (40_000, 3)))
    simulated = counts.mean(axis=1).std() / 2.0
    assert level_error(1, 2.0, 3, parts) == pytest.approx(simulated, rel=0.02)
    assert level_error(25, 2.0, 3, parts) == pytest.approx(simulated / 5, rel=0.02)


def test_gardens_for_a_level_are_the_fewest() -> None:
    parts = DesignComponents(1.0, 1.0)
    # 1/(2 x 2) + 1 + 1 x 2/2 = 2.25 = 1.5^2, so 0.3 takes (1.5/0.3)^2 = 25 gardens; by hand
    assert garden_variance(2.0, 2, parts) == pytest.approx(2.25)
    assert sites_for_level(0.3, 2.0, 2, parts) == 25
    assert sites_for_level(0.2999, 2.0, 2, parts) == 26
    assert sites_for_level(5.0, 2.0, 2, parts) == 1
