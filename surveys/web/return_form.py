"""Reading a return from a posted form: every fault at once, every answer kept.

A group that nobody touched stays unknown; a 0 that somebody typed means "looked, and none".
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from surveys.queries.seasons import SeasonLists
from surveys.services.intake import SentAnswer, SentReturn
from surveys.vocabulary import MOST_ANIMALS, REPORTED_MEASURES, REPORTED_WORDS, AnswerKind, CountClass, TrapState
from surveys.web.moments import Frame, read_moment, read_whole

#: What a family is asked first; everything else is under "tell us more".
FIRST_WORDS = ("rim", "cover", "liquid", "trap_state")
FIRST_MEASURES = ("mouth_mm",)
#: The answers beside a number and a range.
OTHER_ANSWERS = (AnswerKind.NONE_SEEN, AnswerKind.DID_NOT_LOOK, AnswerKind.COULD_NOT_TELL)
#: Ranges that the form offers: fewer than 16 animals are counted one by one. Common practice, no source.
OFFERED_CLASSES = (CountClass.C16TO31, CountClass.C32TO63, CountClass.C64TO127, CountClass.C128UP)
#: Letters of a note, as the table holds them.
NOTE_LETTERS = 500
#: Where the trap was lost there is nothing to count, and that it was lost is worth knowing.
_LOST = frozenset({TrapState.DUG_UP, TrapState.KICKED, TrapState.MOVED, TrapState.WATER_IN})
_DECIMAL = re.compile(r"^(-?\d{1,6}(?:[.,]\d{1,3})?)(?:\s*mm)?$", re.ASCII)

_CHOOSE = {
    "rim": "Say where the rim of the cup was.",
    "cover": "Say if the trap had a rain cover.",
    "liquid": "Say if anything was in the cup. A dry cup is what we ask for.",
    "trap_state": "Say how you found the trap.",
}
_SUCH_AS = {"mouth_mm": "75", "depth_mm": "100", "settled_h": "48", "temp_min_c": "9", "temp_max_c": "17"}


@dataclass(frozen=True, slots=True)
class Reading:
    """What was read from a form: a return, or the faults by field."""

    sent: SentReturn | None = None
    faults: dict[str, str] = field(default_factory=dict)


def read_form(answers: Mapping[str, str], *, lists: SeasonLists, traps: Mapping[str, str]) -> Reading:
    """Read a posted form. ``traps`` gives the habitat of each of the sender's traps by id."""
    faults: dict[str, str] = {}
    frame = _frame(lists)
    trap = answers.get("trap", "")
    if trap not in traps:
        faults["trap"] = "Choose the trap that you emptied."
    set_at = read_moment(answers, "set", "opened the trap", frame, faults)
    emptied_at = read_moment(answers, "emptied", "emptied the trap", frame, faults)
    if set_at and emptied_at and emptied_at <= set_at:
        faults["emptied_day"] = "You emptied the trap before you opened it. Look at both days and times again."
    fields = {**_words(answers, faults), **_measures(answers, faults)}
    note = read_note(answers.get("note", ""), "note", faults)
    caught = _catch(answers, lists, faults)
    if faults or set_at is None or emptied_at is None:
        return Reading(faults=faults)
    return Reading(
        SentReturn(
            uuid=read_identity(answers.get("id", "")),
            trap=uuid.UUID(trap),
            set_at=set_at,
            emptied_at=emptied_at,
            habitat=answers.get("habitat") or traps[trap],
            answers=caught,
            fields={**fields, "note": note, "time_precision": "quarter_hour"},
        )
    )


def read_identity(given: str) -> uuid.UUID:
    """Return the id that came with the form: the same form sent twice makes one return."""
    try:
        return uuid.UUID(given)
    except ValueError:
        return uuid.uuid4()


def read_note(given: str, name: str, faults: dict[str, str]) -> str:
    """Return a note without the characters that no page can show."""
    # A browser sends each line's end as two characters, and the database takes no NUL.
    note = "".join(sign for sign in given.replace("\r\n", "\n") if sign.isprintable() or sign == "\n").strip()
    if len(note) > NOTE_LETTERS:
        faults[name] = f"The note has {len(note)} letters. Keep it to {NOTE_LETTERS}."
    return note


def _frame(lists: SeasonLists) -> Frame:
    """Return the season's time zone and years, with one year's slack around New Year."""
    season = lists.season
    return Frame(ZoneInfo(season.time_zone), season.opens_on.year - 1, season.closes_on.year + 1)


def _words(answers: Mapping[str, str], faults: dict[str, str]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, words in REPORTED_WORDS.items():
        given = answers.get(name, "")
        if given in words.values():
            found[name] = words(given)
        elif name in FIRST_WORDS:
            faults[name] = _CHOOSE[name]
    return found


def _measures(answers: Mapping[str, str], faults: dict[str, str]) -> dict[str, float]:
    found: dict[str, float] = {}
    for name, (low, high) in REPORTED_MEASURES.items():
        given = answers.get(name, "").strip()
        if not given:
            continue
        number = _DECIMAL.match(given)
        value = float(number.group(1).replace(",", ".")) if number else None
        if value is None:
            faults[name] = (
                f"We cannot read {given!r} as a number. Write digits only, such as {_SUCH_AS.get(name, '10')}."
            )
        elif not low <= value <= high:
            faults[name] = f"{given} is outside {low:g} to {high:g}. Look at it once more."
        else:
            found[name] = value
    return found


def _catch(answers: Mapping[str, str], lists: SeasonLists, faults: dict[str, str]) -> tuple[SentAnswer, ...]:
    """Read the counting table. Groups without an answer are left out: they stay unknown."""
    given = [_answer(group.code, group.name, answers, faults) for group in lists.groups]
    caught = tuple(answer for answer in given if answer is not None)
    typed = any(f"n_{group.code}" in faults for group in lists.groups)
    if not caught and not typed and answers.get("trap_state") not in _LOST:
        first = lists.groups[0].code
        faults[f"n_{first}"] = "Tell us about at least one kind of animal. If you looked and saw none, choose that."
    return caught


def _answer(code: str, name: str, answers: Mapping[str, str], faults: dict[str, str]) -> SentAnswer | None:
    """Read one group: a number, a range or another answer, and never two of them."""
    number, chosen = answers.get(f"n_{code}", "").strip(), answers.get(f"c_{code}", "")
    other = answers.get(f"a_{code}", "")
    if sum(map(bool, (number, chosen, other))) > 1:
        faults[f"n_{code}"] = f"{name}: there are two answers. Keep one, and set the other back."
        return None
    if number:
        return _counted(code, name, number, faults)
    if chosen in CountClass.values():
        return SentAnswer(code, AnswerKind.CLASS, count_class=CountClass(chosen))
    return SentAnswer(code, AnswerKind(other)) if other in OTHER_ANSWERS else None


def _counted(code: str, name: str, number: str, faults: dict[str, str]) -> SentAnswer | None:
    count = read_whole(number)
    if count is None:
        faults[f"n_{code}"] = f"{name}: we cannot read {number!r} as a count. Write digits, or choose a range."
        return None
    if count > MOST_ANIMALS:
        faults[f"n_{code}"] = f"{name}: {count} is more than a cup can hold. Look at it once more."
        return None
    return SentAnswer(code, AnswerKind.NUMBER, count) if count else SentAnswer(code, AnswerKind.NONE_SEEN)
