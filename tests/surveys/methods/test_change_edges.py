"""Where there is little or nothing to compare: everything stays finite and says why."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from surveys.methods.change import estimate_change
from surveys.methods.change_gate import ChangeDesign, gardens_missing, pass_change_gate
from surveys.methods.change_layout import arrange_fit, arrange_visits
from surveys.methods.change_records import (
    ChangeCell,
    ChangeInput,
    ChangeResult,
    ChangeSettings,
    ImputedCounts,
    base_of,
)
from tests.reference.change_worlds import make_change_rows

SETTINGS = ChangeSettings()
# At working variance 0 the ratio of gardens that all say the same is theirs, by hand. At 0.3 it lies a little further
# from 1 (0.493 for 30 to 15): the likelihood expects scatter that is not there.
PLAIN = ChangeSettings(working_night_variance=0.0)


def table(counts: list[list[int | None]], **more: Any) -> ChangeInput:
    """One garden a row, one period a column; None where it was not visited."""
    entries = [(s, t, y) for s, row in enumerate(counts) for t, y in enumerate(row) if y is not None]
    site, period, low = zip(*entries, strict=True)
    return make_change_rows(site=site, period=period, low=low, **more)


def estimate(counts: list[list[int | None]], settings: ChangeSettings = PLAIN) -> ChangeResult:
    return estimate_change(table(counts), settings)


def assert_nothing(cell: ChangeCell, code: str) -> None:
    assert (cell.ratio, cell.low, cell.high, cell.log_se, cell.df, cell.p_value) == (None,) * 6
    assert (cell.method, cell.shown, cell.code) == ("none", False, code)
    assert cell.more_sites_needed >= 1


@pytest.mark.parametrize(
    ("seasons", "base"), [(0, ()), (1, (0,)), (2, (0,)), (3, (0,)), (4, (0, 1, 2)), (9, (0, 1, 2))]
)
def test_the_base_is_the_first_season_until_a_fourth_has_begun(seasons: int, base: tuple[int, ...]) -> None:
    assert base_of(seasons, SETTINGS) == base


def test_no_returns_at_all_are_no_error() -> None:
    result = estimate_change(make_change_rows(period=[], site=[], low=[], n_regions=2, n_periods=2), SETTINGS)
    assert [cell.code for cell in result.cells] == ["no_returns"] * 4
    assert [cell.more_sites_needed for cell in result.cells] == [1, 10, 1, 10]


def test_no_periods_and_no_regions_are_no_error() -> None:
    assert estimate_change(make_change_rows(period=[], site=[], low=[], n_regions=0, n_periods=0), SETTINGS).cells == ()


def test_one_period_is_its_own_base() -> None:
    (cell,) = estimate([[3], [4], [0]]).cells
    assert (cell.ratio, cell.low, cell.high, cell.code, cell.shown) == (1.0, None, None, "is_base", False)


def test_gardens_that_never_come_back_are_not_compared() -> None:
    cell = estimate([[5, None]] * 12 + [[None, 6]] * 12).cell(0, 1)
    assert_nothing(cell, "no_revisited_sites")
    assert cell.more_sites_needed == 10


def test_one_revisited_garden_gives_a_ratio_without_an_interval() -> None:
    cell = estimate([[30, 15], [5, None]]).cell(0, 1)
    assert (cell.revisited_sites, cell.method, cell.code) == (1, "by_site", "few_revisited_sites")
    assert cell.ratio == pytest.approx(15 / 30)  # by hand
    assert (cell.low, cell.high, cell.p_value) == (None, None, None)
    assert cell.more_sites_needed == 9


def test_a_group_absent_everywhere_has_no_ratio() -> None:
    cell = estimate([[0, 0]] * 12).cell(0, 1)
    assert (cell.ratio, cell.shown, cell.code, cell.effective_sites) == (None, False, "few_animals", 0.0)
    assert cell.low == 0.0
    assert np.isfinite(cell.high)


def test_a_period_without_returns_says_so() -> None:
    result = estimate([[4, None, 3]] * 12)
    assert_nothing(result.cell(0, 1), "no_returns")
    assert result.cell(0, 2).shown


def test_a_region_that_began_after_the_base_has_nothing_to_compare_with() -> None:
    rows = make_change_rows(
        period=[0, 1] * 12 + [1, 2] * 12, site=np.repeat(np.arange(24), 2), region=[0] * 24 + [1] * 24, low=[4] * 48
    )
    result = estimate_change(rows, SETTINGS)
    assert result.cell(0, 1).shown
    assert result.cell(1, 0).code == "no_returns"
    assert_nothing(result.cell(1, 2), "no_base_returns")


def test_a_base_season_without_an_animal_counts_as_zero_in_the_mean() -> None:
    # rates 4, 0, 2 in the base and 2 after it, the same in every garden: 2 / mean(4, 0, 2) = 1, by hand
    result = estimate([[4, 0, 2, 2]] * 12)
    assert [result.cell(0, t).ratio for t in range(4)] == pytest.approx([2.0, 0.0, 1.0, 1.0])
    assert result.cell(0, 1).method == "sparse"


def test_a_base_season_that_nobody_visited_is_left_out_of_the_mean() -> None:
    # 4 and 2 in the base, 6 after it: 6 / mean(4, 2) = 2, by hand
    result = estimate([[4, None, 2, 6]] * 12)
    assert result.cell(0, 3).ratio == pytest.approx(2.0)
    assert_nothing(result.cell(0, 1), "no_returns")


def test_a_base_season_is_compared_with_the_mean_of_all_of_the_base() -> None:
    # sparse and by site agree where every garden says the same: 1 / mean(1, 2, 3) and so on, by hand
    for low in ([[1, 2, 3, 2]] * 2, [[1, 2, 3, 2]] * 30):
        result = estimate(low)
        assert [result.cell(0, t).ratio for t in range(4)] == pytest.approx([0.5, 1.0, 1.5, 1.0])
    assert {cell.method for cell in estimate([[1, 2, 3, 2]] * 2).cells} == {"sparse"}
    assert {cell.method for cell in estimate([[1, 2, 3, 2]] * 30).cells} == {"by_site"}


def test_periods_that_catches_link_only_one_way_fall_back_to_totals() -> None:
    # gardens seen in both have animals only in the second season; the first has animals elsewhere: by site the ratio
    # would be infinite
    result = estimate([[0, 4]] * 12 + [[9, None]] * 12)
    cell = result.cell(0, 1)
    assert (cell.ratio, cell.code) == (None, "no_animals_in_base")
    assert cell.method == "sparse"
    assert np.isfinite(cell.high)


def test_two_separate_sets_of_gardens_are_two_blocks() -> None:
    rows = table([[3, 4, None, None]] * 5 + [[None, None, 2, 6]] * 5)
    counts = ImputedCounts(rows.low.astype(float), np.zeros(rows.low.size))
    layout = arrange_fit(arrange_visits(rows, counts))
    assert layout.member.tolist() == [[True, True, False, False], [False, False, True, True]]
    result = estimate_change(rows, PLAIN)
    # each block has its own part of the base: seasons 0 and 1 (mean 3.5), or season 2 alone; by hand
    assert result.cell(0, 1).ratio == pytest.approx(4 / 3.5)
    assert result.cell(0, 3).ratio == pytest.approx(6 / 2)
    assert_nothing(result.cell(0, 2), "no_revisited_sites")


def test_a_garden_far_richer_than_the_rest_is_not_the_whole_story() -> None:
    cell = estimate([[4000, 1000]] + [[6, 6]] * 30, SETTINGS).cell(0, 1)
    # the conditional Poisson ratio would be 0.28; with a working variance a garden counts for a few animals at most
    assert 0.7 < cell.ratio < 1.1
    assert np.isfinite(cell.high)


def test_very_large_and_very_unequal_figures_stay_finite() -> None:
    rows = make_change_rows(
        period=[0, 1] * 12, site=np.repeat(np.arange(12), 2), low=[10**6, 1] * 12, effort=[1e-4, 1e4] * 12
    )
    cell = estimate_change(rows, SETTINGS).cell(0, 1)
    assert cell.ratio == pytest.approx(1e-14, rel=1e-2)
    assert np.isfinite([cell.low, cell.high, cell.log_se]).all()


def test_many_returns_of_one_garden_are_integrated_exactly_enough() -> None:
    # 80 nights a season, all alike: the integrand is far narrower than in other gardens, and 3 -> 6 is seen by all
    rows = make_change_rows(
        period=[0] * 80 + [1] * 80 + [0, 1] * 10,
        site=[0] * 160 + np.repeat(np.arange(1, 11), 2).tolist(),
        low=[3] * 80 + [6] * 80 + [3, 6] * 10,
    )
    cell = estimate_change(rows, SETTINGS).cell(0, 1)
    assert cell.ratio == pytest.approx(2.0, rel=0.02)


def test_classes_widen_the_interval_by_what_they_leave_open() -> None:
    rng = np.random.default_rng(3)
    counts = rng.poisson(4.0, (12, 2))
    rows = table(counts.tolist())
    exact, open_ = (
        estimate_change(rows, SETTINGS, imputed=ImputedCounts(rows.low.astype(float), np.full(24, variance))).cell(0, 1)
        for variance in (0.0, 2.0)
    )
    assert open_.ratio == exact.ratio
    assert open_.log_se > exact.log_se


def test_what_classes_leave_open_is_the_derivative_of_the_ratio_by_its_counts() -> None:
    # the open variance is sum Var(y_i) (d log ratio / d y_i)^2; the derivative here by moving one count at a time
    rng = np.random.default_rng(5)
    rows = table(rng.poisson(6.0, (6, 2)).tolist())
    variance = rng.uniform(0.1, 2.0, 12)
    found = estimate_change(
        rows, SETTINGS, imputed=ImputedCounts(rows.low.astype(float), variance)
    ).influences.open_variance[0, 1]

    def log_ratio(counts: np.ndarray) -> float:
        return np.log(estimate_change(rows, SETTINGS, imputed=ImputedCounts(counts, np.zeros(12))).cell(0, 1).ratio)

    moves = 1e-3 * np.eye(12)
    slopes = [(log_ratio(rows.low + move) - log_ratio(rows.low - move)) / 2e-3 for move in moves]
    assert found == pytest.approx(np.sum(variance * np.square(slopes)), rel=1e-4)


def test_classes_without_expectations_are_taken_at_their_middle_and_said() -> None:
    rows = make_change_rows(period=[0, 1] * 12, site=np.repeat(np.arange(12), 2), low=[4, 8] * 12, high=[7, -1] * 12)
    result = estimate_change(rows, SETTINGS)
    assert result.warnings == ("classes_without_expectations",)
    assert result.cell(0, 1).animals_base == pytest.approx(12 * np.sqrt(28))  # geometric middle of 4 to 7


def test_known_extra_variance_widens_both_kinds_of_interval() -> None:
    for counts in ([[6, 3]] * 12, [[2, 0]] * 12):
        rows = table(counts)
        plain = estimate_change(rows, SETTINGS).cell(0, 1)
        wide = estimate_change(rows, SETTINGS, extra_log_variance=np.full((1, 2), 0.2)).cell(0, 1)
        assert wide.high > plain.high
        assert wide.p_value > plain.p_value
        assert wide.log_se**2 == pytest.approx(plain.log_se**2 + 0.2)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"effort": [1.0, 0.0]}, "effort"),
        ({"effort": [1.0, np.nan]}, "effort"),
        ({"effort": [1.0]}, "one entry per return"),
        ({"low": [-1, 2]}, "zero or more"),
        ({"high": [0, 1]}, "must not end below"),
        ({"region": [0, 3], "n_regions": 2}, "regions"),
        ({"period": [0, 3], "n_periods": 2}, "periods"),
    ],
)
def test_arrays_that_cannot_be_are_refused_in_words(change: dict[str, Any], sentence: str) -> None:
    good = {"period": [0, 1], "site": [0, 0], "low": [1, 2]}
    with pytest.raises(ValueError, match=sentence):
        estimate_change(make_change_rows(**{**good, **change}), SETTINGS)


@pytest.mark.parametrize(
    ("counts", "variance"), [([1.0], [0.0]), ([1.0, -2.0], [0.0, 0.0]), ([1.0, 2.0], [0.0, np.inf])]
)
def test_imputed_counts_that_cannot_be_are_refused(counts: list[float], variance: list[float]) -> None:
    rows = make_change_rows(period=[0, 1], site=[0, 0], low=[1, 2])
    with pytest.raises(ValueError, match=r"one entry|zero or more"):
        estimate_change(rows, SETTINGS, imputed=ImputedCounts(np.array(counts), np.array(variance)))


def design(**changes: Any) -> ChangeDesign:
    good = {
        "visited_period": True,
        "visited_base": True,
        "revisited_sites": 12,
        "effective_sites": 8.0,
        "animals_base": 15.0,
        "animals_period": 6.0,
    }
    return ChangeDesign(**{**good, **changes})


@pytest.mark.parametrize(
    ("change", "code", "more"),
    [
        ({}, "shown", 0),
        ({"animals_base": 20.0, "animals_period": 0.0}, "shown", 0),  # never the period's own count
        ({"revisited_sites": 9}, "few_revisited_sites", 1),
        ({"animals_base": 6.0, "animals_period": 4.0}, "few_animals", 12),  # twice the animals, twice the gardens
        ({"effective_sites": 4.0}, "few_effective_sites", 6),  # 12 x 6 / 4 = 18
        ({"animals_base": 0.0, "animals_period": 30.0}, "no_animals_in_base", 1),
        ({"revisited_sites": 0}, "no_revisited_sites", 10),
        ({"visited_base": False}, "no_base_returns", 1),
        ({"visited_period": False}, "no_returns", 1),
    ],
)
def test_the_gate_names_the_first_reason_and_asks_for_gardens(change: dict[str, Any], code: str, more: int) -> None:
    assert pass_change_gate(design(**change), SETTINGS) == (code == "shown", code, more)


def test_a_hopeless_case_asks_for_a_number_that_fits_a_sentence() -> None:
    assert gardens_missing(design(revisited_sites=9000, animals_base=0.0, animals_period=0.0), SETTINGS) == 9999
