"""Reading a return from a posted form: every fault at once, every answer kept.

A group that nobody touched stays unknown; a 0 that somebody typed means "looked, and none".
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from surveys.queries.seasons import SeasonLists
from surveys.services.plain_text import plain_text
from surveys.services.sent_returns import SentAnswer, SentReturn
from surveys.vocabulary import LOST_STATES, MOST_ANIMALS, REPORTED_MEASURES, REPORTED_WORDS, AnswerKind
from surveys.web.catches import read_row
from surveys.web.moments import frame_of, read_moment, read_whole
from surveys.web.words import say

#: What a family is asked first; everything else is under "tell us more".
FIRST_WORDS = ("rim", "cover", "liquid", "trap_state")
FIRST_MEASURES = ("mouth_mm",)
#: Letters of a note, as the table holds them.
NOTE_LETTERS = 500
_DECIMAL = re.compile(r"^(-?\d{1,6}(?:[.,]\d{1,3})?)(?:\s*mm)?$", re.ASCII)

_CHOOSE = {
    "rim": _("Say where the rim of the cup was."),
    "cover": _("Say if the trap had a rain cover."),
    "liquid": _("Say if anything was in the cup. A dry cup is what we ask for."),
    "trap_state": _("Say how you found the trap."),
}
_SUCH_AS = {"settled_h": "48", "temp_min_c": "9", "temp_max_c": "17"}


Sent = TypeVar("Sent")


@dataclass(frozen=True, slots=True)
class Reading(Generic[Sent]):
    """What was read from answers: something to send, or the faults by field."""

    sent: Sent | None = None
    faults: dict[str, str] = field(default_factory=dict)


def read_form(answers: Mapping[str, str], *, lists: SeasonLists, traps: Mapping[str, str]) -> Reading[SentReturn]:
    """Read a posted form. ``traps`` gives the habitat of each of the sender's traps by id."""
    faults: dict[str, str] = {}
    frame = frame_of(lists)
    trap = answers.get("trap", "")
    if trap not in traps:
        faults["trap"] = gettext("Choose the trap that you emptied.")
    set_at = read_moment(answers, "set", "opened the trap", frame, faults)
    emptied_at = read_moment(answers, "emptied", "emptied the trap", frame, faults)
    if set_at and emptied_at and emptied_at <= set_at:
        faults["emptied_day"] = gettext("You emptied the trap before you opened it. Look at both days and times again.")
    fields = {**_words(answers, faults), **read_measures(answers, faults)}
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
    note = plain_text(given)
    if len(note) > NOTE_LETTERS:
        faults[name] = gettext("The note has %(letters)s letters. Keep it to %(most)s.") % {
            "letters": len(note),
            "most": NOTE_LETTERS,
        }
    return note


def _words(answers: Mapping[str, str], faults: dict[str, str]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, words in REPORTED_WORDS.items():
        given = answers.get(name, "")
        if given in words.values():
            found[name] = words(given)
        elif name in FIRST_WORDS:
            faults[name] = str(_CHOOSE[name])
    return found


def _unread(name: str, given: str) -> str:
    if name.endswith("_mm"):
        return gettext("We cannot read “%(typed)s” as a number. Give millimetres as digits: 7.5 cm is 75.") % {
            "typed": given[:40]
        }
    return gettext("We cannot read %(given)s as a number. Write digits only, such as %(such)s.") % {
        "given": repr(given),
        "such": _SUCH_AS.get(name, "10"),
    }


def read_measures(answers: Mapping[str, str], faults: dict[str, str]) -> dict[str, float]:
    """Read every measure that was typed; what is wrong goes to ``faults`` by the name of its box."""
    found: dict[str, float] = {}
    for name, (low, high) in REPORTED_MEASURES.items():
        given = answers.get(name, "").strip()
        if not given:
            continue
        number = _DECIMAL.match(given)
        value = float(number.group(1).replace(",", ".")) if number else None
        if value is None:
            faults[name] = _unread(name, given)
        elif not low <= value <= high:
            faults[name] = gettext("%(given)s is outside %(low)s to %(high)s. Look at it once more.") % {
                "given": given,
                "low": f"{low:g}",
                "high": f"{high:g}",
            }
        else:
            found[name] = value
    return found


def _catch(answers: Mapping[str, str], lists: SeasonLists, faults: dict[str, str]) -> tuple[SentAnswer, ...]:
    """Read the counting table. Groups without an answer are left out: they stay unknown."""
    given = [read_row(group.code, say(group.name), answers, faults, _counted) for group in lists.groups]
    caught = tuple(answer for answer in given if answer is not None)
    typed = any(f"n_{group.code}" in faults for group in lists.groups)
    if not caught and not typed and answers.get("trap_state") not in LOST_STATES:
        first = lists.groups[0].code
        faults[f"n_{first}"] = gettext(
            "Tell us about at least one kind of animal. If you looked and saw none, choose that."
        )
    return caught


def _counted(code: str, name: str, number: str, faults: dict[str, str]) -> SentAnswer | None:
    count = read_whole(number)
    if count is None:
        faults[f"n_{code}"] = gettext(
            "%(name)s: we cannot read %(given)s as a count. Write digits, or choose a range."
        ) % {"name": name, "given": repr(number)}
        return None
    if count > MOST_ANIMALS:
        faults[f"n_{code}"] = gettext("%(name)s: %(count)s is more than a cup can hold. Look at it once more.") % {
            "name": name,
            "count": count,
        }
        return None
    return SentAnswer(code, AnswerKind.NUMBER, count) if count else SentAnswer(code, AnswerKind.NONE_SEEN)
