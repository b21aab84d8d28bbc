"""The ratio of two levels from different gardens."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from surveys.methods.change_of_levels import LevelRatio, ratio_of_levels


def test_symmetric_limits_give_the_interval_of_fieller() -> None:
    # 10 (8 to 12) over 5 (4 to 6): Fieller 1954 by hand, with z^2 v of 4 and 1:
    # (50 -+ sqrt(50^2 - (100 - 4)(25 - 1))) / (25 - 1) = (50 -+ 14) / 24
    found = ratio_of_levels((10.0, 8.0, 12.0), (5.0, 4.0, 6.0))
    assert (found.ratio, found.low, found.high) == pytest.approx((2.0, 1.5, 64 / 24))


def difference_limit(
    ratio: float, above: tuple[float, float, float], below: tuple[float, float, float], side: int
) -> float:
    """Upper (side 2) or lower (side 1) MOVER limit of a - ratio x b: Zou & Donner 2008, written out once more."""
    (a, b), other = (above[0], below[0]), 3 - side
    reach = np.hypot(above[side] - a, ratio * (below[other] - b))
    return float(a - ratio * b + (reach if side == 2 else -reach))


@settings(max_examples=60, deadline=None)
@given(
    a=st.floats(0.1, 50), b=st.floats(0.1, 50), shares=st.tuples(*[st.floats(0.05, 0.95)] * 2),
    factors=st.tuples(*[st.floats(1.05, 6.0)] * 2),
)  # fmt: skip
def test_each_limit_is_where_the_interval_of_the_difference_reaches_zero(
    a: float, b: float, shares: tuple[float, float], factors: tuple[float, float]
) -> None:
    above, below = (a, a * shares[0], a * factors[0]), (b, b * shares[1], b * factors[1])
    found = ratio_of_levels(above, below)
    bracket = (1e-9, 1e9)
    low = optimize.brentq(lambda r: difference_limit(r, above, below, 1), bracket[0], a / b, xtol=1e-12, rtol=1e-12)
    high = optimize.brentq(lambda r: difference_limit(r, above, below, 2), a / b, bracket[1], xtol=1e-12, rtol=1e-12)
    assert found.low == pytest.approx(low, rel=1e-6)
    assert found.high == pytest.approx(high, rel=1e-6)
    assert found.low < found.ratio < found.high


def test_a_level_of_zero_above_has_a_lower_limit_of_zero_and_a_finite_upper_one() -> None:
    found = ratio_of_levels((0.0, 0.0, 3.0), (5.0, 4.0, 7.0))
    assert (found.ratio, found.low) == (0.0, 0.0)
    assert found.high == pytest.approx(3.0 / np.sqrt(4.0 * 6.0))  # u / sqrt(l (2b - l)), by hand


def test_a_lower_limit_of_zero_below_leaves_the_upper_one_open() -> None:
    found = ratio_of_levels((5.0, 4.0, 7.0), (1.0, 0.0, 3.0))
    assert found.ratio == 5.0
    assert found.low is not None
    assert 0.0 < found.low < 5.0
    assert found.high is None


def test_a_level_of_zero_below_has_no_ratio() -> None:
    assert ratio_of_levels((5.0, 4.0, 7.0), (0.0, 0.0, 3.0)) == LevelRatio(None, None, None)


def test_an_upper_limit_of_twice_the_level_below_is_no_trap() -> None:
    # at u_b = 2b the formula as printed divides by zero; by continuity
    at, beside = (ratio_of_levels((4.0, 3.0, 6.0), (2.0, 1.0, upper)).low for upper in (4.0, 4.0 + 1e-9))
    assert at == pytest.approx(beside)


@pytest.mark.parametrize("bad", [(5.0, 6.0, 7.0), (5.0, 4.0, 4.5), (5.0, -1.0, 7.0), (5.0, 4.0, float("inf"))])
def test_limits_that_do_not_hold_their_estimate_are_refused(bad: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="expected 0 <= low <= estimate <= high"):
        ratio_of_levels(bad, (1.0, 0.5, 2.0))
    with pytest.raises(ValueError, match="expected 0 <= low <= estimate <= high"):
        ratio_of_levels((1.0, 0.5, 2.0), bad)
