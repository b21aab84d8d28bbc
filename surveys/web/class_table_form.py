"""The table of a class: what its boxes are called, how it is filled, read, and read back in words."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from django.utils.translation import gettext

from surveys.queries.seasons import SeasonLists
from surveys.services.sent_returns import SentAnswer, SentReturn
from surveys.vocabulary import LOST_STATES, AnswerKind, TimePrecision, TrapState, YesNo
from surveys.web.asking import EMPTY_QUESTIONS, SET_QUESTIONS, UNKNOWN, Asked, question_of, read_answer, read_past
from surveys.web.class_cells import CannotRead, cell_of, read_cell
from surveys.web.moments import frame_of
from surveys.web.words import say

Answers = Mapping[str, str]

#: Asked once for all traps; the first ones must be answered.
FIRST = tuple(found for name in ("mouth_mm", "rim", "cover", "liquid") if (found := question_of(name, SET_QUESTIONS)))
MOUTH = FIRST[0]
STATE = next(question for question in EMPTY_QUESTIONS if question.name == "trap_state")
MORE = tuple(
    found
    for name, questions in (
        ("refuge", SET_QUESTIONS),
        ("settled_h", SET_QUESTIONS),
        ("looks", EMPTY_QUESTIONS),
        ("rain", EMPTY_QUESTIONS),
        ("release", EMPTY_QUESTIONS),
        ("closing", EMPTY_QUESTIONS),
    )
    if (found := question_of(name, questions))
)
MOMENTS = ("set", "emptied")
#: What was done at each of them, as ``read_moment`` calls it.
WHAT = {"set": "opened the trap", "emptied": "emptied the trap"}
_PARTS = ("day", "month", "year", "time")
_LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)


def cell_name(trap: Any, code: str) -> str:
    """Return the name of the box of one trap and one group."""
    return f"t_{trap.code}_{code}"


def column_name(part: str, trap: Any) -> str:
    """Return the name of a box of one trap.

    ``s`` is its own state, ``r`` "none of the rest", ``v`` an animal with a backbone, ``w`` its own width, ``k``
    counted by the class.
    """
    return f"{part}_{trap.code}"


@dataclass(frozen=True, slots=True)
class Reading:
    """What was read from a table: the returns in it and their traps, or the faults by box."""

    sent: tuple[SentReturn, ...] = ()
    traps: tuple[Any, ...] = ()
    faults: dict[str, str] = field(default_factory=dict)
    #: What is said in a cell itself, where trap and group are seen already.
    cells: dict[str, str] = field(default_factory=dict)


def known_names(lists: SeasonLists, traps: Sequence[Any]) -> list[str]:
    """Return the names of all boxes of a table."""
    moments = [f"{name}_{part}" for name in MOMENTS for part in _PARTS]
    shared = [question.name for question in (*FIRST, STATE, *MORE)]
    columns = [column_name(part, trap) for trap in traps for part in "srvwk"]
    cells = [cell_name(trap, group.code) for trap in traps for group in lists.groups]
    return ["id", "read_at", "part", *moments, *shared, *columns, *cells]


def filled_from(drafts: Iterable[Any], lists: SeasonLists) -> dict[str, str]:
    """Return the cells that a class's drafts fill, and a mark for each of their traps."""
    filled: dict[str, str] = {}
    for draft in drafts:
        filled[column_name("k", draft.trap)] = "yes"
        for group in lists.groups:
            if cell := cell_of(draft.answers, group.code):
                filled[cell_name(draft.trap, group.code)] = cell
    return filled


def filled_from_settings(settings: Iterable[Any], lists: SeasonLists) -> dict[str, str]:
    """Return the shared answers of traps that stand open: those of the one that was opened first.

    A trap that was set with a cup of another width brings its own.
    """
    settings = list(settings)
    if not settings:
        return {}
    first = settings[0]
    set_at = first.set_at.astimezone(frame_of(lists).zone)
    filled = {"set_day": str(set_at.day), "set_month": str(set_at.month), "set_year": str(set_at.year)}
    filled["set_time"] = f"{set_at:%H:%M}"
    for question in (*FIRST, *MORE):
        value = first.answers.get(question.name)
        if value is not None:
            filled[question.name] = f"{value:g}" if isinstance(value, float) else str(value)
    for one in settings[1:]:
        width = one.answers.get(MOUTH.name)
        if width is not None and width != first.answers.get(MOUTH.name):
            filled[column_name("w", one.trap)] = f"{width:g}"
    return filled


