"""What is asked when a trap is set and when it is emptied, one question after the other.

Both the pages that work without a script and the page that works without a signal ask from here and post
the same flat answers, which :mod:`surveys.web.asking` reads. ``unknown`` is an answer of its own: "I do not
know". A question without any answer was not answered yet.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from django.utils.translation import gettext_lazy as _

from surveys import vocabulary as words
from surveys.vocabulary import LOST_STATES, TrapState

Kind = Literal["choice", "moment", "measure", "trap", "tally", "note"]
Answers = Mapping[str, str]

#: The answer "I do not know", where it may be given.
UNKNOWN = "unknown"
#: Stands for the setting of a trap that was set without telling us.
UNTOLD = "untold"
_MOMENT_PARTS = ("day", "month", "year", "time")


@dataclass(frozen=True, slots=True)
class Asked:
    """One question. ``name`` is that of its step and, but for a moment and the tally, of its answer.

    ``options`` are value and words, translated where they are shown; those of a question of the kind
    "trap" are the asker's own traps or settings. ``fault`` is said where there is no answer.
    """

    name: str
    heading: Any
    hint: Any
    kind: Kind
    options: tuple[tuple[str, Any], ...] = ()
    skip: Callable[[Answers], bool] = lambda answers: False
    fault: Any = ""
    unknown: bool = False

    @property
    def fields(self) -> tuple[str, ...]:
        """The names of its flat answers; those of the tally depend on the season's groups."""
        if self.kind == "moment":
            return tuple(f"{self.name}_{part}" for part in _MOMENT_PARTS)
        return () if self.kind == "tally" else (self.name,)


def _told(answers: Answers) -> bool:
    """Say whether the setting is known to us, so that nothing of it is asked again."""
    return answers.get("opening", UNTOLD) != UNTOLD


def was_lost(answers: Answers) -> bool:
    """Say whether the trap was lost or flooded, so that there is nothing to count."""
    return answers.get("trap_state") in LOST_STATES


def _gone(answers: Answers) -> bool:
    """Say whether there was nothing left to let go."""
    return was_lost(answers) and answers.get("trap_state") != TrapState.WATER_IN


def _options(listed: type[words.Word]) -> tuple[tuple[str, Any], ...]:
    return tuple(listed.choices())


_TRAP = Asked(
    "trap",
    _("Which trap do you set?"),
    "",
    "trap",
    fault=_("Choose the trap."),
)
_SET = Asked(
    "set",
    _("When did you open the trap?"),
    _("Press Now as you take the lid off. Or give the time when you took it off."),
    "moment",
)
_CUP = (
    Asked(
        "mouth_mm",
        _("How wide is the cup?"),
        _("Measure across the inside at the top, in millimetres. Most cups are about 75."),
        "measure",
        fault=_("Write how wide the cup is, such as 75."),
        unknown=True,
    ),
    Asked(
        "rim",
        _("Where is the rim of the cup?"),
        _("Look at the rim and the soil next to it. Feel it with a finger."),
        "choice",
        _options(words.Rim),
        fault=_("Say where the rim of the cup is."),
        unknown=True,
    ),
    Asked(
        "cover",
        _("Is there a rain cover?"),
        _("A flat cover on sticks, about 2 cm above the cup."),
        "choice",
        _options(words.Cover),
        fault=_("Say if the trap has a rain cover."),
    ),
    Asked(
        "refuge",
        _("Is there something to hide in?"),
        _("A pinch of moss or dry grass lets small animals hide. It must not reach the rim."),
        "choice",
        _options(words.Refuge),
        fault=_("Say what the animals can hide in."),
        unknown=True,
    ),
    Asked(
        "liquid",
        _("Is the cup dry?"),
        _("Never use antifreeze, soap or bait. It can kill pets and wild animals."),
        "choice",
        _options(words.Liquid),
        fault=_("Say if the cup is dry. A dry cup is what we ask for."),
    ),
    Asked(
        "settled_h",
        _("How long was the cup in the ground before you opened it?"),
        _("With its lid on. Fresh soil brings more animals, so we need to know."),
        "choice",
        (("0", _("I dug it in the same day")), ("24", _("One day")), ("48", _("Two days or more"))),
        fault=_("Say how long the cup was in the ground."),
        unknown=True,
    ),
)

SET_QUESTIONS: tuple[Asked, ...] = (_TRAP, _SET, *_CUP)


def _untold(question: Asked, **changes: Any) -> Asked:
    """Return a question about the setting as it is asked when the trap is emptied: only of an untold one."""
    parts = {name: getattr(question, name) for name in Asked.__slots__}
    return Asked(**{**parts, **changes, "skip": _told, "unknown": question.name not in ("trap", "set", "liquid")})


EMPTY_QUESTIONS: tuple[Asked, ...] = (
    Asked("opening", _("Which trap did you empty?"), "", "trap", fault=_("Choose the trap that you emptied.")),
    _untold(_TRAP, heading=_("Which trap is it?"), fault=_("Choose the trap that you emptied.")),
    _untold(_SET, hint=_("The time when you took the lid off.")),
    _untold(_CUP[0]),
    _untold(_CUP[1], heading=_("Where was the rim of the cup?"), hint=_("Think back to when you set it.")),
    _untold(_CUP[2], heading=_("Was there a rain cover?")),
    _untold(_CUP[3], heading=_("Was there something to hide in?")),
    _untold(_CUP[4], heading=_("Was the cup dry?")),
    _untold(_CUP[5]),
    Asked(
        "emptied",
        _("When did you empty it?"),
        _("Press Now as you lift the cup. Or give the time when you lifted it."),
        "moment",
    ),
    # An animal with a backbone cannot wait until all the rest was asked.
    Asked(
        "vertebrate_seen",
        _("Was there an animal with a backbone in it?"),
        _("Such as a mouse, shrew, frog, toad, newt or lizard."),
        "choice",
        _options(words.YesNo),
        fault=_("Say if there was an animal with a backbone."),
    ),
    Asked(
        "trap_state",
        _("How did you find the trap?"),
        _("If it was kicked or flooded, tell us. A lost trap is not a zero."),
        "choice",
        _options(words.TrapState),
        fault=_("Say how you found the trap."),
    ),
    Asked(
        "looks",
        _("When did you look at it?"),
        _("Before you emptied it. Say what you did, not what you had planned."),
        "choice",
        _options(words.Looks),
        fault=_("Say when you looked at the trap."),
        unknown=True,
    ),
    Asked(
        "rain",
        _("Did it rain?"),
        _("While the trap was open."),
        "choice",
        _options(words.Rain),
        fault=_("Say if it rained."),
        unknown=True,
    ),
    Asked(
        "tally",
        _("Count the animals"),
        _("Press plus for each one. A row left blank means that we do not know."),
        "tally",
        skip=was_lost,
    ),
    Asked(
        "release",
        _("When did you let the animals go?"),
        _("In the shade, at least a metre from the trap."),
        "choice",
        _options(words.Release),
        skip=_gone,
        fault=_("Say when you let the animals go."),
        unknown=True,
    ),
    Asked(
        "closing",
        _("How did you leave the hole?"),
        _("An open cup goes on catching. Close it with a lid, or lift it and fill the hole."),
        "choice",
        _options(words.Closing),
        fault=_("Say how you left the hole."),
    ),
    Asked(
        "note",
        _("Is there something else to tell? (optional)"),
        _("No names of people. The coordinator reads it. It is never published."),
        "note",
    ),
)
