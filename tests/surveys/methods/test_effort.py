"""Effort: trap-nights and the rim offset."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from surveys.methods.effort import effort, rim_offset, trap_nights


@pytest.mark.parametrize(
    ("hours", "pooled", "expected"),
    [
        (24.0, 1, 1.0),  # the definition of a trap-night
        (23.0, 1, 23 / 24),  # the day on which the clocks go forward
        (25.0, 1, 25 / 24),  # the day on which they go back
        (24.0, 4, 4.0),  # four traps added up
        (18.0, 2, 1.5),  # arithmetic by hand
    ],
)
def test_trap_nights_are_hours_over_24_for_each_trap(hours, pooled, expected):
    assert trap_nights(hours, pooled) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("hours", "pooled", "recovered"),
    [(24.0, 1, False), (0.0, 1, True), (-3.0, 1, True), (24.0, 0, True), (float("nan"), 1, True)],
)
def test_without_a_catch_there_is_no_effort_and_never_a_zero(hours, pooled, recovered):
    assert trap_nights(hours, pooled, recovered=recovered) is None


# the planning notes' table of mouth widths: 60 mm x 0.80, 65 x 0.87, 90 x 1.20, 100 x 1.33 of the 75 mm catch
@pytest.mark.parametrize(("mouth_mm", "factor"), [(60, 0.80), (65, 0.87), (75, 1.00), (90, 1.20), (100, 1.33)])
def test_the_rim_offset_agrees_with_the_published_factors(mouth_mm, factor):
    assert round(rim_offset(mouth_mm, 1.0), 2) == factor


@given(st.floats(1, 500), st.floats(0, 2))
def test_the_standard_mouth_and_the_exponent_nought_leave_the_effort_alone(mouth_mm, exponent):
    assert rim_offset(75.0, exponent) == 1.0
    assert rim_offset(mouth_mm, 0.0) == 1.0


@given(st.floats(20, 200), st.floats(20, 200), st.floats(0, 2))
def test_offsets_multiply_when_the_standard_is_changed(mouth_mm, standard_mm, exponent):
    # (m/s)^b = (m/75)^b (75/s)^b, algebra
    assert rim_offset(mouth_mm, exponent, standard_mm) == pytest.approx(
        rim_offset(mouth_mm, exponent) * rim_offset(75.0, exponent, standard_mm)
    )


@pytest.mark.parametrize(("mouth_mm", "standard_mm"), [(0.0, 75.0), (-1.0, 75.0), (75.0, 0.0), (float("nan"), 75.0)])
def test_a_mouth_without_width_is_refused(mouth_mm, standard_mm):
    with pytest.raises(ValueError, match="wider than 0 mm"):
        rim_offset(mouth_mm, 1.0, standard_mm)


@pytest.mark.parametrize(
    ("answers", "expected"),
    [
        ({"mouth_mm": 60.0, "exponent": 1.0}, 0.8),  # one trap-night x 60/75
        ({"mouth_mm": 60.0, "exponent": 0.0}, 1.0),
        ({"mouth_mm": 90.0, "exponent": 1.0, "traps_pooled": 2}, 2.4),  # 2 x 1.2
        ({"mouth_mm": 90.0, "exponent": 1.0, "standard_mm": 90.0}, 1.0),
        ({"mouth_mm": None, "exponent": 0.0}, 1.0),  # the mouth does not matter
        ({"mouth_mm": None, "exponent": 1.0}, None),
        ({"mouth_mm": 75.0, "exponent": 1.0, "recovered": False}, None),
    ],
)
def test_effort_is_trap_nights_times_the_rim_offset(answers, expected):
    found = effort(**{"exposure_h": 24.0, "traps_pooled": 1, **answers})
    assert found == (None if expected is None else pytest.approx(expected))