def read_table(answers: Answers, lists: SeasonLists, traps: Sequence[Any], now: datetime) -> Reading:
    """Read a table. A trap with nothing typed and no state of its own is left out."""
    faults: dict[str, str] = {}
    cells: dict[str, str] = {}
    set_at, emptied_at = (read_past(answers, name, WHAT[name], lists, now, faults) for name in MOMENTS)
    if set_at and emptied_at and emptied_at <= set_at:
        faults["emptied_day"] = gettext("The traps were emptied before they were opened. Look at both moments again.")
    shared = _shared(answers, faults)
    several = several_sites(traps)
    widths = {trap.code: _own_width(trap, answers, several, faults) for trap in traps}
    caught: dict[str, tuple[SentAnswer, ...]] = {}
    for trap in traps:
        caught[trap.code], wrong = _column(trap, answers, lists)
        for group, sentence in wrong:
            name = cell_name(trap, group.code)
            cells[name] = sentence
            faults[name] = gettext("%(trap)s, %(group)s: %(fault)s") % {
                "trap": trap_words(trap, several),
                "group": say(group.name),
                "fault": sentence,
            }
    used = tuple(trap for trap in traps if is_used(trap, answers, caught[trap.code]))
    if not used and traps and not any(name.startswith("t_") for name in faults):
        first = cell_name(traps[0], lists.groups[0].code)
        faults[first] = cells[first] = gettext(
            "Nothing is typed yet. Fill in at least one trap, or say that one was lost."
        )
    if faults or set_at is None or emptied_at is None:
        return Reading(faults=faults, cells=cells)
    table = uuid.UUID(answers["id"])
    sent = tuple(
        SentReturn(
            uuid=uuid.uuid5(table, trap.public_id.hex),
            trap=trap.public_id,
            set_at=set_at,
            emptied_at=emptied_at,
            habitat=trap.habitat.code,
            answers=caught[trap.code],
            fields=_fields(trap, answers, {**shared, **widths[trap.code]}),
        )
        for trap in used
    )
    return Reading(sent=sent, traps=used)


def read_moment_of_reading(typed: str, now: datetime) -> datetime:
    """Return when the drafts were read into the form; long ago where that cannot be told, so that none is lost."""
    try:
        read_at = datetime.fromisoformat(typed)
    except ValueError:
        return _LONG_AGO
    return min(read_at, now) if read_at.tzinfo is not None else _LONG_AGO


def is_used(trap: Any, answers: Answers, caught: Sequence[SentAnswer]) -> bool:
    """Say whether anything was told of this trap alone."""
    own = any(answers.get(column_name(part, trap)) for part in "srv")
    return bool(caught) or own


def several_sites(traps: Iterable[Any]) -> bool:
    """Say whether a trap must be named with its site."""
    return len({trap.site_id for trap in traps}) > 1


def trap_words(trap: Any, several: bool) -> str:
    """Return what a trap is called: "Trap 3", or "Site 2, trap 3" where there are several sites."""
    if several:
        return gettext("Site %(site)d, trap %(number)d") % {"site": trap.site.number, "number": trap.number}
    return gettext("Trap %(number)d") % {"number": trap.number}


# --- reading ----------------------------------------------------------------------------------------


def _column(trap: Any, answers: Answers, lists: SeasonLists) -> tuple[tuple[SentAnswer, ...], list[tuple[Any, str]]]:
    """Read the cells of one trap: answers, and groups with what is wrong in their cells.

    With "none of the rest" ticked, an empty cell says that there were none.
    """
    rest = answers.get(column_name("r", trap)) == "yes"
    caught: list[SentAnswer] = []
    wrong: list[tuple[Any, str]] = []
    for group in lists.groups:
        try:
            answer = read_cell(answers.get(cell_name(trap, group.code), ""), group.code)
        except CannotRead as fault:
            wrong.append((group, str(fault)))
            continue
        if answer is None and rest:
            answer = SentAnswer(group.code, AnswerKind.NONE_SEEN)
        if answer is not None:
            caught.append(answer)
    return tuple(caught), wrong


def _shared(answers: Answers, faults: dict[str, str]) -> dict[str, Any]:
    """Read what is asked once for all traps; of the further questions only what was answered."""
    asked: list[Asked] = [*FIRST, STATE, *(question for question in MORE if answers.get(question.name, "").strip())]
    read = {question.name: read_answer(question, answers, faults) for question in asked}
    return {name: value for name, value in read.items() if value is not None}


def _own_width(trap: Any, answers: Answers, several: bool, faults: dict[str, str]) -> dict[str, Any]:
    """Read the width of a cup that differs from the others: None in it where that is not known, nothing if blank."""
    typed = answers.get(column_name("w", trap), "").strip()
    if not typed:
        return {}
    wrong: dict[str, str] = {}
    width = read_answer(MOUTH, {MOUTH.name: UNKNOWN if typed == "?" else typed}, wrong)
    for sentence in wrong.values():
        faults[column_name("w", trap)] = f"{trap_words(trap, several)}: {sentence}"
    return {MOUTH.name: width}


def _fields(trap: Any, answers: Answers, shared: Mapping[str, Any]) -> dict[str, Any]:
    """Return the fields of one return: the shared ones, but for what differs at this trap."""
    own = answers.get(column_name("s", trap), "")
    state = TrapState(own) if own in TrapState.values() else shared["trap_state"]
    fields = {**shared, "trap_state": state, "time_precision": TimePrecision.QUARTER_HOUR}
    if state in LOST_STATES:
        fields.pop("release", None)  # nothing was there to let go
    if answers.get(column_name("v", trap)) == "yes":
        fields["vertebrate_seen"] = YesNo.YES
    return {name: value for name, value in fields.items() if value is not None}
