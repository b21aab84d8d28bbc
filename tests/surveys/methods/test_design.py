"""The design calculator against simulations of the change index, and its searches against trying every number."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestPower

from surveys.methods.design import (
    REACH,
    chance_beyond,
    gardens_to_invite,
    nights_for_power,
    power_of_change,
    sites_for_power,
)
from surveys.methods.design_records import DesignComponents, DesignSettings, SurveyPlan
from surveys.methods.design_scatter import draw_gardens, index_scatter, score_gardens
from tests.benchmarks.power_of_design import Design, simulate

SETTINGS = DesignSettings()
QUICK = DesignSettings(drawn_gardens=256)
PARTS = DesignComponents(1.0, 1.0, 0.1)
PLAN = SurveyPlan(nights=2, base_nights=2, base_seasons=3, rate=2.0, ratio=0.5)


@pytest.mark.parametrize(
    "design",
    [
        Design(20, 1, 2, 2, 4, 1, 1, 0.1, 0.5),
        Design(25, 3, 2, 2, 2, 1, 1, 0.2, 0.5),
        Design(30, 1, 1, 2, 8, 0.5, 0.5, 0.3, 1.5),
        Design(20, 3, 4, 4, 0.3, 0.3, 0.3, 0.1, 0.5),
    ],
)
def test_the_calculator_is_near_a_simulation_of_the_index(design: Design) -> None:
    regions = 300  # the full table, with 2000, is tests/benchmarks/power_of_design.py
    found, _, _ = simulate(design, regions, seed=11)
    figure = power_of_change(design.sites, design.components, design.plan, SETTINGS)
    assert abs(figure.power - found) <= 0.05 + 2 * math.sqrt(found * (1 - found) / regions)


def test_no_change_is_found_as_often_as_the_level_of_the_test() -> None:
    figure = power_of_change(60, PARTS, replace(PLAN, ratio=1.0), SETTINGS)
    assert figure.power == pytest.approx(0.05, abs=0.01)


def test_without_a_floor_the_chance_is_the_power_of_a_t_test() -> None:
    free = np.zeros_like(REACH)
    for shift, df in ((0.5, 6), (2.0, 12), (3.0, 40)):
        both = sum(
            chance_beyond(shift, 1.0, df=df, side=side, least=free, t=stats.t.ppf(0.975, df)) for side in (-1.0, 1.0)
        )
        outside = TTestPower().power(effect_size=shift / math.sqrt(df + 1), nobs=df + 1, alpha=0.05, df=df)
        assert both == pytest.approx(outside, abs=0.002)


def test_a_floor_that_nothing_gets_over_leaves_no_chance() -> None:
    least = np.full_like(REACH, 100.0)
    assert chance_beyond(-1.0, 0.1, df=20, side=-1.0, least=least, t=2.1) == 0.0


def test_the_same_question_gets_the_same_answer() -> None:
    assert power_of_change(30, PARTS, PLAN, SETTINGS) == power_of_change(30, PARTS, PLAN, SETTINGS)


def test_another_draw_moves_the_power_by_a_few_hundredths_at_most() -> None:
    powers = [power_of_change(30, PARTS, PLAN, replace(SETTINGS, seed=seed)).power for seed in range(6)]
    assert max(powers) - min(powers) < 0.03


def test_drawn_gardens_have_the_moments_of_the_planning_model() -> None:
    gardens = draw_gardens(PARTS, PLAN, SETTINGS)
    mean = gardens.total.mean(axis=0)
    assert mean == pytest.approx([4.0, 4.0, 4.0, 2.0], rel=0.05)  # 2 a night, 2 nights, halved in the last; by hand
    # variance of a total with mean M: M + M^2 [(1 + sS)(1 + sP)(1 + sO/n) - 1]; by hand
    factor = 2.0 * 1.1 * 1.5 - 1.0
    assert gardens.total[:, 0].var() == pytest.approx(4.0 + 16.0 * factor, rel=0.15)
    assert gardens.known.mean(axis=0) == pytest.approx(np.zeros(gardens.known.shape[1]), abs=0.05)


def test_without_over_dispersion_the_score_is_that_of_a_binomial_share() -> None:
    # With a tiny working variance the likelihood is the multinomial: score n_t - n p_t (McCullagh & Nelder 1989)
    gardens = draw_gardens(DesignComponents(0.5, 0.0, 0.0), SurveyPlan(2, 2, 1, 3.0, 0.8), QUICK)
    terms = score_gardens(gardens, np.array([0.0, math.log(0.8)]), 1e-4)
    total = gardens.total[gardens.total.sum(axis=1) > 0]
    expected = total[:, 1] - total.sum(axis=1) * 0.8 / 1.8
    assert terms.score[:, 1] == pytest.approx(expected, abs=0.02)
    assert terms.information[:, 1, 1] == pytest.approx(total.sum(axis=1) * 0.8 / 1.8**2, rel=0.02, abs=0.02)


def test_even_gardens_scatter_as_two_poisson_totals() -> None:
    # Poisson counts, gardens alike, hardly any working variance left to matter at one animal in ten nights:
    # variance of a log ratio of two totals is 1/E + 1/E per garden, stats.poisson for the moments
    plan = SurveyPlan(1, 1, 1, 4.0, 1.0)
    scatter = index_scatter(DesignComponents(0, 0, 0), plan, replace(SETTINGS, working_night_variance=1e-3))
    mean = stats.poisson(4.0).mean()
    assert scatter.variance == pytest.approx(2.0 / mean, rel=0.03)
    assert scatter.limit == pytest.approx(0.0, abs=0.01)


def test_power_rises_with_gardens_nights_rate_and_size_of_change() -> None:
    base = power_of_change(30, PARTS, PLAN, SETTINGS).power
    better = [
        power_of_change(40, PARTS, PLAN, SETTINGS),
        power_of_change(30, PARTS, replace(PLAN, nights=3, base_nights=3), SETTINGS),
        power_of_change(30, PARTS, replace(PLAN, rate=6.0), SETTINGS),
        power_of_change(30, PARTS, replace(PLAN, ratio=0.4), SETTINGS),
        power_of_change(30, replace(PARTS, night=0.5), PLAN, SETTINGS),
    ]
    assert all(figure.power > base for figure in better)


def test_the_number_of_gardens_is_the_fewest() -> None:
    found = sites_for_power(0.8, PARTS, PLAN, QUICK)
    assert found is not None
    tried = [power_of_change(sites, PARTS, PLAN, QUICK) for sites in range(found.sites - 3, found.sites + 1)]
    assert [figure.power >= 0.8 for figure in tried] == [False, False, False, True]
    assert found == tried[-1]


def test_gardens_are_as_many_as_the_gate_asks_even_where_power_needs_fewer() -> None:
    easy = SurveyPlan(nights=4, base_nights=4, base_seasons=3, rate=50.0, ratio=0.1)
    found = sites_for_power(0.5, DesignComponents(0.1, 0.1, 0.0), easy, QUICK)
    assert found is not None
    assert (found.sites, found.code) == (10, "planned")  # the gate of the change index


def test_no_number_of_gardens_shows_that_nothing_changed() -> None:
    assert sites_for_power(0.8, PARTS, replace(PLAN, ratio=1.0), QUICK) is None


def test_the_number_of_nights_is_the_fewest() -> None:
    answer = nights_for_power(0.8, 30, PARTS, PLAN, QUICK)
    assert answer is not None
    nights, figure = answer
    assert figure.power >= 0.8
    fewer = replace(PLAN, nights=nights - 1, base_nights=nights - 1)
    assert power_of_change(30, PARTS, fewer, QUICK).power < 0.8


def test_no_number_of_nights_helps_where_gardens_are_too_few() -> None:
    assert nights_for_power(0.8, 5, PARTS, PLAN, QUICK) is None


@pytest.mark.parametrize(
    ("sites", "rate", "site", "code"),
    [
        (9, 2.0, 1.0, "few_sites"),
        (10, 0.2, 1.0, "few_animals"),
        (10, 5.0, 2.5, "few_effective_sites"),
        (40, 2.0, 1.0, "planned"),
    ],
)
def test_a_design_below_the_gate_says_so(sites: int, rate: float, site: float, code: str) -> None:
    # 10 gardens at 0.2: 10 x 0.2 x (3 x 2 + 2 x 0.5) = 14 animals, below 20; by hand
    figure = power_of_change(sites, replace(PARTS, site=site), replace(PLAN, rate=rate), QUICK)
    assert figure.code == code


def test_hardly_any_animals_are_no_reason_to_stop() -> None:
    figure = power_of_change(30, PARTS, replace(PLAN, rate=0.001), QUICK)
    assert figure.code == "few_animals"
    assert 0.0 <= figure.power < 0.1


@pytest.mark.parametrize(
    "extreme", [DesignComponents(0, 0, 0), DesignComponents(0.02, 5, 2), DesignComponents(8, 0, 0)]
)
@pytest.mark.parametrize("ratio", [0.02, 1.0, 40.0])
def test_extreme_plans_have_a_power_between_0_and_1(extreme: DesignComponents, ratio: float) -> None:
    figure = power_of_change(15, extreme, SurveyPlan(1, 3, 2, 10.0, ratio), QUICK)
    assert 0.0 <= figure.power <= 1.0
    assert math.isfinite(figure.log_se)


def test_a_plan_that_cannot_be_computed_is_refused_with_every_fault() -> None:
    wrong = SurveyPlan(nights=0, base_nights=2, base_seasons=3, rate=float("nan"), ratio=-1.0)
    with pytest.raises(ValueError, match="Nights per garden: found 0") as refusal:
        power_of_change(20, DesignComponents(-1.0, 1.0), wrong, QUICK)
    for words in ("variation between gardens", "per trap-night", "ratio to be seen"):
        assert words in str(refusal.value)


@pytest.mark.parametrize("sites", [0, 1, 10_000])
def test_a_number_of_gardens_out_of_range_is_refused(sites: int) -> None:
    with pytest.raises(ValueError, match="expected 2 to 9999"):
        power_of_change(sites, PARTS, PLAN, QUICK)


@pytest.mark.parametrize("wanted", [0.0, 1.0, 1.5])
def test_a_power_that_no_design_has_is_refused(wanted: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        sites_for_power(wanted, PARTS, PLAN, QUICK)


def test_gardens_to_invite_allow_for_those_that_do_not_come_back() -> None:
    assert gardens_to_invite(30, 0.75) == 40
    assert gardens_to_invite(31, 0.75) == 42
    with pytest.raises(ValueError, match="comes back"):
        gardens_to_invite(30, 0.0)
