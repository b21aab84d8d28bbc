"""The level index as a whole: edges, order, scale, gate."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from surveys.methods.indices import estimate_level
from surveys.methods.level_records import LevelInput, LevelResult, LevelSettings
from surveys.vocabulary import IndexLabel
from tests.reference import level_slow
from tests.reference.level_worlds import draw_world, make_rows

SETTINGS = LevelSettings()


def world(seed: int, **changes: object) -> LevelInput:
    base = {"cells": 4, "sites": 12, "mean": 3.0, "site_variance": 1.0, "night_variance": 1.0}
    return draw_world(np.random.default_rng(seed), **{**base, **changes})[0]


def figures(result: LevelResult) -> np.ndarray:
    return np.array([[cell.estimate, cell.low, cell.high] for cell in result.cells], dtype=float)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_it_agrees_with_the_slow_program_to_a_millionth(seed: int) -> None:
    rows = world(seed, with_effects=True)
    rows = replace(rows, site=rows.site % 30)  # some sites come back in other cells
    result = estimate_level(rows, SETTINGS)
    slow = level_slow.level(
        level_slow.Rows(rows.low.astype(float), rows.effort, rows.covariates, rows.cell, rows.site),
        rows.habitat_weights,
        rows.covariates_of_habitat,
        level_slow.Spread(result.site_variance, result.night_variance),
        result.guard,
    )
    expected = [[cell.estimate, cell.low, cell.high] for cell in slow]
    np.testing.assert_allclose(figures(result), expected, rtol=1e-6)


def test_equal_efforts_without_covariates_give_the_plain_mean() -> None:
    # every site has one return: all weights are equal, so the index is the mean count (arithmetic by hand)
    result = estimate_level(make_rows(cell=[0] * 12, low=[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11]), SETTINGS)
    assert result.cells[0].estimate == pytest.approx(5.5)


def test_two_cells_over_equal_sites_balance_gardens_and_not_returns() -> None:
    # one garden sends 30 returns of 10, nine send one return of 0 to 2; the mean over gardens is near 2, over returns 8
    low, site = [10] * 30 + [0, 1, 2] * 3, [0] * 30 + list(range(1, 10))
    estimate = estimate_level(make_rows(cell=[0] * 39, low=low, site=site), SETTINGS).cells[0].estimate
    assert estimate is not None
    assert 1.0 < estimate < 5.0


def shuffle(rows: LevelInput) -> LevelInput:
    order = np.random.default_rng(0).permutation(rows.cell.size)
    names = ("cell", "site", "effort", "low", "high", "kind", "habitat", "night")
    return replace(rows, **{name: getattr(rows, name)[order] for name in names})


def test_the_order_of_returns_does_not_change_a_digit() -> None:
    rows = world(4, with_effects=True, share_classed=0.5)
    assert estimate_level(rows, SETTINGS) == estimate_level(shuffle(rows), SETTINGS)


def test_the_numbers_of_sites_do_not_matter() -> None:
    rows = world(4, with_effects=True, share_classed=0.5)
    renamed = replace(rows, site=9000 - 7 * rows.site)
    quiet = LevelSettings(guard_draws=0)  # the draws follow the order of the sites
    np.testing.assert_allclose(figures(estimate_level(rows, quiet)), figures(estimate_level(renamed, quiet)), rtol=1e-9)


def test_twice_the_effort_for_the_same_catch_is_half_the_index() -> None:
    rows = world(5)
    once, twice = (figures(estimate_level(replace(rows, effort=k * rows.effort), SETTINGS)) for k in (1.0, 2.0))
    np.testing.assert_allclose(twice, once / 2, rtol=1e-7)


def test_the_same_input_and_seed_give_the_same_result_to_the_last_digit() -> None:
    rows = world(6, with_effects=True, share_classed=0.6)
    assert estimate_level(rows, SETTINGS) == estimate_level(rows, SETTINGS)


def test_more_confidence_is_a_wider_interval() -> None:
    rows = world(7)
    narrow, wide = (figures(estimate_level(rows, LevelSettings(confidence=level))) for level in (0.8, 0.99))
    assert (wide[:, 1] < narrow[:, 1]).all()
    assert (wide[:, 2] > narrow[:, 2]).all()


def test_classes_cost_a_little_width_and_no_bias_to_speak_of() -> None:
    exact = world(8, sites=40, mean=6.0)
    exact_figures = figures(estimate_level(exact, SETTINGS))
    classed = world(8, sites=40, mean=6.0, share_classed=1.0)  # the same draws up to the choice of classes
    assert (classed.low != classed.high).mean() > 0.4
    found = figures(estimate_level(classed, SETTINGS))
    np.testing.assert_allclose(found, exact_figures, rtol=0.12)


def test_a_cell_without_animals_has_a_lower_limit_of_zero_and_a_finite_upper_one() -> None:
    counts = [0] * 30 + [1, 2, 0] * 10
    result = estimate_level(make_rows(cell=[0] * 30 + [1] * 30, low=counts), SETTINGS)
    cell = result.cells[0]
    assert (cell.estimate, cell.low) == (0.0, 0.0)
    assert cell.high is not None
    # 3 / 30, the rule of three for no event in 30 (upper 95 % one-sided, common practice), as the order of size
    assert 0.05 < cell.high < 0.3
    assert cell.shown == IndexLabel.SHOWN  # 30 sites, 30 nights, 15 animals expected: the own count of 0 is not asked


def test_a_group_that_nobody_has_seen_is_finite_and_not_shown() -> None:
    result = estimate_level(make_rows(cell=[0] * 30 + [1] * 30, low=[0] * 60), SETTINGS)
    assert "no_animals" in result.warnings
    assert result.components_lean_on_prior
    for cell in result.cells:
        assert (cell.estimate, cell.low, cell.shown, cell.code) == (0.0, 0.0, IndexLabel.TOO_FEW, "few_expected")
        assert cell.high is not None
        assert np.isfinite(cell.high)
        assert cell.more_sites_needed > 0


def test_a_cell_without_returns_says_nothing_rather_than_zero() -> None:
    result = estimate_level(make_rows(cell=[1] * 12, low=[2] * 12, n_cells=3), SETTINGS)
    for cell in (result.cells[0], result.cells[2]):
        assert (cell.estimate, cell.low, cell.high, cell.code) == (None, None, None, "no_returns")
        assert cell.shown == IndexLabel.TOO_FEW
        assert cell.more_sites_needed >= 10


def test_no_returns_at_all_are_no_error() -> None:
    result = estimate_level(make_rows(cell=[], low=[], n_cells=2), SETTINGS)
    assert [cell.code for cell in result.cells] == ["no_returns"] * 2
    assert [cell.more_sites_needed for cell in result.cells] == [10, 10]


@pytest.mark.parametrize("count", [0, 1, 5000])
def test_one_return_alone_gives_finite_figures_that_are_not_shown(count: int) -> None:
    cell = estimate_level(make_rows(cell=[0], low=[count]), SETTINGS).cells[0]
    assert cell.estimate == pytest.approx(count)
    assert cell.low is not None
    assert cell.high is not None
    assert cell.low <= count < cell.high < np.inf
    assert (cell.shown, cell.code) == (IndexLabel.TOO_FEW, "few_sites")


def test_only_classes_without_an_upper_end_give_no_figure() -> None:
    # the likelihood rises for ever (check values C1, note): not estimable, and said so
    open_cell = {"low": [128] * 12, "high": [-1] * 12}
    alone = estimate_level(make_rows(cell=[0] * 12, **open_cell), SETTINGS)
    low, high = [*open_cell["low"], *[3] * 12], [*open_cell["high"], *[3] * 12]
    beside = estimate_level(make_rows(cell=[0] * 12 + [1] * 12, low=low, high=high), SETTINGS)
    for result in (alone, beside):
        cell = result.cells[0]
        assert (cell.estimate, cell.high, cell.shown, cell.code) == (None, None, IndexLabel.TOO_FEW, "no_upper_bound")
        assert (cell.sites, cell.returns) == (12, 12)
        assert "no_upper_bound" in result.warnings
    assert beside.cells[1].estimate == pytest.approx(3.0)


def test_an_open_class_among_numbers_raises_the_index() -> None:
    plain = estimate_level(make_rows(cell=[0] * 20, low=[4, 9] * 10), SETTINGS).cells[0]
    low, high = [4, 9] * 9 + [4, 128], [4, 9] * 9 + [4, -1]
    opened = estimate_level(make_rows(cell=[0] * 20, low=low, high=high), SETTINGS).cells[0]
    assert plain.estimate is not None
    assert opened.estimate is not None
    assert opened.estimate > plain.estimate + (128 - 9) / 20 - 0.5
    assert opened.high is not None
    assert np.isfinite(opened.high)


def test_limits_of_classes_stay_within_those_of_all_lowest_and_all_highest_counts() -> None:
    # with the study's guard off and one return a site, weights are equal: lows and highs can be put in as numbers
    low, high = [4] * 30, [7] * 30
    classed = estimate_level(make_rows(cell=[0] * 30, low=low, high=high), SETTINGS).cells[0]
    assert classed.estimate is not None
    assert 4 < classed.estimate < 7
    assert 4 * 0.5 < (classed.low or 0) < classed.estimate < (classed.high or 0) < 7 * 2


def test_the_gate_asks_for_sites_nights_and_predicted_animals() -> None:
    rows = make_rows(cell=[0] * 9 + [1] * 40, low=[50] * 9 + [1] * 40, site=[*range(9), *np.repeat(np.arange(20), 2)])
    few, enough = estimate_level(rows, SETTINGS).cells
    assert (few.shown, few.code) == (IndexLabel.TOO_FEW, "few_sites")
    assert enough.shown != IndexLabel.TOO_FEW
    assert (enough.sites, enough.site_nights, enough.returns) == (20, 40, 40)
    # pooled rate 490 / 49 = 10 a trap-night, 40 trap-nights: by hand
    assert enough.expected_count == pytest.approx(400.0)
    assert enough.trap_nights == pytest.approx(40.0)


def test_two_traps_of_one_night_are_one_site_night() -> None:
    rows = make_rows(cell=[0] * 24, low=[3] * 24, site=np.repeat(np.arange(12), 2), night=np.repeat(np.arange(12), 2))
    cell = estimate_level(rows, SETTINGS).cells[0]
    assert (cell.sites, cell.site_nights, cell.code) == (12, 12, "few_site_nights")


def test_few_sites_with_animals_are_said_to_lean_on_the_prior() -> None:
    assert estimate_level(make_rows(cell=[0] * 29, low=[1] * 29), SETTINGS).components_lean_on_prior
    assert not estimate_level(make_rows(cell=[0] * 30, low=[1] * 30), SETTINGS).components_lean_on_prior


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"effort": np.zeros(3)}, "effort"),
        ({"effort": np.array([1.0, np.nan, 1.0])}, "finite"),
        ({"low": np.array([-1, 0, 0])}, "zero or more"),
        ({"high": np.array([1, 2, -2])}, "class"),
        ({"cell": np.array([0, 0, 7])}, "cells"),
        ({"site": np.array([0, 1])}, "one entry"),
        ({"habitat": np.array([0, 1, 0])}, "habitats"),
        ({"habitat_weights": np.array([0.7])}, "sum to 1"),
        ({"kinds": np.zeros((3, 2))}, "covariates"),
        ({"kind": np.array([0, 1, 3])}, "covariates"),
    ],
)
def test_arrays_that_do_not_fit_are_refused_with_a_sentence(changes: dict[str, np.ndarray], words: str) -> None:
    rows = replace(make_rows(cell=[0, 0, 0], low=[1, 2, 3]), **changes)
    with pytest.raises(ValueError, match=words):
        estimate_level(rows, SETTINGS)


@st.composite
def small_inputs(draw: st.DrawFn) -> LevelInput:
    n = draw(st.integers(1, 14))
    kinds = st.sampled_from([(0, 0), (1, 1), (2, 3), (4, 7), (128, -1), (900, 900), (0, 3)])
    bounds = draw(st.lists(kinds, min_size=n, max_size=n))
    numbers = st.lists(st.integers(0, 2), min_size=n, max_size=n)
    efforts = st.lists(st.floats(0.01, 50.0), min_size=n, max_size=n)
    at_habitats = np.eye(3)[:, 1:]
    return make_rows(
        cell=draw(numbers),
        site=draw(numbers),
        effort=draw(efforts),
        low=[bound[0] for bound in bounds],
        high=[bound[1] for bound in bounds],
        habitat=draw(numbers),
        n_cells=3,
        covariates_of_habitat=at_habitats,
        habitat_weights=[0.5, 0.3, 0.2],
    )


@settings(max_examples=60, deadline=None, derandomize=True)
@given(small_inputs())
def test_whatever_is_sent_the_figures_are_finite_and_in_order(rows: LevelInput) -> None:
    for cell in estimate_level(rows, SETTINGS).cells:
        if cell.estimate is None:
            assert cell.code in {"no_returns", "no_upper_bound"}
            continue
        assert cell.low is not None
        assert cell.high is not None
        assert np.isfinite([cell.estimate, cell.low, cell.high]).all()
        assert 0 <= cell.low <= cell.high
        assert cell.low <= cell.estimate <= cell.high
