"""The two or three verdicts that fit why a return waits, each one press: what is decided, and the reason with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from django.utils.translation import gettext

from surveys.vocabulary import Decision, QueryReason, VerdictReason
from surveys.web.another_reading import AnotherReading
from surveys.web.moments import read_whole
from surveys.web.words import say

#: What a slip of each kind is called in a verdict. The rest is "wrong, and could not be explained".
_SLIP: dict[QueryReason, VerdictReason] = {
    QueryReason.SAFETY: VerdictReason.LIQUID_USED,
    QueryReason.LIQUID_WORDS: VerdictReason.LIQUID_USED,
    QueryReason.DATE_OFF_BY_DAYS: VerdictReason.DATE_SLIP,
    QueryReason.TWELVE_HOURS_OFF: VerdictReason.DATE_SLIP,
    QueryReason.DAY_MONTH_SWAPPED: VerdictReason.DATE_SLIP,
    QueryReason.IN_THE_FUTURE: VerdictReason.DATE_SLIP,
    QueryReason.PLACE_SIGNS: VerdictReason.PLACE_SLIP,
    QueryReason.PLACE_MINUTES: VerdictReason.PLACE_SLIP,
    QueryReason.PLACE_OUTSIDE: VerdictReason.PLACE_SLIP,
    QueryReason.SENT_TWICE: VerdictReason.SENT_TWICE,
    QueryReason.SAME_AS_SIBLING: VerdictReason.SENT_TWICE,
    QueryReason.SAME_ELSEWHERE: VerdictReason.SENT_TWICE,
    QueryReason.COPIED_FROM_EARLIER: VerdictReason.SENT_TWICE,
    QueryReason.TRAPS_POOLED: VerdictReason.TRAPS_POOLED,
    QueryReason.LOST_TRAP_ZEROS: VerdictReason.TRAP_LOST,
    QueryReason.ROW_SLIP: VerdictReason.WRONG_ROW,
    QueryReason.IMPOSSIBLE_COUNT: VerdictReason.COUNT_SLIP,
    QueryReason.TEN_TIMES: VerdictReason.COUNT_SLIP,
    QueryReason.LOOK_ALIKES: VerdictReason.GROUPS_SWAPPED,
    QueryReason.ROUND_NUMBERS: VerdictReason.COUNT_SLIP,
}

#: Reasons for which a return is mostly set aside, so that this is offered first.
_LIQUIDS = frozenset({QueryReason.SAFETY, QueryReason.LIQUID_WORDS})
#: The keys of the readings that are offered; 1 lets a return stand, 3 sets it aside.
_KEYS_OF_READINGS = ("2", "4")


@dataclass(frozen=True, slots=True)
class QuickVerdict:
    """One button: its key on the keyboard, what it sends, and its words; ``fits`` says when or how."""

    key: str
    decision: Decision
    reason: VerdictReason
    reading: int = 0
    fits: str = ""

    @property
    def value(self) -> str:
        """What the button sends."""
        return f"{self.decision}:{self.reason}:{self.reading}"

    @property
    def does(self) -> str:
        """What is decided."""
        if self.decision == Decision.CORRECTED:
            return gettext("Correct it so that it fits")
        return say(self.decision.label.capitalize())

    @property
    def because(self) -> str:
        """The reason that goes on record."""
        return say(self.reason)


def quick_verdicts(
    reason: str | None, *, readings: Sequence[tuple[QueryReason, AnotherReading]], answered: bool
) -> list[QuickVerdict]:
    """Return the verdicts that are offered as one press.

    ``reason`` is the first one for which the return waits; ``readings`` are other readings of it that fit, with the
    reasons that they answer to; ``answered`` says whether the household has answered a question.
    """
    stands = VerdictReason.SENDER_CONFIRMED if answered else VerdictReason.PLAUSIBLE_NIGHT
    corrections = [
        QuickVerdict(key, Decision.CORRECTED, _slip(why), place, reading.words)
        for place, (key, (why, reading)) in enumerate(zip(_KEYS_OF_READINGS, readings, strict=False))
    ]
    set_aside = _slip(QueryReason(reason)) if reason else VerdictReason.NOT_EXPLAINED
    liquid = reason in _LIQUIDS
    upheld = QuickVerdict("1", Decision.UPHELD, stands, fits=gettext("If the cup was dry after all") if liquid else "")
    discounted = QuickVerdict("3", Decision.DISCOUNTED, set_aside)
    if liquid:
        # A key means the same on every page; only the order differs.
        return [discounted, upheld, *corrections]
    return sorted([upheld, *corrections, discounted], key=lambda one: one.key)


def _slip(reason: QueryReason) -> VerdictReason:
    return _SLIP.get(reason, VerdictReason.NOT_EXPLAINED)


def quick_of(sent: str) -> QuickVerdict | None:
    """Return what a button sent, or None for anything that no button sends."""
    decision, reason, reading = [*sent.split(":"), "", ""][:3]
    if decision not in Decision.values() or reason not in VerdictReason.values():
        return None
    return QuickVerdict("", Decision(decision), VerdictReason(reason), read_whole(reading) or 0)
