"""Returns of several seasons on one footing: efforts by hand, classes expected, what cannot be compared left out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from surveys.methods.change_rows import SeasonsRows, lay_out_change
from surveys.methods.change_words import SENTENCES, change_sentence
from surveys.methods.level_records import LevelInput, LevelSettings, SharedParts
from surveys.methods.level_terms import TermRows, build_terms, columns_of

N_PLACES, N_PERIODS = 2, 2


def rows_of(**changed: Any) -> SeasonsRows:
    """Four gardens in two seasons, one return each, all in place 0; three habitats, two columns."""
    n = 8
    of_habitat = np.eye(3)[:, 1:]
    habitat = np.array([0, 1, 2, 0, 0, 1, 2, 0])
    level = LevelInput(
        cell=np.repeat([0, 2], 4),
        site=np.tile(np.arange(4), 2),
        effort=np.array([1.0, 1.0, 2.0, 0.5, 1.0, 1.0, 2.0, 0.5]),
        low=np.array([1, 2, 3, 4, 2, 4, 6, 8]),
        high=np.array([1, 2, 3, 4, 2, 4, 6, 8]),
        kinds=of_habitat,
        kind=habitat,
        habitat=habitat,
        night=np.arange(n),
        n_cells=N_PLACES * N_PERIODS,
        habitat_weights=np.full(3, 1 / 3),
        covariates_of_habitat=of_habitat,
    )
    return SeasonsRows(
        level=replace(level, **changed),
        window=np.zeros(n, dtype=np.int64),
        maximum_c=np.arange(n, dtype=float),
        minimum_c=np.full(n, np.nan),
        n_places=N_PLACES,
        n_periods=N_PERIODS,
    )


def shared(*, merged: tuple[int, ...] = ()) -> SharedParts:
    """The second habitat doubles a catch, the third halves it."""
    return SharedParts(
        beta=np.log([2.0, 0.5]), covariance=np.zeros((2, 2)), site_variance=1.0, night_variance=1.0, guard=1.0,
        guard_steady=True, merged_habitats=merged, leaning=False, settled=True,
    )  # fmt: skip


def by_return(values: np.ndarray[Any, Any], laid_out: Any) -> dict[tuple[int, int], float]:
    return {
        (int(period), int(site)): float(value)
        for period, site, value in zip(laid_out.rows.period, laid_out.rows.site, values, strict=True)
    }


def test_shared_effects_of_this_season_stand_in_the_efforts_of_all() -> None:
    """By hand: 1, 1 x 2, 2 x 1/2 and 0.5 trap-nights, the same in both seasons."""
    laid_out = lay_out_change(rows_of(), shared(), LevelSettings())
    efforts = by_return(laid_out.rows.effort, laid_out)
    for period in (0, 1):
        assert [efforts[period, site] for site in range(4)] == pytest.approx([1.0, 2.0, 1.0, 0.5])
    assert laid_out.rows.region.tolist() == [0] * 8
    assert (laid_out.rows.n_regions, laid_out.rows.n_periods) == (N_PLACES, N_PERIODS)


def test_habitats_that_the_level_reads_as_one_are_read_as_one() -> None:
    """Merged, the second takes the effect of the last of the pool, the third: by hand 1 x 1/2."""
    laid_out = lay_out_change(rows_of(), shared(merged=(1, 2)), LevelSettings())
    efforts = by_return(laid_out.rows.effort, laid_out)
    assert [efforts[0, site] for site in range(4)] == pytest.approx([1.0, 0.5, 1.0, 0.5])


def test_numbers_pass_as_they_are_and_temperatures_stay_with_their_returns() -> None:
    given = rows_of()
    laid_out = lay_out_change(given, shared(), LevelSettings())
    counts = by_return(laid_out.imputed.counts, laid_out)
    warmth = by_return(laid_out.temperatures.maximum_c, laid_out)
    for row in range(8):
        at = (row // 4, row % 4)
        assert (counts[at], warmth[at]) == (float(given.level.low[row]), float(row))
    assert not laid_out.imputed.variance.any()


def test_the_order_in_which_returns_come_changes_nothing() -> None:
    given = rows_of()
    turned = np.arange(8)[::-1]
    level = given.level
    arrays = {name: getattr(level, name)[turned] for name in ("cell", "site", "effort", "low", "high", "kind")}
    other = replace(
        given, level=replace(level, habitat=level.habitat[turned], **arrays), maximum_c=np.arange(8.0)[::-1]
    )
    one, two = (lay_out_change(each, shared(), LevelSettings()) for each in (given, other))
    np.testing.assert_array_equal(one.rows.effort, two.rows.effort)
    np.testing.assert_array_equal(one.rows.low, two.rows.low)
    np.testing.assert_array_equal(one.temperatures.maximum_c, two.temperatures.maximum_c)


def test_a_class_becomes_a_count_inside_it_with_a_variance() -> None:
    low = np.array([1, 2, 3, 4, 2, 4, 4, 8])
    high = np.array([1, 2, 3, 4, 2, 4, 7, -1])
    laid_out = lay_out_change(rows_of(low=low, high=high), shared(), LevelSettings())
    counts, variance = (by_return(each, laid_out) for each in (laid_out.imputed.counts, laid_out.imputed.variance))
    assert 4 < counts[1, 2] < 7
    assert 0 < variance[1, 2] < (7 - 4) ** 2 / 4  # the most that a variable between two bounds can have (Popoviciu)
    assert counts[1, 3] > 8
    assert variance[1, 3] > 0


def test_where_every_count_is_open_above_nothing_can_be_expected_and_the_returns_are_left_out() -> None:
    high = np.array([1, 2, 3, 4, -1, -1, -1, -1])
    laid_out = lay_out_change(rows_of(high=high), shared(), LevelSettings())
    assert laid_out.rows.period.tolist() == [0] * 4


def test_where_the_level_learned_nothing_there_is_nothing_to_compare() -> None:
    laid_out = lay_out_change(rows_of(), None, LevelSettings())
    assert laid_out.rows.site.size == laid_out.imputed.counts.size == laid_out.temperatures.window.size == 0
    assert (laid_out.rows.n_regions, laid_out.rows.n_periods) == (N_PLACES, N_PERIODS)


def term_rows() -> TermRows:
    """Twenty returns of twenty sites, with every yes-or-no effect on both sides often enough to be told."""
    number = np.arange(20)
    return TermRows(
        site=number,
        habitat=number % 3,
        settling=np.array([0, 1, -1, 0] * 5),
        in_window=np.linspace(-1.0, 1.0, 20),
        school=number < 8,
        first_return=number % 2 == 0,
    )


def test_columns_by_name_are_those_of_the_level_index() -> None:
    terms = build_terms(term_rows(), 3)
    assert terms.left_out == ()
    np.testing.assert_array_equal(columns_of(term_rows(), terms.names), terms.kinds[terms.kind])


def test_a_column_that_the_season_has_left_out_is_left_out_of_the_others() -> None:
    columns = columns_of(term_rows(), ("habitat_2", "season"))
    assert columns.shape == (20, 2)
    assert columns[:, 0].tolist() == [float(number % 3 == 2) for number in range(20)]


def test_a_column_that_is_not_known_is_refused() -> None:
    with pytest.raises(KeyError, match="moonlight"):
        columns_of(term_rows(), ("season", "moonlight"))


def test_every_sentence_can_be_said_and_ends_as_one() -> None:
    for code in SENTENCES:
        said = change_sentence(code, 4)
        assert said.endswith(".")
        assert "{" not in said
    assert change_sentence("few_revisited_sites", 4) == (
        "Too few gardens took part both times. 4 more would have to come back."
    )
