"""The sample of gardens from which a large season learns what its cells share, and holding that for a night."""

from dataclasses import replace

import numpy as np
import pytest

from surveys.methods.indices import estimate_level
from surveys.methods.level_layout import arrange_rows, canonical_order, count_distinct
from surveys.methods.level_records import LevelSettings
from surveys.methods.level_sample import sample_plots, share_out, take_plots
from tests.surveys.methods.test_indices import world

SETTINGS = LevelSettings(sample_returns=60)


def test_a_small_season_is_its_own_sample() -> None:
    layout = arrange_rows(world(1))
    assert sample_plots(layout, layout.low.size) is layout


def test_a_sample_keeps_every_cell_and_whole_plots() -> None:
    layout = arrange_rows(world(2))
    sample = sample_plots(layout, 60)
    np.testing.assert_array_equal(sample.cells, layout.cells)
    assert sample.low.size < layout.low.size
    returns = dict(zip(zip(layout.cells[layout.plot_cell], layout.plot_site, strict=True), sizes(layout), strict=True))
    for cell, site, size in zip(sample.cells[sample.plot_cell], sample.plot_site, sizes(sample), strict=True):
        assert returns[cell, site] == size


def sizes(layout):  # type: ignore[no-untyped-def]
    return np.diff(np.r_[layout.plot_start, layout.low.size])


def test_a_garden_stays_in_the_sample_when_others_leave_another_cell() -> None:
    rows = world(3)
    layout = arrange_rows(rows)
    fewer = arrange_rows(replace_rows(rows, rows.cell != rows.cell.max()))
    before = {site for site, cell in pairs(sample_plots(layout, 60)) if cell == 0}
    after = {site for site, cell in pairs(sample_plots(fewer, 60)) if cell == 0}
    assert before <= after


def pairs(layout):  # type: ignore[no-untyped-def]
    return list(zip(layout.plot_site.tolist(), layout.cells[layout.plot_cell].tolist(), strict=True))


def replace_rows(rows, chosen):  # type: ignore[no-untyped-def]
    arrays = ("cell", "site", "effort", "low", "high", "kind", "habitat", "night")
    return replace(rows, **{name: getattr(rows, name)[chosen] for name in arrays})


@pytest.mark.parametrize(
    ("returns", "total", "limit"),
    [([10, 10, 10], 15, 5), ([1, 100, 100], 101, 50), ([1, 2, 100], 30, 27), ([3, 3], 100, 3)],
)
def test_the_share_of_a_cell_is_found_by_filling_up(returns: list[int], total: float, limit: float) -> None:
    # by hand: the sum of min(returns, limit) is the total, or everything is taken
    assert share_out(np.array(returns, dtype=float), total) == pytest.approx(limit)


def test_taking_all_plots_changes_nothing() -> None:
    layout = arrange_rows(world(4))
    same = take_plots(layout, np.ones(layout.plot_start.size, dtype=bool))
    for name in type(layout).__slots__:
        np.testing.assert_array_equal(getattr(same, name), getattr(layout, name))


def test_figures_from_a_sample_come_near_those_from_everything() -> None:
    rows = world(5, with_effects=True)
    whole, sampled = (estimate_level(rows, LevelSettings(sample_returns=most)) for most in (10**9, 100))
    for one, other in zip(whole.cells, sampled.cells, strict=True):
        assert one.estimate is not None
        assert other.estimate is not None
        assert other.estimate == pytest.approx(one.estimate, rel=0.1)
    assert len(sampled.beta) == len(whole.beta)


@pytest.mark.parametrize("classed", [0.0, 0.6])
def test_holding_what_was_just_learned_gives_the_same_figures(classed: float) -> None:
    rows = world(6, with_effects=True, share_classed=classed)
    learned = estimate_level(rows, LevelSettings())
    held = estimate_level(rows, LevelSettings(), held=learned.shared)
    for one, other in zip(learned.cells, held.cells, strict=True):
        np.testing.assert_allclose(
            [other.estimate, other.low, other.high], [one.estimate, one.low, one.high], rtol=2e-3 if classed else 1e-5
        )
    assert held.guard == learned.guard
    assert held.site_variance == learned.site_variance


def test_a_layout_shared_with_another_group_gives_the_same_figures() -> None:
    rows = world(9, with_effects=True)
    rows = replace_rows(rows, canonical_order(rows))
    learned = estimate_level(rows, LevelSettings())
    other = replace(rows, low=rows.low[::-1].copy(), high=rows.high[::-1].copy())
    layout = arrange_rows(replace(rows, low=np.zeros_like(rows.low), high=np.zeros_like(rows.low)))
    alone = estimate_level(other, LevelSettings(), held=learned.shared)
    shared = estimate_level(other, LevelSettings(), held=learned.shared, layout=layout)
    for one, two in zip(alone.cells, shared.cells, strict=True):
        np.testing.assert_allclose([two.estimate, two.low, two.high], [one.estimate, one.low, one.high], rtol=1e-12)
    with pytest.raises(ValueError, match="counts must be zero or more"):
        estimate_level(replace(other, low=other.low - 99), LevelSettings(), held=learned.shared, layout=layout)


def test_held_parts_leave_a_cell_alone_when_another_cell_changes() -> None:
    rows = world(7, with_effects=True)
    learned = estimate_level(rows, LevelSettings())
    changed = replace(rows, low=np.where(rows.cell == 1, rows.low + 1, rows.low))
    changed = replace(changed, high=changed.low)
    before = estimate_level(rows, LevelSettings(), held=learned.shared).cells
    after = estimate_level(changed, LevelSettings(), held=learned.shared).cells
    assert after[0].estimate == before[0].estimate
    assert after[1].estimate != before[1].estimate


def test_rows_that_stand_in_order_need_no_sorting_and_ties_are_put_right() -> None:
    rows = world(8, with_effects=True)
    order = canonical_order(rows)
    assert not isinstance(order, slice)
    ordered = replace_rows(rows, order)
    assert canonical_order(ordered) == slice(None)
    # two returns that tie in everything but the count, the larger count first
    doubled = replace_rows(ordered, np.r_[0, 0, 1 : ordered.cell.size])
    swapped = replace(doubled, low=np.r_[doubled.low[0] + 1, doubled.low[1:]])
    swapped = replace(swapped, high=swapped.low)
    mended = canonical_order(swapped)
    assert not isinstance(mended, slice)
    np.testing.assert_array_equal(mended[:2], [1, 0])
    np.testing.assert_array_equal(np.sort(mended), np.arange(swapped.cell.size))


@pytest.mark.parametrize(("numbers", "distinct"), [([], 0), ([4], 1), ([4, 4, 2], 2)])
def test_distinct_numbers_are_counted(numbers: list[int], distinct: int) -> None:
    assert count_distinct(np.array(numbers, dtype=np.int64)) == distinct
