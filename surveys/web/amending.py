"""Changing a return: the form as it was sent, and a new return that takes the place of the old one."""

from __future__ import annotations

import uuid
from typing import Any
from zoneinfo import ZoneInfo

from surveys.vocabulary import CLASS_BOUNDS, REPORTED_MEASURES, REPORTED_NUMBERS, REPORTED_WORDS, AnswerKind
from surveys.web.questions import MORE
from surveys.web.return_form import FIRST_MEASURES, FIRST_WORDS

#: What the form asks; the other reported columns came from elsewhere and go along as they were.
_ASKED = frozenset({*FIRST_MEASURES, *FIRST_WORDS, *MORE})


def answers_of(report: Any) -> dict[str, str]:
    """Return the boxes of the form as they would be filled in to send this return, under a new id."""
    zone = ZoneInfo(report.season.time_zone)
    answers = {
        "id": str(uuid.uuid4()),
        "trap": str(report.trap.public_id),
        "habitat": report.habitat.code if report.habitat else "",
        "note": report.note,
        **_moment("set", report.set_at.astimezone(zone)),
        **_moment("emptied", report.emptied_at.astimezone(zone)),
    }
    for name in _ASKED:
        value = getattr(report, name)
        if value is not None:
            answers[name] = _number(value) if name in REPORTED_MEASURES else str(value)
    for catch in report.catches.all():
        answers |= _answer(catch)
    return answers


def carried_over(report: Any) -> dict[str, Any]:
    """Return the reported columns that the form does not ask for: a change must not lose them."""
    names = ({*REPORTED_WORDS, *REPORTED_MEASURES, *REPORTED_NUMBERS} - _ASKED) - {"time_precision"}
    found = {name: getattr(report, name) for name in sorted(names)}
    return {name: value for name, value in found.items() if value is not None}


def _moment(name: str, at: Any) -> dict[str, str]:
    return {
        f"{name}_day": str(at.day),
        f"{name}_month": str(at.month),
        f"{name}_year": str(at.year),
        f"{name}_time": f"{at:%H:%M}",
    }


def _number(value: float) -> str:
    """Return a number as it is typed: three decimals at most, as the form reads them."""
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _answer(catch: Any) -> dict[str, str]:
    code = catch.group.code
    if catch.answer == AnswerKind.NUMBER:
        return {f"n_{code}": str(catch.low)}
    if catch.answer == AnswerKind.CLASS:
        bounds = (catch.low, catch.high)
        return {f"c_{code}": next(word.value for word, given in CLASS_BOUNDS.items() if given == bounds)}
    return {f"a_{code}": str(catch.answer)}
