"""Reading a return from a posted form: every fault at once, every answer kept.

A group that nobody touched stays unknown; a 0 that somebody typed means "looked, and none".
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from surveys.queries.seasons import SeasonLists
from surveys.services.intake import SentAnswer, SentReturn
from surveys.vocabulary import REPORTED_MEASURES, REPORTED_WORDS, AnswerKind, CountClass

MONTHS = (
    "january", "february", "march", "april", "may", "june",
    "july", "august", "september", "october", "november", "december",
)  # fmt: skip
#: What a family is asked first; everything else is under "tell us more".
FIRST_WORDS = ("rim", "cover", "liquid", "trap_state")
FIRST_MEASURES = ("mouth_mm",)
_TIME = re.compile(r"^\s*(\d{1,2})\s*[:.h]?\s*(\d{2})?\s*(am|pm)?\s*$", re.ASCII | re.IGNORECASE)
_NUMBER = re.compile(r"^\s*(\d{1,6})\s*$", re.ASCII)
_DECIMAL = re.compile(r"^\s*(-?\d{1,6}(?:[.,]\d{1,3})?)\s*$", re.ASCII)


@dataclass(slots=True)
class Reading:
    """What was read from a form: a return, or the faults by field."""

    sent: SentReturn | None = None
    faults: dict[str, str] = field(default_factory=dict)


def read_form(answers: Mapping[str, str], *, lists: SeasonLists, traps: Mapping[str, str]) -> Reading:
    """Read a posted form. ``traps`` gives the habitat of each of the sender's traps by id."""
    faults: dict[str, str] = {}
    zone = ZoneInfo(lists.season.time_zone)
    trap = answers.get("trap", "")
    if trap not in traps:
        faults["trap"] = "Choose the trap that you emptied."
    set_at = _instant(answers, "set", "set the trap", zone, faults)
    emptied_at = _instant(answers, "emptied", "emptied the trap", zone, faults)
    fields = {**_words(answers, faults), **_measures(answers, faults)}
    note = answers.get("note", "").strip()
    if len(note) > 500:
        faults["note"] = f"The note has {len(note)} letters. Keep it to 500."
    sent_answers = tuple(
        answer for group in lists.groups if (answer := _answer(group.code, group.name, answers, faults)) is not None
    )
    if not sent_answers:
        faults["counts"] = "Tell us about at least one kind of animal. If you saw none of a kind, say so."
    identity = _identity(answers.get("id", ""))
    if faults or set_at is None or emptied_at is None:
        return Reading(faults=faults)
    return Reading(
        SentReturn(
            uuid=identity,
            trap=uuid.UUID(trap),
            set_at=set_at,
            emptied_at=emptied_at,
            habitat=answers.get("habitat") or traps[trap],
            answers=sent_answers,
            fields={**fields, "note": note, "time_precision": "quarter_hour"},
        )
    )


def _identity(given: str) -> uuid.UUID:
    try:
        return uuid.UUID(given)
    except ValueError:
        return uuid.uuid4()


def _instant(
    answers: Mapping[str, str], name: str, what: str, zone: ZoneInfo, faults: dict[str, str]
) -> datetime | None:
    """Read a day, a month (number or name), a year and a time of day in the season's own time."""
    day, year = _whole(answers.get(f"{name}_day", "")), _whole(answers.get(f"{name}_year", ""))
    month, clock = _month(answers.get(f"{name}_month", "")), _clock(answers.get(f"{name}_time", ""))
    if day is None or month is None or year is None:
        faults[f"{name}_day"] = f"Write the day, month and year when you {what}, such as 2 May 2026."
        return None
    if clock is None:
        faults[f"{name}_time"] = f"Write the time when you {what}, such as 17:30 or 5.30 pm."
        return None
    try:
        return datetime(year if year > 99 else 2000 + year, month, day, *clock, tzinfo=zone)
    except ValueError:
        faults[f"{name}_day"] = f"There is no such day: {day} {MONTHS[month - 1].title()} {year}."
        return None


def _whole(text: str) -> int | None:
    found = _NUMBER.match(text)
    return int(found.group(1)) if found else None


def _month(text: str) -> int | None:
    text = text.strip().strip(".").lower()
    if found := _whole(text):
        return found if 1 <= found <= 12 else None
    near = [place for place, name in enumerate(MONTHS, start=1) if len(text) >= 3 and name.startswith(text)]
    return near[0] if len(near) == 1 else None


def _clock(text: str) -> tuple[int, int] | None:
    found = _TIME.match(text)
    if not found:
        return None
    hour, minute, half = int(found.group(1)), int(found.group(2) or 0), (found.group(3) or "").lower()
    if half and not 1 <= hour <= 12:
        return None
    if half:
        hour = hour % 12 + (12 if half == "pm" else 0)
    return (hour, minute) if hour <= 23 and minute <= 59 else None


def _words(answers: Mapping[str, str], faults: dict[str, str]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, words in REPORTED_WORDS.items():
        given = answers.get(name, "")
        if given in words.values():
            found[name] = words(given)
        elif name in FIRST_WORDS:
            faults[name] = _CHOOSE[name]
    found.pop("time_precision", None)
    return found


_CHOOSE = {
    "rim": "Say where the rim of the cup was.",
    "cover": "Say if the trap had a rain cover.",
    "liquid": "Say if anything was in the cup. A dry cup is what we ask for.",
    "trap_state": "Say how you found the trap.",
}


def _measures(answers: Mapping[str, str], faults: dict[str, str]) -> dict[str, float]:
    found: dict[str, float] = {}
    for name, (low, high) in REPORTED_MEASURES.items():
        given = answers.get(name, "").strip()
        if not given:
            continue
        number = _DECIMAL.match(given.removesuffix("mm").removesuffix("cm"))
        value = float(number.group(1).replace(",", ".")) if number else None
        if value is None or given.endswith("cm"):
            faults[name] = f"{given!r} is not a number here. Write digits only, such as {_SUCH_AS.get(name, '10')}."
        elif not low <= value <= high:
            faults[name] = f"{given} is outside {low:g} to {high:g}. Check it once more."
        else:
            found[name] = value
    return found


_SUCH_AS = {"mouth_mm": "75", "depth_mm": "100", "settled_h": "48", "temp_min_c": "9", "temp_max_c": "17"}


def _answer(code: str, name: str, answers: Mapping[str, str], faults: dict[str, str]) -> SentAnswer | None:
    number, other = answers.get(f"n_{code}", "").strip(), answers.get(f"a_{code}", "")
    if number and other:
        faults[f"n_{code}"] = f"{name}: you gave a number and another answer. Keep one of them."
        return None
    if number:
        count = _whole(number.strip("."))
        if count is None:
            faults[f"n_{code}"] = f"{name}: {number!r} is not a number. Write digits, or choose a range beside it."
            return None
        return SentAnswer(code, AnswerKind.NUMBER, count) if count else SentAnswer(code, AnswerKind.NONE_SEEN)
    if other in CountClass.values():
        return SentAnswer(code, AnswerKind.CLASS, count_class=CountClass(other))
    return SentAnswer(code, AnswerKind(other)) if other in _OTHERS else None


_OTHERS = (AnswerKind.NONE_SEEN, AnswerKind.DID_NOT_LOOK, AnswerKind.COULD_NOT_TELL)
