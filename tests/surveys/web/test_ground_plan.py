"""The plan of a household's ground: eight squares by eight, each trap on its own."""

from __future__ import annotations

from dataclasses import dataclass

from surveys.web.ground_plan import draw_plan


@dataclass
class Trap:
    number: int
    plan_square: str


def test_squares_run_from_a1_in_the_north_west_to_h8() -> None:
    plan = draw_plan([])
    assert len(plan.squares) == 64
    assert (plan.squares[0].name, plan.squares[7].name, plan.squares[-1].name) == ("A1", "H1", "H8")
    assert [letter for letter, _ in plan.letters] == list("ABCDEFGH")
    assert [digit for digit, _ in plan.rows] == list("12345678")


def test_everything_lies_inside_the_drawing_and_no_two_squares_meet() -> None:
    plan = draw_plan([])
    corners = {(square.x, square.y) for square in plan.squares}
    assert len(corners) == 64
    assert all(x > 0 and x + plan.side < plan.size and y > 0 and y + plan.side < plan.size for x, y in corners)


def test_each_trap_stands_on_its_square_and_two_may_share_one() -> None:
    plan = draw_plan([Trap(1, "B2"), Trap(2, "F7"), Trap(3, "F7"), Trap(4, "")])
    assert {square.name: square.words for square in plan.squares if square.numbers} == {"B2": "1", "F7": "2 3"}
