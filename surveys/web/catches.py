"""Reading the counts of a catch: a number, a range, or another answer for each group; a blank is no answer."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from django.utils.translation import gettext

from surveys.services.sent_returns import SentAnswer
from surveys.vocabulary import MOST_ANIMALS, AnswerKind, CountClass
from surveys.web.moments import read_whole
from surveys.web.words import say

#: The answers beside a number and a range.
OTHER_ANSWERS = (AnswerKind.NONE_SEEN, AnswerKind.DID_NOT_LOOK, AnswerKind.COULD_NOT_TELL)
#: Ranges that are offered: fewer than 16 animals are counted one by one. Common practice, no source.
OFFERED_CLASSES = (CountClass.C16TO31, CountClass.C32TO63, CountClass.C64TO127, CountClass.C128UP)
#: Reads the number of one group: its code and name, what was typed, and where faults go.
Counted = Callable[[str, str, str, dict[str, str]], SentAnswer | None]


def read_catch(
    answers: Mapping[str, str], groups: Iterable[Any], faults: dict[str, str], *, may_be_empty: bool = False
) -> tuple[SentAnswer, ...]:
    """Read the tally of a list of groups. Groups without an answer are left out: they stay unknown.

    What is wrong goes to ``faults`` by the name of the number box, ``n_<code>``.
    """
    listed = list(groups)
    given = [read_row(group.code, say(group.name), answers, faults) for group in listed]
    caught = tuple(answer for answer in given if answer is not None)
    wrong = any(f"n_{group.code}" in faults for group in listed)
    if not caught and not wrong and not may_be_empty and listed:
        faults[f"n_{listed[0].code}"] = gettext(
            "Tell us about at least one kind of animal. If you looked and saw none, choose Saw none."
        )
    return caught


def read_row(
    code: str, name: str, answers: Mapping[str, str], faults: dict[str, str], counted: Counted | None = None
) -> SentAnswer | None:
    """Read one group: a number, a range or another answer, and never two of them.

    ``counted`` reads the number where it is not to be read as in the tally.
    """
    number, chosen = answers.get(f"n_{code}", "").strip(), answers.get(f"c_{code}", "")
    other = answers.get(f"a_{code}", "")
    if sum(map(bool, (number, chosen, other))) > 1:
        faults[f"n_{code}"] = gettext("%(name)s: there are two answers. Keep one, and set the other back.") % {
            "name": name
        }
        return None
    if number:
        return (counted or _counted)(code, name, number, faults)
    if chosen in CountClass.values():
        return SentAnswer(code, AnswerKind.CLASS, count_class=CountClass(chosen))
    return SentAnswer(code, AnswerKind(other)) if other in OTHER_ANSWERS else None


def _counted(code: str, name: str, number: str, faults: dict[str, str]) -> SentAnswer | None:
    count = read_whole(number.rstrip("."))
    if count is None:
        faults[f"n_{code}"] = gettext(
            "%(name)s: we cannot read “%(typed)s” as a count. Write digits, or choose a range."
        ) % {"name": name, "typed": number[:40]}
        return None
    if count > MOST_ANIMALS:
        faults[f"n_{code}"] = gettext("%(name)s: %(count)d is more than a cup can hold. Look at it once more.") % {
            "name": name,
            "count": count,
        }
        return None
    return SentAnswer(code, AnswerKind.NUMBER, count) if count else SentAnswer(code, AnswerKind.NONE_SEEN)
