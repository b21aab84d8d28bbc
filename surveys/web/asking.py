"""Reading what was answered about a trap that was set or emptied: something to send, or every fault by its field."""

from __future__ import annotations

import re
import uuid
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Protocol

from django.utils.translation import gettext

from surveys import vocabulary as words
from surveys.queries.seasons import SeasonLists
from surveys.services.openings import CLOCK_SLACK, SentOpening
from surveys.services.sent_returns import SentReturn
from surveys.vocabulary import REPORTED_MEASURES, REPORTED_WORDS
from surveys.web.asked import EMPTY_QUESTIONS, SET_QUESTIONS, UNKNOWN, UNTOLD, Answers, Asked, was_lost
from surveys.web.catches import read_catch
from surveys.web.moments import frame_of, read_moment
from surveys.web.return_form import Reading, read_identity, read_note

__all__ = [
    "EMPTY_QUESTIONS",
    "SET_QUESTIONS",
    "UNKNOWN",
    "UNTOLD",
    "Answers",
    "Asked",
    "Reading",
    "Setting",
    "question_of",
    "read_answer",
    "read_emptying",
    "read_past",
    "read_setting",
]

_DECIMAL = re.compile(r"^(-?\d{1,6}(?:[.,]\d{1,3})?)\.?(?:\s*mm)?$", re.ASCII)


class Setting(Protocol):
    """What the readers need to know of a setting: a row of ``queries.openings``."""

    @property
    def uuid(self) -> uuid.UUID: ...
    @property
    def set_at(self) -> datetime: ...
    @property
    def answers(self) -> Mapping[str, Any]: ...
    @property
    def trap(self) -> Any: ...


def read_setting(answers: Answers, lists: SeasonLists, traps: Mapping[str, str], now: datetime) -> Reading[SentOpening]:
    """Read a setting. ``traps`` gives the habitat of each of the sender's traps by id."""
    faults: dict[str, str] = {}
    trap = _read_trap(answers, traps, faults)
    set_at = read_past(answers, "set", "opened the trap", lists, now, faults)
    fields = _read_fields(SET_QUESTIONS, answers, faults)
    if faults or trap is None or set_at is None:
        return Reading(faults=faults)
    sent = SentOpening(
        uuid=read_identity(answers.get("id", "")),
        trap=trap,
        set_at=set_at,
        fields={**fields, "time_precision": words.TimePrecision.QUARTER_HOUR},
    )
    return Reading(sent)


def read_emptying(
    answers: Answers,
    lists: SeasonLists,
    opening: Setting | None,
    now: datetime,
    traps: Mapping[str, str] | None = None,
) -> Reading[SentReturn]:
    """Read an emptying. Of a setting that we were not told of (None) the answers say it all, ``traps`` as above."""
    faults: dict[str, str] = {}
    answers = {**answers, "opening": str(opening.uuid) if opening else UNTOLD}
    if opening is None:
        trap = _read_trap(answers, traps or {}, faults)
        set_at = read_past(answers, "set", "opened the trap", lists, now, faults)
        habitat = (traps or {}).get(str(trap))
    else:
        trap, set_at, habitat = opening.trap.public_id, opening.set_at, opening.trap.habitat.code
    emptied_at = read_past(answers, "emptied", "emptied the trap", lists, now, faults)
    if set_at and emptied_at and emptied_at <= set_at:
        faults["emptied_day"] = gettext("You emptied the trap before you opened it. Look at both days and times again.")
    fields = _read_fields(EMPTY_QUESTIONS, answers, faults)
    note = read_note(answers.get("note", ""), "note", faults)
    caught = () if was_lost(answers) else read_catch(answers, lists.groups, faults)
    if faults or trap is None or set_at is None or emptied_at is None:
        return Reading(faults=faults)
    known = opening.answers if opening else {}
    sent = SentReturn(
        uuid=read_identity(answers.get("id", "")),
        trap=trap,
        set_at=set_at,
        emptied_at=emptied_at,
        habitat=habitat,
        answers=caught,
        fields={"time_precision": words.TimePrecision.QUARTER_HOUR, **known, **fields, "note": note},
    )
    return Reading(sent)


def read_answer(question: Asked, answers: Answers, faults: dict[str, str]) -> Any:
    """Read one choice or measure: its value, or None for "I do not know" and for what is at fault."""
    given = answers.get(question.name, "").strip()
    if given == UNKNOWN and question.unknown:
        return None
    if question.kind == "measure":
        return _read_measure(question, given, faults)
    if given not in [value for value, _label in question.options]:
        faults[question.name] = str(question.fault)
        return None
    return REPORTED_WORDS[question.name](given) if question.name in REPORTED_WORDS else float(given)


def question_of(field_name: str, questions: tuple[Asked, ...]) -> Asked | None:
    """Return the question that a field belongs to; those of the tally are told by their first letters."""
    for question in questions:
        if field_name in question.fields or (question.kind == "tally" and field_name[:2] in ("n_", "c_", "a_")):
            return question
    return None


def _read_trap(answers: Answers, traps: Mapping[str, str], faults: dict[str, str]) -> uuid.UUID | None:
    given = answers.get("trap", "")
    if given in traps:
        return uuid.UUID(given)
    faults["trap"] = str(SET_QUESTIONS[0].fault)
    return None


def read_past(  # noqa: PLR0917  # as read_moment, which it wraps
    answers: Answers, name: str, what: str, lists: SeasonLists, now: datetime, faults: dict[str, str]
) -> datetime | None:
    """Read a moment that is over by now, but for a clock that is a little fast."""
    moment = read_moment(answers, name, what, frame_of(lists), faults)
    if moment is not None and moment > now + CLOCK_SLACK:
        faults[f"{name}_day"] = gettext("That moment is still to come. Look at the day and the time again.")
        return None
    return moment


def _read_fields(questions: tuple[Asked, ...], answers: Answers, faults: dict[str, str]) -> dict[str, Any]:
    read = {
        question.name: read_answer(question, answers, faults)
        for question in questions
        if question.kind in ("choice", "measure") and not question.skip(answers)
    }
    return {name: value for name, value in read.items() if value is not None}


def _read_measure(question: Asked, given: str, faults: dict[str, str]) -> float | None:
    low, high = REPORTED_MEASURES[question.name]
    number = _DECIMAL.match(given)
    if not given:
        faults[question.name] = str(question.fault)
    elif number is None:
        sentence = (
            gettext("We cannot read “%(typed)s” as a number. Give millimetres as digits: 7.5 cm is 75.")
            if question.name.endswith("_mm")
            else gettext("We cannot read “%(typed)s” as a number. Write digits only, such as 75.")
        )
        faults[question.name] = sentence % {"typed": given[:40]}
    elif not low <= (value := float(number.group(1).replace(",", "."))) <= high:
        faults[question.name] = gettext("%(typed)s is outside %(low)d to %(high)d. Look at it once more.") % {
            "typed": given[:40],
            "low": low,
            "high": high,
        }
    else:
        return value
    return None
