"""A return told back to its family: what was counted, what the protocol check found, and how the trap was set."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.utils.translation import gettext_lazy as _

from surveys.vocabulary import AnswerKind, Mark, Outcome, Standing
from surveys.web.kind_words import differs_in_nothing_told, is_untold, kind_words, told

#: From so many groups on, those of which none was seen do not stand in the table each for itself.
NONE_IN_A_FOLD = 4
_DANGER = {Mark.SAFETY, Mark.WELFARE}

STANDINGS: dict[str, Any] = {
    Standing.TO_PROTOCOL: _("The trap was set just as we ask."),
    Standing.ADJUSTED: _("The trap was a little different. The figures can allow for that."),
    Standing.OFF_PROTOCOL: _("The trap was too different to compare. We keep it, but it is not in the figures."),
}
#: In place of "a little different", where only what no form asks is unknown.
ALL_AS_ASKED = _("All that you told us about the trap is just as we ask.")


def how_it_was_set(report: Any) -> str:
    """Return how a trap was set, in a sentence or two."""
    return str(ALL_AS_ASKED if differs_in_nothing_told(report) else STANDINGS[report.standing])


def catch_told(counted: Sequence[tuple[Any, Any]]) -> dict[str, Any]:
    """Return the rows of the catch; many groups that were looked for and not seen stand apart, in one fold."""
    none = [one for one, put_right in counted if one.answer == AnswerKind.NONE_SEEN and not put_right]
    if len(none) < NONE_IN_A_FOLD:
        return {"catches": counted, "none_seen": []}
    return {"catches": [row for row in counted if row[0] not in none], "none_seen": none}


def is_held_for_danger(report: Any) -> bool:
    """Say whether the protocol check found a danger for which a person must look at a return."""
    return any(one.outcome == Outcome.HOLD and _DANGER & set(one.marks) for one in report.findings.all())


def findings_told(report: Any) -> dict[str, Any]:
    """Return what the protocol check found in kind words: danger, what counts, notes, what was not told.

    Beside them the precise sentences of all of it, as the protocol has them.
    """
    heard = told(report.findings.all(), report)
    plain = [one for one in heard if not one.marks]
    notes = [one for one in plain if one.outcome == Outcome.NOTE]
    return {
        "urgent": [kind_words(one) for one in heard if _DANGER & set(one.marks)],
        "findings": [kind_words(one) for one in plain if one.outcome != Outcome.NOTE],
        "notes": [kind_words(one) for one in notes if not is_untold(one, report)],
        "untold": [kind_words(one) for one in notes if is_untold(one, report)],
        "precise": [one.sentence for one in heard],
    }
