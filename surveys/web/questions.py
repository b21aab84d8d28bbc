"""The questions of the return form, in the words of a family, ready to be drawn."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from surveys.queries.seasons import SeasonLists
from surveys.vocabulary import REPORTED_MEASURES, REPORTED_WORDS, AnswerKind
from surveys.web.return_form import OFFERED_CLASSES, OTHER_ANSWERS


@dataclass(frozen=True, slots=True)
class Option:
    """One answer to choose."""

    value: str
    label: str
    chosen: bool


@dataclass(frozen=True, slots=True)
class Question:
    """One question: ``options`` for a choice, otherwise a box to type into with the ``keys`` that a phone shows."""

    name: str
    words: str
    hint: str
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


_WORDS = {
    "rim": ("Where was the rim of the cup?", "Look at the rim and the soil beside it."),
    "cover": ("Was there a rain cover?", "A flat cover on sticks, about 2 cm above the cup."),
    "liquid": ("Was anything in the cup?", "Never use antifreeze, soap or bait. It can hurt pets and wild animals."),
    "trap_state": ("How did you find the trap?", "If it was kicked or flooded, tell us. A lost trap is not a zero."),
    "mouth_mm": ("How wide is the cup?", "Across the inside at the top, in millimetres. Most cups are about 75."),
    "looks": ("When did you look at it?", ""),
    "settled_h": ("How many hours was it dug in before you opened it?", "0 if you set it the same day."),
    "depth_mm": ("How deep is the cup, in millimetres?", ""),
    "colour": ("What colour is the cup?", ""),
    "nesting": ("One cup or two?", ""),
    "material": ("What is the cup made of?", ""),
    "refuge": ("Was there something to hide in?", ""),
    "guard": ("Was there a mesh or a stick?", ""),
    "cover_kind": ("Could light come through the cover?", ""),
    "cover_gap_mm": ("How high was the cover above the cup, in millimetres?", ""),
    "rain": ("Did it rain?", ""),
    "ground": ("How wet was the ground?", ""),
    "temp_min_c": ("Coldest, in degrees Celsius", ""),
    "temp_max_c": ("Warmest, in degrees Celsius", ""),
    "ground_cover": ("How much of the ground was covered with plants?", ""),
    "vegetation": ("How high were the plants?", ""),
    "disturbance": ("Did something happen near the trap?", ""),
    "pesticide": ("Were slug pellets or sprays used within two weeks?", ""),
    "counted_in": ("What did you count in?", ""),
    "looked_for_all": ("Did you look for every kind on the list?", ""),
    "vertebrate_seen": ("Was a mouse, shrew, frog, newt or lizard in it?", "If so, a person will get in touch."),
    "release": ("When did you let the animals go?", ""),
    "closing": ("How did you leave the hole?", ""),
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
    options = tuple(Option(code, label, code == value) for code, label in REPORTED_WORDS[name].choices())
    return Question(name, words, hint, value, fault, options)


#: The first one is where a row begins, and what takes a slip of the finger back.
_OTHER_WORDS = {
    "": "Left blank",
    AnswerKind.NONE_SEEN.value: "Saw none",
    AnswerKind.DID_NOT_LOOK.value: "Did not look",
    AnswerKind.COULD_NOT_TELL.value: "Could not tell",
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
            classes=tuple(
                Option(word.value, word.label, word.value == answers.get(f"c_{group.code}")) for word in OFFERED_CLASSES
            ),
            others=_others(answers.get(f"a_{group.code}", "")),
        )
        for group in lists.groups
    ]


def _others(given: str) -> tuple[Option, ...]:
    chosen = given if given in OTHER_ANSWERS else ""
    return tuple(Option(code, label, code == chosen) for code, label in _OTHER_WORDS.items())
