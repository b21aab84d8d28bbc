"""The table of a class as it is drawn: shared questions, columns of traps, rows of groups."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext_lazy as _

from surveys.vocabulary import TrapState
from surveys.web.asking import UNKNOWN, Asked
from surveys.web.class_table_form import cell_name, column_name, trap_words
from surveys.web.words import say


@dataclass(frozen=True, slots=True)
class Option:
    """One answer to choose."""

    value: str
    label: str
    chosen: bool


@dataclass(frozen=True, slots=True)
class Shared:
    """One question that is asked once for all traps: ``options`` for a choice, otherwise a box to type into."""

    name: str
    heading: str
    hint: str
    value: str
    fault: str
    options: tuple[Option, ...]
    unknown: bool


@dataclass(frozen=True, slots=True)
class Column:
    """One trap: its head, the boxes that are its own, and whether the class has counted it."""

    key: str
    label: str
    habitat: str
    square: str
    from_class: bool
    states: tuple[Option, ...]
    state: str
    rest: str
    rest_ticked: bool
    backbone: str
    backbone_ticked: bool
    width: str
    width_typed: str
    width_fault: str


@dataclass(frozen=True, slots=True)
class Cell:
    """One box of the table."""

    name: str
    column: str
    value: str
    fault: str
    from_class: bool


@dataclass(frozen=True, slots=True)
class Row:
    """One group of the table, with a cell for each trap."""

    code: str
    name: str
    cells: tuple[Cell, ...]


def shared_of(question: Asked, answers: Mapping[str, str], faults: Mapping[str, str]) -> Shared:
    """Return a shared question with what was answered and what is wrong."""
    value = answers.get(question.name, "")
    offered = [*question.options]
    if question.unknown and offered:
        offered.append((UNKNOWN, _("I do not know")))
    return Shared(
        name=question.name,
        heading=str(question.heading),
        hint=str(question.hint),
        value="" if value == UNKNOWN else value,
        fault=faults.get(question.name, ""),
        options=tuple(Option(code, say(str(label)), code == value) for code, label in offered),
        unknown=value == UNKNOWN,
    )


def columns_of(
    traps: Iterable[Any], answers: Mapping[str, str], several: bool, faults: Mapping[str, str]
) -> list[Column]:
    """Return a column for each trap."""
    return [_column(trap, answers, several, faults) for trap in traps]


def rows_of(
    groups: Iterable[Any],
    traps: Sequence[Any],
    columns: Sequence[Column],
    answers: Mapping[str, str],
    faults: Mapping[str, str],
) -> list[Row]:
    """Return a row for each group, with what was typed and what is wrong in its cells."""
    return [
        Row(
            code=group.code,
            name=say(group.name),
            cells=tuple(
                _cell(cell_name(trap, group.code), column, answers, faults)
                for trap, column in zip(traps, columns, strict=True)
            ),
        )
        for group in groups
    ]


def _cell(name: str, column: Column, answers: Mapping[str, str], faults: Mapping[str, str]) -> Cell:
    value = answers.get(name, "")
    return Cell(name, column.key, value, faults.get(name, ""), column.from_class and bool(value))


def _column(trap: Any, answers: Mapping[str, str], several: bool, faults: Mapping[str, str]) -> Column:
    state, rest, backbone, width = (column_name(part, trap) for part in "srvw")
    return Column(
        key=trap.code,
        label=trap_words(trap, several),
        habitat=say(trap.habitat.label),
        square=trap.plan_square,
        from_class=answers.get(column_name("k", trap)) == "yes",
        states=tuple(Option(value, say(label), value == answers.get(state)) for value, label in TrapState.choices()),
        state=state,
        rest=rest,
        rest_ticked=answers.get(rest) == "yes",
        backbone=backbone,
        backbone_ticked=answers.get(backbone) == "yes",
        width=width,
        width_typed=answers.get(width, ""),
        width_fault=faults.get(width, ""),
    )
