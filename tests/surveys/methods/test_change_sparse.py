"""The F pivot against exact conditional limits, and how its parts behave."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from surveys.methods.change import estimate_change
from surveys.methods.change_records import ChangeSettings
from surveys.methods.change_sparse import f_limit, f_p_value, f_quantile, pooled_dispersion
from tests.reference.change_worlds import make_change_rows

SETTINGS = ChangeSettings()

# Two Poisson totals c1 in t1 and c2 in t2, with exact conditional (Clopper-Pearson) limits and one-sided mid-p value:
# check values P3 (Gu and others 2008, in the tests of statsmodels), P4 and P5 (R poisson.test).
RATES = [
    # c1, t1, c2, t2, lower, upper
    (60, 51477.5, 30, 54308.7, 1.339735722, 3.388365574),
    (9983, 1.0, 10291, 1.0, 0.9436314464, 0.9972483569),
    (11, 800.0, 21, 3011.0, 0.8584264034, 4.277265944),
]


def quantile(above: float, below: float, share: float) -> float:
    return float(f_quantile(np.array(above), np.array(below), share))


@pytest.mark.parametrize(("c1", "t1", "c2", "t2", "lower", "upper"), RATES)
def test_the_f_quantile_gives_the_exact_conditional_limits(
    *, c1: int, t1: float, c2: int, t2: float, lower: float, upper: float
) -> None:
    # the exact limits count the total itself to one side for the lower limit, to the other for the upper one
    assert c1 / (c2 + 1) * t2 / t1 * quantile(c1, c2 + 1, 0.025) == pytest.approx(lower, rel=1e-8)
    assert (c1 + 1) / c2 * t2 / t1 * quantile(c1 + 1, c2, 0.975) == pytest.approx(upper, rel=1e-8)


@pytest.mark.parametrize(("c1", "t1", "c2", "t2", "lower", "upper"), RATES)
def test_the_pivot_lies_just_within_the_exact_limits(
    *, c1: int, t1: float, c2: int, t2: float, lower: float, upper: float
) -> None:
    middle = np.array((c1 + 0.5) / (c2 + 0.5) * t2 / t1)
    one = np.ones(())
    low, high = (float(f_limit(middle, np.array(c1), np.array(c2), one, share)) for share in (0.025, 0.975))
    assert lower < low < lower * 1.12
    assert upper / 1.12 < high < upper


def test_the_pivot_comes_near_the_mid_p_limits() -> None:
    # check values P5: mid-p limits 0.9167 and 4.0584 (epitools; good to about 1e-4)
    middle = np.array(11.5 / 21.5 * 3011 / 800)
    limits = [float(f_limit(middle, np.array(11), np.array(21), np.ones(()), share)) for share in (0.025, 0.975)]
    assert limits == pytest.approx([0.9167, 4.0584], rel=0.02)


@pytest.mark.parametrize(
    ("c1", "t1", "c2", "t2", "one_sided"),
    [(60, 51477.5, 30, 54308.7, 0.000310132442), (11, 800.0, 21, 3011.0, 0.04003841828)],  # check values P3, P5: mid-p
)
def test_the_p_value_comes_near_twice_the_one_sided_mid_p(
    c1: int, t1: float, c2: int, t2: float, one_sided: float
) -> None:
    middle = np.array((c1 + 0.5) / (c2 + 0.5) * t2 / t1)
    assert float(f_p_value(middle, np.array(c1), np.array(c2), np.ones(()))) == pytest.approx(2 * one_sided, rel=0.08)


@settings(max_examples=60, deadline=None)
@given(above=st.floats(0.2, 500), below=st.floats(0.2, 500), share=st.floats(0.01, 0.99))
def test_the_quantile_is_that_of_the_f_distribution(above: float, below: float, share: float) -> None:
    assert quantile(above, below, share) == pytest.approx(stats.f.ppf(share, 2 * above, 2 * below), rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    period=st.integers(0, 40),
    base=st.integers(0, 40),
    exposure=st.floats(0.05, 20),
    dispersion=st.floats(1.0, 6.0),
)
def test_limits_are_finite_and_say_the_same_as_the_p_value(
    period: int, base: int, exposure: float, dispersion: float
) -> None:
    middle = np.array((period + 0.5) / (base + 0.5) * exposure)
    sides = (middle, np.array(period), np.array(base), np.array(dispersion))
    low, high = (float(f_limit(*sides, share)) for share in (0.025, 0.975))
    assert 0.0 < low < high < np.inf
    p_value = float(f_p_value(*sides))
    assert (p_value < 0.05) == (not low <= 1.0 <= high) or abs(p_value - 0.05) < 1e-6


def test_more_dispersion_is_a_wider_interval() -> None:
    sides = (np.array(1.0), np.array(4), np.array(12))
    narrow, wide = ([float(f_limit(*sides, np.array(d), share)) for share in (0.025, 0.975)] for d in (1.0, 3.0))
    assert wide[0] < narrow[0]
    assert wide[1] > narrow[1]


def test_dispersion_is_pooled_and_never_below_one() -> None:
    assert pooled_dispersion(np.array([10.0, 20.0]), np.array([5.0, 5.0])) == 3.0  # 30 / 10 by hand
    assert pooled_dispersion(np.array([1.0]), np.array([5.0])) == 1.0
    assert pooled_dispersion(np.array([]), np.array([])) == 1.0


def revisits(base: list[int], period: list[int], efforts: tuple[float, float] = (1.0, 1.0)) -> dict[str, object]:
    sites = np.arange(len(base))
    return {
        "period": np.r_[np.zeros(sites.size, int), np.ones(sites.size, int)],
        "site": np.r_[sites, sites],
        "low": np.r_[base, period],
        "effort": np.r_[np.full(sites.size, efforts[0]), np.full(sites.size, efforts[1])],
    }


def test_no_animal_in_the_period_has_an_upper_limit() -> None:
    rows = make_change_rows(**revisits([3] * 12, [0] * 12))
    cell = estimate_change(rows, SETTINGS).cell(0, 1)
    assert (cell.method, cell.ratio, cell.low, cell.df) == ("sparse", 0.0, 0.0, None)
    # with half an animal on both sides and no scatter between gardens: F(1, 73) times 0.5 / 36.5, from scipy.stats
    assert cell.high == pytest.approx(0.5 / 36.5 * stats.f.ppf(0.975, 1, 73))
    assert (cell.shown, cell.code) == (True, "shown")  # 36 animals of base and period together; none is asked of either


def test_no_animal_in_the_base_has_no_ratio_but_a_lower_limit() -> None:
    rows = make_change_rows(**revisits([0] * 12, [3] * 12))
    cell = estimate_change(rows, SETTINGS).cell(0, 1)
    assert (cell.ratio, cell.method, cell.shown, cell.code) == (None, "sparse", False, "no_animals_in_base")
    assert cell.low == pytest.approx(36.5 / 0.5 * stats.f.ppf(0.025, 73, 1))
    assert np.isfinite(cell.high)
    assert cell.p_value < 0.001


def test_unequal_efforts_are_matched_garden_by_garden() -> None:
    # a rich garden trapped mostly in the base, a poor one mostly in the period: each keeps its rate. Pooled rates would
    # say (9 / 11) / (27 / 11); by hand the ratio is 1, and the conditional Poisson equation is solved by it.
    rows = make_change_rows(
        period=[0, 0, 1, 1],
        site=[0, 1, 0, 1],
        effort=[9.0, 2.0, 1.0, 10.0],
        low=[27, 1, 3, 5],
    )
    exact = estimate_change(rows, ChangeSettings(sparse_period_animals=1e9)).cell(0, 1)
    # garden 0: 3 a night both times; garden 1: 1/2 a night both times
    assert exact.method == "sparse"
    assert exact.ratio == pytest.approx(1.0, rel=1e-6)


def test_too_few_animals_in_the_period_or_the_base_are_taken_sparsely() -> None:
    few_now = estimate_change(make_change_rows(**revisits([3] * 12, [1, 1, 1, 1] + [0] * 8)), SETTINGS).cell(0, 1)
    few_then = estimate_change(make_change_rows(**revisits([1] * 9 + [0] * 3, [3] * 12)), SETTINGS).cell(0, 1)
    enough = estimate_change(make_change_rows(**revisits([1] * 10 + [0] * 2, [1] * 5 + [0] * 7)), SETTINGS).cell(0, 1)
    assert [cell.method for cell in (few_now, few_then, enough)] == ["sparse", "sparse", "by_site"]
