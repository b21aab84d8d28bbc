"""Points in rings, and the other readings of two numbers."""

from __future__ import annotations

import numpy as np
import pytest

from surveys.methods.screening_place import is_inside, other_readings

# check_values_open.md, Z1 (shapely and R sf agree): the boundary counts as inside ("covers").
SQUARE = np.array([[0, 0], [10, 0], [10, 10], [0, 10]], dtype=float)
HOLE = np.array([[4, 4], [6, 4], [6, 6], [4, 6]], dtype=float)
SQUARE_POINTS = [
    ((5, 1), 1), ((5, 5), 0), ((4, 5), 1), ((4, 4), 1), ((0, 5), 1), ((0, 0), 1), ((10, 10), 1),
    ((10.0000001, 5), 0), ((-1, 0), 0), ((3.999999, 5), 1),
]  # fmt: skip
U_SHAPE = np.array([[0, 0], [9, 0], [9, 9], [6, 9], [6, 3], [3, 3], [3, 9], [0, 9]], dtype=float)
U_POINTS = [((1, 8), 1), ((4.5, 6), 0), ((4.5, 3), 1), ((4.5, 2), 1), ((6, 5), 1), ((7, 9), 1), ((3, 3), 1)]


@pytest.mark.parametrize(("point", "covered"), SQUARE_POINTS)
def test_a_square_with_a_hole(point, covered):
    assert is_inside(*point, (SQUARE, HOLE), 0.0) is bool(covered)


@pytest.mark.parametrize(("point", "covered"), U_POINTS)
def test_a_shape_with_a_bay(point, covered):
    assert is_inside(*point, (U_SHAPE,), 0.0) is bool(covered)


def test_a_little_outside_is_inside_where_outlines_are_rough():
    assert is_inside(10.005, 5.0, (SQUARE,), 0.01)
    assert not is_inside(10.02, 5.0, (SQUARE,), 0.01)


def test_seven_other_readings_of_two_numbers():
    # By hand: three with signs, four swapped.
    assert set(other_readings(18.0, 51.5)) == {
        (18.0, -51.5), (-18.0, 51.5), (-18.0, -51.5), (51.5, 18.0), (51.5, -18.0), (-51.5, 18.0), (-51.5, -18.0),
    }  # fmt: skip


def test_no_reading_goes_beyond_a_pole():
    assert all(abs(latitude) <= 90.0 for _, latitude in other_readings(151.0, 33.0))
