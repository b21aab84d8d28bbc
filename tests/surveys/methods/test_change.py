"""The change index as a whole: outside numbers, order, scale, connected and unconnected seasons."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from surveys.methods.change import estimate_change
from surveys.methods.change_records import ChangeInput, ChangeResult, ChangeSettings
from tests.reference import change_slow
from tests.reference.change_worlds import LOG_CHANGE, ChangeWorld, draw_change, make_change_rows

SETTINGS = ChangeSettings()
# Without fall-back: every ratio that exists is taken garden by garden.
BY_SITE = replace(SETTINGS, sparse_period_animals=0.0, sparse_base_animals=0.0)
CONDITIONAL = replace(BY_SITE, working_night_variance=0.0)


def world(seed: int, **changes: object) -> ChangeInput:
    base = {"sites": 15, "mean": 4.0, "site_variance": 1.0, "night_variance": 0.5, "visit_variance": 0.1, "regions": 3}
    return draw_change(ChangeWorld(**{**base, **changes}), np.random.default_rng(seed))


def figures(result: ChangeResult) -> np.ndarray:
    names = ("ratio", "low", "high", "log_se", "df", "p_value")
    return np.array([[getattr(cell, name) for name in names] for cell in result.cells], dtype=float)


def gardens_of(rows: ChangeInput) -> list[change_slow.Garden]:
    """Hand the gardens that say something to the slow program: an animal, and visits in two periods."""
    members = [rows.site == site for site in np.unique(rows.site)]
    gardens = [change_slow.Garden(rows.low[m].astype(float), rows.effort[m], rows.period[m]) for m in members]
    return [g for g in gardens if g.y.sum() > 0 and np.unique(g.period).size > 1]


@pytest.mark.parametrize(
    ("seed", "mean", "periods", "variance"), [(2, 40.0, 2, 0.3), (3, 3.0, 3, 1.0), (8, 6.0, 4, 0.3)]
)
def test_it_agrees_with_the_slow_program_to_a_millionth(seed: int, mean: float, periods: int, variance: float) -> None:
    rows = world(seed, regions=1, sites=5, mean=mean, periods=periods, night_variance=1.5, visit_variance=1.0)
    result = estimate_change(rows, replace(BY_SITE, working_night_variance=variance))
    cell = result.cell(0, periods - 1)
    slow = change_slow.change(gardens_of(rows), periods, list(result.base), periods - 1, variance)
    found = (np.log(cell.ratio), cell.log_se, cell.df, cell.low, cell.high)
    assert cell.method == "by_site"
    np.testing.assert_allclose(found, (slow.log_ratio, slow.log_se, slow.df, slow.low, slow.high), rtol=1e-6, atol=1e-6)


# Site x year tables of the project's check values, X2 and X3: R glm (Poisson) and statsmodels agree on these figures.
# A Poisson regression with a level for every site gives the conditional Poisson estimate.
OVERDISPERSED = {
    0: (12, 30, 7, None),
    1: (22, 25, None, 2),
    2: (4, None, 11, 3),
    3: (25, 33, 4, 9),
    4: (None, 31, 2, 1),
}
UNDERDISPERSED = {
    0: (12, 30, 7, None),
    1: (15, 28, None, 4),
    2: (9, None, 6, 3),
    3: (18, 41, 10, 6),
    4: (None, 25, 5, 2),
}


def site_by_year(table: dict[int, tuple[int | None, ...]]) -> ChangeInput:
    entries = [(year, site, y) for year, row in table.items() for site, y in enumerate(row) if y is not None]
    period, site, low = zip(*entries, strict=True)
    return make_change_rows(period=period, site=site, low=low)


@pytest.mark.parametrize(
    ("table", "index", "errors"),
    [
        (
            OVERDISPERSED,
            [104.9517651, 71.754762, 134.6502691, 90.87502248],
            [0.2047383902, 0.2878822729, 0.1867098572, 0.2292962507],
        ),
        (
            UNDERDISPERSED,
            [102.8145995, 76.36107794, 142.2192059, 80.15849392],
            [0.2071911113, 0.2893929279, 0.1846921851, 0.2320089854],
        ),
    ],
)
def test_at_working_variance_0_it_is_the_site_by_year_poisson_regression(
    table: dict[int, tuple[int | None, ...]], index: list[float], errors: list[float]
) -> None:
    rows = site_by_year(table)
    result = estimate_change(rows, replace(CONDITIONAL, base_periods=1))
    assert [cell.ratio for cell in result.cells[1:]] == pytest.approx(np.array(index) / 100, rel=1e-6)
    # the standard errors of the regression are those that the working model gives, before the gardens' own scatter
    assert np.sqrt(result.influences.model_variance[0, 1:]) == pytest.approx(errors, rel=1e-6)


def test_rebasing_to_the_mean_of_three_years_divides_by_their_mean() -> None:
    result = estimate_change(site_by_year(OVERDISPERSED), CONDITIONAL)
    index = np.array([100, 104.9517651, 71.754762, 134.6502691, 90.87502248])  # check values X2, as above
    expected = index / index[:3].mean()
    assert result.base == (0, 1, 2)
    assert [cell.ratio for cell in result.cells] == pytest.approx(expected, rel=1e-6)


def test_twelve_gardens_alike_are_twelve_effective_gardens() -> None:
    # every garden: 3 animals in 1 trap-night, then 5 in 2; equal shares of 1/12, so 1 / sum h^2 = 12 (by hand)
    rows = make_change_rows(
        period=[0, 1] * 12, site=np.repeat(np.arange(12), 2), low=[3, 5] * 12, effort=[1.0, 2.0] * 12
    )
    cell = estimate_change(rows, SETTINGS).cell(0, 1)
    assert cell.effective_sites == pytest.approx(12)
    assert cell.df == pytest.approx(11)


def test_one_visit_each_is_the_ratio_of_total_rates_under_the_conditional_poisson() -> None:
    # (Y2 / E2) / (Y1 / E1) by hand: 27 / 3 over 12 / 1.5 with the same efforts in every garden
    rows = make_change_rows(
        period=[0, 1, 0, 1, 0, 1], site=[1, 1, 2, 2, 3, 3], low=[2, 9, 3, 6, 7, 12], effort=[0.5, 1.0] * 3
    )
    assert estimate_change(rows, CONDITIONAL).cell(0, 1).ratio == pytest.approx((27 / 3) / (12 / 1.5))


def test_the_hand_solvable_table_doubles() -> None:
    # check values X1: A 10, 20; B 5, missing. B is not visited twice and says nothing; the index is 200.
    rows = make_change_rows(period=[0, 1, 0], site=[0, 0, 1], low=[10, 20, 5])
    cell = estimate_change(rows, CONDITIONAL).cell(0, 1)
    assert (cell.ratio, cell.revisited_sites, cell.animals_base) == (pytest.approx(2.0), 1, 10.0)
    # SE(log ratio) = sqrt(1/10 + 1/20) in the same place; one garden gives no scatter of its own, hence no interval
    assert np.sqrt(estimate_change(rows, CONDITIONAL).influences.model_variance[0, 1]) == pytest.approx(0.3872983346)
    assert (cell.low, cell.high, cell.log_se, cell.p_value) == (None, None, None, None)


def shuffle(rows: ChangeInput) -> ChangeInput:
    order = np.random.default_rng(0).permutation(rows.region.size)
    names = ("region", "period", "site", "effort", "low", "high")
    return replace(rows, **{name: getattr(rows, name)[order] for name in names})


def test_the_order_of_returns_does_not_change_a_digit() -> None:
    rows = world(4)
    assert estimate_change(rows, SETTINGS).cells == estimate_change(shuffle(rows), SETTINGS).cells


def test_the_numbers_of_sites_do_not_matter() -> None:
    rows = world(4)
    renamed = replace(rows, site=9000 - 7 * rows.site)
    one, other = (figures(estimate_change(each, SETTINGS)) for each in (rows, renamed))
    np.testing.assert_allclose(one, other, rtol=1e-9)


def test_regions_do_not_touch_one_another_where_animals_are_many() -> None:
    rows = world(6)
    alone = rows.region == 1
    names = ("region", "period", "site", "effort", "low", "high")
    part = replace(rows, **{name: getattr(rows, name)[alone] for name in names})
    together, apart = (estimate_change(each, SETTINGS) for each in (rows, part))
    for period in range(6):
        assert together.cell(1, period).method == "by_site"
        assert apart.cell(1, period).log_se == pytest.approx(together.cell(1, period).log_se, rel=1e-9)
        assert apart.cell(0, period).code == "no_returns"


def test_scaling_the_efforts_of_every_period_or_of_one_garden_changes_nothing() -> None:
    rows = world(7)
    plain = figures(estimate_change(rows, SETTINGS))
    doubled = figures(estimate_change(replace(rows, effort=2.0 * rows.effort), SETTINGS))
    np.testing.assert_allclose(plain, doubled, rtol=1e-7)
    # the level of a garden is free: its efforts may be in any unit of its own
    own_units = np.exp(np.random.default_rng(1).normal(size=rows.site.max() + 1))
    np.testing.assert_allclose(
        plain[:, 3:],
        figures(estimate_change(replace(rows, effort=rows.effort * own_units[rows.site]), BY_SITE))[:, 3:],
        rtol=1e-5,
    )


def test_twice_the_effort_in_the_last_period_halves_its_ratio() -> None:
    rows = world(8)
    more = replace(rows, effort=np.where(rows.period == 5, 2.0 * rows.effort, rows.effort))
    for region in range(3):
        once, twice = (estimate_change(each, SETTINGS).cell(region, 5) for each in (rows, more))
        assert twice.ratio == pytest.approx(once.ratio / 2, rel=1e-7)
        assert twice.log_se == pytest.approx(once.log_se, rel=1e-7)


def test_a_garden_visited_once_or_without_animals_adds_nothing_but_its_design() -> None:
    rows = world(9, regions=1)
    extra = make_change_rows(period=[0, 3, 5], site=[900, 901, 901], low=[50, 0, 0], n_periods=6)
    names = ("region", "period", "site", "effort", "low", "high")
    more = replace(rows, **{name: np.r_[getattr(rows, name), getattr(extra, name)] for name in names})
    one, other = (figures(estimate_change(each, SETTINGS)) for each in (rows, more))
    np.testing.assert_allclose(one, other, rtol=1e-9)


def test_more_confidence_is_a_wider_interval() -> None:
    rows = world(10)
    narrow, wide = (figures(estimate_change(rows, replace(SETTINGS, confidence=level))) for level in (0.8, 0.99))
    assert (wide[:, 1] < narrow[:, 1]).all()
    assert (wide[:, 2] > narrow[:, 2]).all()


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), mean=st.sampled_from([0.05, 0.4, 3.0, 60.0]), sites=st.integers(1, 14))
def test_whatever_comes_every_figure_is_finite_and_in_order(seed: int, mean: float, sites: int) -> None:
    rows = world(seed, mean=mean, sites=sites, site_variance=2.5, night_variance=2.5, visit_variance=0.3)
    result = estimate_change(rows, SETTINGS)
    assert result.warnings == ()
    for cell in result.cells:
        values = (cell.ratio, cell.low, cell.high, cell.log_se, cell.df, cell.p_value)
        assert all(value is None or np.isfinite(value) for value in values)
        if cell.low is not None and cell.ratio is not None:
            assert 0.0 <= cell.low <= cell.ratio <= cell.high
        if cell.p_value is not None:
            # the p-value and the interval are one statement
            assert (cell.p_value < 0.05) == (not cell.low <= 1.0 <= cell.high) or abs(cell.p_value - 0.05) < 1e-6
        assert cell.shown == (cell.code == "shown")
        assert (cell.more_sites_needed == 0) == cell.shown


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_shares_sum_to_one_and_influences_to_zero(seed: int) -> None:
    rows = world(seed, mean=5.0)
    influences = estimate_change(rows, BY_SITE).influences
    for region in range(3):
        mine = influences.region == region
        np.testing.assert_allclose(influences.share[mine].sum(axis=0), 1.0, atol=1e-6)
        np.testing.assert_allclose(influences.value[mine].sum(axis=0), 0.0, atol=1e-6)


def test_gardens_that_all_agree_do_not_make_the_animals_certain() -> None:
    # 12 gardens halve exactly: their scatter is 0, but 36 animals and 72 animals are still counts
    rows = make_change_rows(period=[0, 1] * 12, site=np.repeat(np.arange(12), 2), low=[6, 3] * 12)
    cell = estimate_change(rows, SETTINGS).cell(0, 1)
    assert cell.log_se == pytest.approx(np.sqrt(1 / 36 + 1 / 72))  # two Poisson totals, by hand


# The project's own simulation (python -m tests.benchmarks.coverage_of_change): 93.8 to 97.2 % of the regions shown.
# 200 regions leave a standard error of 1.5 %: 90.5 to 99 % catches gross errors only.
@pytest.mark.parametrize("mean", [0.3, 3.0])
def test_intervals_hold_the_true_change_about_as_often_as_they_say(mean: float) -> None:
    rows = world(77, sites=25, mean=mean, night_variance=1.0, visit_variance=0.3, regions=200)
    cells = [cell for cell in estimate_change(rows, SETTINGS).cells if cell.period == 5 and cell.shown]
    assert len(cells) > 100
    assert 0.905 <= np.mean([np.log(max(c.low, 1e-9)) <= LOG_CHANGE <= np.log(c.high) for c in cells]) <= 0.99
    assert np.median([c.ratio for c in cells]) == pytest.approx(np.exp(LOG_CHANGE), rel=0.15)
