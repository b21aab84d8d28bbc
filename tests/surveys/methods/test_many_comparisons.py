"""Benjamini-Hochberg against published tables."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from surveys.methods.many_comparisons import adjust_for_many

# Benjamini & Hochberg 1995, section 4, as quoted in the tests of statsmodels: four are rejected at 5 %.
# Adjusted values by R p.adjust and by Python (check values R2).
FIFTEEN = [
    0.0001,
    0.0004,
    0.0019,
    0.0095,
    0.0201,
    0.0278,
    0.0298,
    0.0344,
    0.0459,
    0.324,
    0.4262,
    0.5719,
    0.6528,
    0.759,
    1.0,
]
FIFTEEN_ADJUSTED = [
    0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.06385714286, 0.06385714286, 0.0645, 0.0765, 0.486, 0.5811818182, 0.714875,
    0.7532307692, 0.8132142857, 1.0,
]  # fmt: skip
# The page of CRAN's HDLSSkST for its BenHoch: 0 1 1 0 1 0 1 (check values R6).
SEVEN = [0.50, 0.01, 0.001, 0.69, 0.02, 0.05, 0.0025]
SEVEN_ADJUSTED = [0.5833333333, 0.02333333333, 0.007, 0.69, 0.035, 0.07, 0.00875]


def test_the_fifteen_of_benjamini_and_hochberg() -> None:
    found = adjust_for_many(np.array(FIFTEEN))
    np.testing.assert_allclose(found.adjusted, FIFTEEN_ADJUSTED, rtol=1e-9)
    assert (found.standing.sum(), found.tests) == (4, 15)


def test_the_seven_decisions_of_another_library() -> None:
    found = adjust_for_many(np.array(SEVEN))
    np.testing.assert_allclose(found.adjusted, SEVEN_ADJUSTED, rtol=1e-9)
    assert found.standing.tolist() == [False, True, True, False, True, False, True]


def test_figures_that_are_not_shown_are_neither_counted_nor_adjusted() -> None:
    mixed = np.insert(np.array(SEVEN), [0, 3, 7], np.nan)
    found = adjust_for_many(mixed)
    assert found.tests == 7
    np.testing.assert_allclose(found.adjusted[~np.isnan(mixed)], SEVEN_ADJUSTED, rtol=1e-9)
    assert np.isnan(found.adjusted[np.isnan(mixed)]).all()
    assert not found.standing[np.isnan(mixed)].any()


def test_nothing_to_compare_is_no_error() -> None:
    for nothing in (np.array([]), np.array([np.nan, np.nan])):
        found = adjust_for_many(nothing)
        assert (found.tests, found.standing.sum(), found.adjusted.size) == (0, 0, nothing.size)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_adjusting_never_lowers_a_p_value_nor_changes_their_order(values: list[float]) -> None:
    adjusted = adjust_for_many(np.array(values)).adjusted
    order = np.argsort(values)
    assert (adjusted >= np.array(values) - 1e-12).all()
    assert (np.diff(adjusted[order]) >= -1e-12).all()
    assert adjusted.max() <= 1.0


@pytest.mark.parametrize("bad", [-0.1, 1.1])
def test_what_is_no_p_value_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="outside 0 to 1"):
        adjust_for_many(np.array([0.5, bad]))


@pytest.mark.parametrize("rate", [0.0, 1.0, 5.0])
def test_what_is_no_rate_is_refused(rate: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        adjust_for_many(np.array([0.5]), rate=rate)
