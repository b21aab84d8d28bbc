"""The questions of the return form, in the words of a family, ready to be drawn."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext_lazy as _

from surveys.queries.seasons import SeasonLists
from surveys.vocabulary import REPORTED_MEASURES, REPORTED_WORDS, AnswerKind, CountClass
from surveys.web.catches import OFFERED_CLASSES, OTHER_ANSWERS
from surveys.web.words import say


@dataclass(frozen=True, slots=True)
class Option:
    """One answer to choose."""

    value: str
    label: Any
    chosen: bool


@dataclass(frozen=True, slots=True)
class Question:
    """One question: ``options`` for a choice, otherwise a box to type into with the ``keys`` that a phone shows."""

    name: str
    words: Any
    hint: Any
    value: str
    fault: str
    options: tuple[Option, ...] = ()
    keys: str = "text"


@dataclass(frozen=True, slots=True)
class Count:
    """One animal group of the counting table: a box for a number, ranges, and the other answers."""

    code: str
    name: str
    how_to_tell: str
    number: str
    fault: str
    classes: tuple[Option, ...]
    others: tuple[Option, ...]


_WORDS: dict[str, tuple[Any, Any]] = {
    "rim": (_("Where was the rim of the cup?"), _("Look at the rim and the soil beside it.")),
    "cover": (_("Was there a rain cover?"), _("A flat cover on sticks, about 2 cm above the cup.")),
    "liquid": (
        _("Was anything in the cup?"),
        _("Never use antifreeze, soap or bait. It can kill pets and wild animals."),
    ),
    "trap_state": (
        _("How did you find the trap?"),
        _("If it was kicked or flooded, tell us. A lost trap is not a zero."),
    ),
    "mouth_mm": (_("How wide is the cup?"), _("Across the inside at the top, in millimetres. Most cups are about 75.")),
    "looks": (_("When did you look at it?"), ""),
    "settled_h": (_("How many hours was it dug in before you opened it?"), _("0 if you set it the same day.")),
    "depth_mm": (_("How deep is the cup, in millimetres?"), ""),
    "colour": (_("What colour is the cup?"), ""),
    "nesting": (_("One cup or two?"), ""),
    "material": (_("What is the cup made of?"), ""),
    "refuge": (_("Was there something to hide in?"), ""),
    "guard": (_("Was there a mesh or a stick?"), ""),
    "cover_kind": (_("Could light come through the cover?"), ""),
    "cover_gap_mm": (_("How high was the cover above the cup, in millimetres?"), ""),
    "rain": (_("Did it rain?"), ""),
    "ground": (_("How wet was the ground?"), ""),
    "temp_min_c": (_("Coldest, in degrees Celsius"), ""),
    "temp_max_c": (_("Warmest, in degrees Celsius"), ""),
    "ground_cover": (_("How much of the ground was covered with plants?"), ""),
    "vegetation": (_("How high were the plants?"), ""),
    "disturbance": (_("Did something happen near the trap?"), ""),
    "pesticide": (_("Were slug pellets or sprays used within two weeks?"), ""),
    "counted_in": (_("What did you count in?"), ""),
    "looked_for_all": (_("Did you look for every kind on the list?"), ""),
    "vertebrate_seen": (_("Was a mouse, shrew, frog, newt or lizard in it?"), _("If so, a person will get in touch.")),
    "release": (_("When did you let the animals go?"), ""),
    "closing": (_("How did you leave the hole?"), ""),
}
#: Asked gently, in this order. Other columns are for the API.
MORE = tuple(name for name in _WORDS if name not in ("rim", "cover", "liquid", "trap_state", "mouth_mm"))


def questions(names: Iterable[str], answers: Mapping[str, str], faults: Mapping[str, str]) -> list[Question]:
    """Return the named questions with what was answered and what is wrong."""
    return [_question(name, answers.get(name, ""), faults.get(name, "")) for name in names]


def _question(name: str, value: str, fault: str) -> Question:
    words, hint = _WORDS[name]
    if name in REPORTED_MEASURES:
        # Number keys of many phones have no minus, which a cold night needs.
        keys = "text" if REPORTED_MEASURES[name][0] < 0 else "decimal"
        return Question(name, words, hint, value, fault, keys=keys)
    options = tuple(Option(code, say(label), code == value) for code, label in REPORTED_WORDS[name].choices())
    return Question(name, words, hint, value, fault, options)


#: The first one is where a row begins, and what takes a slip of the finger back.
_OTHER_WORDS: dict[str, Any] = {
    "": _("Left blank"),
    AnswerKind.NONE_SEEN.value: _("Saw none"),
    AnswerKind.DID_NOT_LOOK.value: _("Did not look"),
    AnswerKind.COULD_NOT_TELL.value: _("Could not tell"),
}


def counts(lists: SeasonLists, answers: Mapping[str, str], faults: Mapping[str, str]) -> list[Count]:
    """Return the counting table: each group with what was answered and what is wrong."""
    return [
        Count(
            code=group.code,
            name=group.name,
            how_to_tell=group.how_to_tell,
            number=answers.get(f"n_{group.code}", ""),
            fault=faults.get(f"n_{group.code}", ""),
            classes=_classes(answers.get(f"c_{group.code}", "")),
            others=_others(answers.get(f"a_{group.code}", "")),
        )
        for group in lists.groups
    ]


def _classes(given: str) -> tuple[Option, ...]:
    """Return the ranges that are offered, and one that was sent before although it is not."""
    words = [word for word in CountClass if word in OFFERED_CLASSES or word.value == given]
    return tuple(Option(word.value, say(word), word.value == given) for word in words)


def _others(given: str) -> tuple[Option, ...]:
    chosen = given if given in OTHER_ANSWERS else ""
    return tuple(Option(code, label, code == chosen) for code, label in _OTHER_WORDS.items())
