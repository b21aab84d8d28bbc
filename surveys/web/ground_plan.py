"""The plan that a household draws of its ground: eight squares by eight, a trap's number on its square."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

from surveys.services.sites import PLAN_COLUMNS, PLAN_ROWS

#: Units of the drawing: one square, and the border with letters and digits.
SIDE, BORDER = 40, 26


class Marked(Protocol):
    """A trap as the plan needs it."""

    number: int
    plan_square: str


@dataclass(frozen=True, slots=True)
class PlanSquare:
    """One square of the plan: its name, its corner and middle, and the numbers of the traps on it."""

    name: str
    x: int
    y: int
    middle_x: int
    middle_y: int
    numbers: tuple[int, ...]

    @property
    def words(self) -> str:
        """The numbers of its traps, as they fit into the square."""
        return " ".join(str(number) for number in self.numbers)


@dataclass(frozen=True, slots=True)
class Plan:
    """A drawn plan: its size, its squares row by row, and the letters and digits along its edges."""

    size: int
    border: int
    side: int
    squares: tuple[PlanSquare, ...]
    letters: tuple[tuple[str, int], ...]
    digits: tuple[tuple[str, int], ...]

    @property
    def rows(self) -> tuple[tuple[str, tuple[PlanSquare, ...]], ...]:
        """Each row's digit with its squares."""
        wide = len(PLAN_COLUMNS)
        return tuple(
            (digit, self.squares[number * wide : (number + 1) * wide]) for number, digit in enumerate(PLAN_ROWS)
        )


def draw_plan(traps: Iterable[Marked]) -> Plan:
    """Return the plan with the traps that have a square on it."""
    placed: dict[str, list[int]] = {}
    for trap in traps:
        if trap.plan_square:
            placed.setdefault(trap.plan_square, []).append(trap.number)
    squares = tuple(
        _square(letter, column, digit, row, tuple(placed.get(letter + digit, ())))
        for row, digit in enumerate(PLAN_ROWS)
        for column, letter in enumerate(PLAN_COLUMNS)
    )
    along = [BORDER + number * SIDE + SIDE // 2 for number in range(len(PLAN_COLUMNS))]
    return Plan(
        size=BORDER + SIDE * len(PLAN_COLUMNS) + 2,
        border=BORDER,
        side=SIDE,
        squares=squares,
        letters=tuple(zip(PLAN_COLUMNS, along, strict=True)),
        digits=tuple(zip(PLAN_ROWS, along, strict=True)),
    )


def _square(letter: str, column: int, digit: str, row: int, numbers: tuple[int, ...]) -> PlanSquare:
    x, y = BORDER + column * SIDE, BORDER + row * SIDE
    return PlanSquare(letter + digit, x, y, x + SIDE // 2, y + SIDE // 2, numbers)
