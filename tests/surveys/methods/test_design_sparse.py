"""Thin designs: regions put together from drawn gardens, the F pivot, and how both powers are joined."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from surveys.methods.design import power_of_change
from surveys.methods.design_records import DesignComponents, DesignSettings, SurveyPlan
from surveys.methods.design_scatter import index_scatter
from surveys.methods.design_sparse import ThinPower, blend, can_be_thin, log_ratios, pivot_shows, thin_power
from tests.benchmarks.power_of_design import Design, simulate

SETTINGS = DesignSettings()
PARTS = DesignComponents(0.5, 1.0, 0.1)
THIN = SurveyPlan(nights=1, base_nights=1, base_seasons=3, rate=0.3, ratio=0.5)


def test_a_thin_design_is_near_a_simulation_of_the_index() -> None:
    found, _, _ = simulate(Design(30, 3, 1, 1, 0.3, 0.5, 1, 0.1, 0.5), 400, seed=5)
    figure = power_of_change(30, PARTS, THIN, SETTINGS)
    assert abs(figure.power - found) <= 0.05 + 2 * (found * (1 - found) / 400) ** 0.5


def test_only_designs_with_few_animals_can_be_thin() -> None:
    assert can_be_thin(30, THIN)
    assert not can_be_thin(30, replace(THIN, rate=20.0))
    # 8 x 5 animals in the season: 40 gardens x 2 x 1 x 0.5 = 40, by hand; the base then has 240
    assert not can_be_thin(40, replace(THIN, rate=2.0))
    assert can_be_thin(39, replace(THIN, rate=2.0))


def test_a_design_with_many_animals_gets_no_part_of_it() -> None:
    scatter = index_scatter(PARTS, replace(THIN, rate=20.0), SETTINGS)
    found = thin_power(30, scatter, replace(THIN, rate=20.0), SETTINGS, t=2.0, df=20.0, error=0.3)
    assert found == ThinPower(0.0, 0.0)
    assert blend(0.7, found) == 0.7


def test_the_share_of_thin_regions_is_that_of_poisson_totals_where_gardens_are_alike() -> None:
    plan, alike = replace(THIN, base_nights=4), DesignComponents(0.0, 0.0, 0.0)
    scatter = index_scatter(alike, plan, SETTINGS)
    found = thin_power(40, scatter, plan, SETTINGS, t=2.0, df=20.0, error=0.4)
    # season total Poisson(40 x 0.3 x 0.5 = 6), thin below 5; base Poisson(144), never thin
    assert found.thin == pytest.approx(stats.poisson(6.0).cdf(4), abs=0.04)


def test_powers_are_joined_without_a_step() -> None:
    assert blend(0.5, ThinPower(0.3, 0.0)) == 0.5
    assert blend(0.5, ThinPower(0.3, 0.05)) == pytest.approx(0.4)
    assert blend(0.5, ThinPower(0.3, 0.1)) == blend(0.5, ThinPower(0.3, 0.9)) == pytest.approx(0.3)


@pytest.mark.parametrize(("season", "base"), [(0, 12), (1, 14), (2, 10), (4, 4), (9, 2), (4, 20)])
def test_the_pivot_decides_as_a_mid_p_test_of_a_binomial_share(season: int, base: int) -> None:
    # Without further scatter and with equal effort the animals of the season are binomial(n, 1/2) given their sum;
    # Przyborowski & Wilenski 1940. The half animals make the pivot a mid-p test but for a few thousandths.
    plan = SurveyPlan(1, 1, 1, 1.0, 0.5)
    shows = bool(pivot_shows(np.array([float(season)]), np.array([float(base)]), 1.0, plan, SETTINGS)[0])
    share = stats.binom(season + base, 0.5)
    fewer = min(season, base)
    mid_p = 2 * (share.cdf(fewer) - 0.5 * share.pmf(fewer))
    assert abs(mid_p - 0.05) > 0.003, "a case at the limit would prove nothing"
    assert shows == (mid_p < 0.05)


def test_regions_of_average_gardens_have_the_log_ratio_of_the_plan() -> None:
    scatter = index_scatter(PARTS, THIN, SETTINGS)
    season, base = np.array([30 * 0.3 * 0.5]), np.array([30 * 0.3 * 3.0])  # as expected, by hand
    found = log_ratios(season, base, np.zeros(1), scatter=scatter, plan=THIN, sites=30)
    assert found == pytest.approx([scatter.limit])


def test_the_same_thin_question_gets_the_same_answer() -> None:
    assert power_of_change(30, PARTS, THIN, SETTINGS) == power_of_change(30, PARTS, THIN, SETTINGS)
