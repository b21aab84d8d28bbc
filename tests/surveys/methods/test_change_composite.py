"""Several groups in one figure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from surveys.methods.change import estimate_change
from surveys.methods.change_composite import composite_cell, composite_change
from surveys.methods.change_records import ChangeInput, ChangeResult, ChangeSettings
from tests.reference.change_worlds import ChangeWorld, draw_change, make_change_rows

SETTINGS = ChangeSettings()


def group(seed: int, **changes: object) -> ChangeInput:
    base = {"sites": 25, "mean": 5.0, "site_variance": 1.0, "night_variance": 1.0, "visit_variance": 0.3, "regions": 2}
    return draw_change(ChangeWorld(**{**base, **changes}), np.random.default_rng(seed))


def estimate(rows: ChangeInput) -> ChangeResult:
    return estimate_change(rows, SETTINGS)


def pairs(base: int, period: int, gardens: int = 12) -> ChangeInput:
    return make_change_rows(
        period=[0, 1] * gardens, site=np.repeat(np.arange(gardens), 2), low=[base, period] * gardens
    )


def test_one_group_alone_is_its_own_composite() -> None:
    member = estimate(group(1))
    for composite, cell in zip(composite_change([member], SETTINGS), member.cells, strict=True):
        for name in ("ratio", "low", "high", "log_se", "df", "p_value", "effective_sites"):
            assert getattr(composite, name) == pytest.approx(getattr(cell, name))


def test_the_ratio_is_the_geometric_mean() -> None:
    members = [estimate(group(seed)) for seed in (1, 2, 3)]
    ratios = [member.cell(1, 5).ratio for member in members]
    assert composite_cell(members, 1, 5, SETTINGS).ratio == pytest.approx(np.prod(ratios) ** (1 / 3))


def test_the_same_group_three_times_is_no_surer_than_once() -> None:
    # the gardens are shared and move together; independence would say 1 / sqrt(3) of the error
    member = estimate(group(4))
    assert composite_cell([member] * 3, 0, 5, SETTINGS).log_se == pytest.approx(member.cell(0, 5).log_se)


def test_groups_that_move_apart_are_surer_together() -> None:
    members = [estimate(group(seed)) for seed in range(10, 18)]
    errors = [member.cell(0, 5).log_se for member in members]
    independent = np.sqrt(np.sum(np.square(errors))) / len(members)
    # the same gardens, drawn independently: near what independence says, up to the scatter of a variance
    assert composite_cell(members, 0, 5, SETTINGS).log_se == pytest.approx(independent, rel=0.35)


def test_gardens_not_shared_add_their_variances() -> None:
    one, other = group(21), group(22)
    elsewhere = replace(other, site=other.site + 10_000)
    members = [estimate(one), estimate(elsewhere)]
    expected = np.sqrt(sum(member.cell(0, 5).log_se ** 2 for member in members)) / 2  # disjoint sums, by hand
    found = composite_cell(members, 0, 5, SETTINGS)
    assert found.log_se == pytest.approx(expected)
    assert found.effective_sites > max(member.cell(0, 5).effective_sites for member in members)


def test_a_member_without_animals_in_the_base_or_the_period_is_shown_singly() -> None:
    fine, gone, new = (estimate(pairs(*counts)) for counts in ((4, 3), (4, 0), (0, 4)))
    for members, without in (([fine, gone], (1,)), ([new, fine], (0,)), ([gone, new], (0, 1))):
        cell = composite_cell(members, 0, 1, SETTINGS)
        assert (cell.ratio, cell.low, cell.high, cell.shown) == (None, None, None, False)
        assert (cell.code, cell.without) == ("show_singly", without)


def test_a_member_that_is_not_shown_keeps_the_composite_back() -> None:
    fine, few = estimate(pairs(4, 3, gardens=12)), estimate(pairs(4, 3, gardens=8))
    cell = composite_cell([fine, few], 0, 1, SETTINGS)
    assert (cell.shown, cell.code, cell.without) == (False, "member_not_shown", (1,))
    assert cell.ratio is not None


def test_a_sparse_member_takes_part_with_its_own_scatter() -> None:
    fine, sparse = estimate(pairs(4, 3)), estimate(group(30, mean=0.1, periods=2, regions=1))
    assert sparse.cell(0, 1).method == "sparse"
    assert sparse.cell(0, 1).ratio  # this seed has animals on both sides
    cell = composite_cell([fine, sparse], 0, 1, SETTINGS)
    assert cell.low < cell.ratio < cell.high
    assert cell.log_se > fine.cell(0, 1).log_se / 2


def test_the_base_of_all_is_the_base_of_the_composite() -> None:
    cell = composite_cell([estimate(pairs(4, 3)), estimate(pairs(2, 5))], 0, 0, SETTINGS)
    assert (cell.ratio, cell.code, cell.low) == (1.0, "is_base", None)


def test_no_groups_and_one_garden_are_no_error() -> None:
    assert composite_change([], SETTINGS) == ()
    assert composite_cell([], 0, 0, SETTINGS).code == "no_groups"
    cell = composite_cell([estimate(pairs(40, 30, gardens=1))], 0, 1, SETTINGS)
    assert (cell.code, cell.low, cell.shown) == ("few_effective_sites", None, False)


def test_groups_of_different_shape_are_refused() -> None:
    with pytest.raises(ValueError, match="expected the same for every group"):
        composite_cell([estimate(pairs(4, 3)), estimate(group(1))], 0, 1, SETTINGS)
