"""The numbers behind the interval chart."""

from __future__ import annotations

import pytest

from surveys.web.charts import LEFT, RIGHT, Interval, draw_intervals, scale_ticks, shade_of, words_of


# Expected values by hand: the smallest step of 1, 2 or 5 times a power of ten that covers a fifth of the range.
@pytest.mark.parametrize(
    ("highest", "ticks"),
    [
        (5.3, [0, 2, 4, 6]),
        (0.07, [0, 0.02, 0.04, 0.06, 0.08]),
        (100, [0, 20, 40, 60, 80, 100]),
        (1000.1, [0, 500, 1000, 1500]),
        (0, [0, 0.2, 0.4, 0.6, 0.8, 1]),
    ],
)
def test_a_scale_begins_at_zero_holds_the_highest_and_has_round_steps(highest: float, ticks: list[float]) -> None:
    assert scale_ticks(highest) == pytest.approx(ticks)


def test_any_scale_has_three_to_six_ticks_and_holds_its_data() -> None:
    for power in range(-5, 6):
        for lead in (1.0, 1.01, 1.99, 2.0, 2.5, 4.99, 5.0, 7.3, 9.99):
            ticks = scale_ticks(lead * 10.0**power)
            assert 3 <= len(ticks) <= 6
            assert ticks[-1] >= lead * 10.0**power * (1 - 1e-9)


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0, "0"),
        (0.0343, "0.034"),
        (0.5, "0.50"),
        (1.26, "1.3"),
        (9.96, "10"),
        (12.3, "12"),
        (345.6, "346"),
        (0.996, "1.0"),
    ],
)
def test_a_rate_is_told_with_two_figures(value: float, words: str) -> None:
    assert words_of(value) == words


def test_positions_run_from_the_left_at_zero_to_the_right_at_the_last_tick() -> None:
    chart = draw_intervals([Interval("A", 5.0, 0.0, 10.0), Interval("B", None, None, None)])
    first, second = chart.marks
    assert (first.left, first.dot, first.right) == (LEFT, (LEFT + RIGHT) / 2, RIGHT)
    assert (second.left, second.dot, second.right) == (None, None, None)
    assert second.name_y > first.line_y
    assert chart.scale_y > second.name_y
    assert [tick.anchor for tick in chart.ticks] == ["start", "middle", "middle", "middle", "middle", "end"]


# By hand: five equal steps from 0 to 10.
@pytest.mark.parametrize(("estimate", "shade"), [(0, 1), (1.9, 1), (2, 2), (5, 3), (7.9, 4), (8, 5), (10, 5)])
def test_shades_are_equal_steps(estimate: float, shade: int) -> None:
    assert shade_of(estimate, 10) == shade
