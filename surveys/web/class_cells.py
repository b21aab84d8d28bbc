"""One cell of a table of traps and groups: what may be typed into it, and what it says in words.

The words in place of a key are those of a spreadsheet. A cell that is empty is no answer, and never a zero.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache

from django.utils.translation import gettext, override

from surveys.services.sent_returns import SentAnswer
from surveys.sheets.folding import fold
from surveys.sheets.words import ANSWER_WORDS
from surveys.vocabulary import CLASS_BOUNDS, MOST_ANIMALS, AnswerKind, CountClass, Language, range_as_typed
from surveys.web.catches import OFFERED_CLASSES
from surveys.web.moments import read_whole
from surveys.web.words import say

#: The keys beside numbers and ranges.
KEYS = {"0": AnswerKind.NONE_SEEN, "-": AnswerKind.DID_NOT_LOOK, "?": AnswerKind.COULD_NOT_TELL}
_KEY_OF = {kind.value: key for key, kind in KEYS.items()}
#: Dashes that a phone or a spreadsheet puts in place of a plain one.
_DASHES = str.maketrans(dict.fromkeys("\N{HYPHEN}\N{NON-BREAKING HYPHEN}\N{EN DASH}\N{EM DASH}\N{MINUS SIGN}", "-"))
_RANGE = re.compile(r"^(\d{1,3})\s*-\s*(\d{1,3})$", re.ASCII)
_FROM = re.compile(r"^(\d{1,3})\s*\+$", re.ASCII)
#: Words, and nothing that may stand for a number or a doubt: "none?" is not none.
_WORDS = re.compile(r"^(?:[^\W\d]|[ .,-])+$")


class CannotRead(Exception):
    """A cell that cannot be read; its text says so."""


#: What may be typed for a range, and the class it stands for: 16-31 or 16+.
RANGES = {range_as_typed(word): word for word in OFFERED_CLASSES}
_BY_FIRST = {CLASS_BOUNDS[word][0]: word for word in OFFERED_CLASSES}


def read_cell(typed: str, group: str) -> SentAnswer | None:
    """Read one cell: a number, a range, a key, or None for an empty one. Raises CannotRead with a sentence."""
    text = typed.strip().translate(_DASHES)
    if not text:
        return None
    if text in KEYS:
        return SentAnswer(group, KEYS[text])
    if _WORDS.match(text) and (meant := words_for_keys().get(fold(text))):
        return SentAnswer(group, meant)
    if (chosen := _range_in(text)) is not None:
        return SentAnswer(group, AnswerKind.CLASS, count_class=chosen)
    count = read_whole(text.rstrip("."))
    if count is None:
        raise CannotRead(_cannot_read(typed.strip()))
    if count > MOST_ANIMALS:
        raise CannotRead(gettext("%(count)d is more than a cup can hold. Look at it once more.") % {"count": count})
    return SentAnswer(group, AnswerKind.NUMBER, count) if count else SentAnswer(group, AnswerKind.NONE_SEEN)


@cache
def words_for_keys() -> Mapping[str, AnswerKind]:
    """Return what each word means in place of a key, in every language of the pages: "none", "keine", "not looked"."""
    found: dict[str, AnswerKind] = {}
    for language in Language:
        with override(language.value):
            for kind, words in ANSWER_WORDS.items():
                for word in (kind.value, kind.label, *words):
                    found.setdefault(fold(gettext(word)), kind)
    return found


def cell_of(answers: Mapping[str, str], code: str) -> str:
    """Return what a class counted of one group as a cell; two answers stand side by side, to be looked at."""
    number, chosen = answers.get(f"n_{code}", ""), answers.get(f"c_{code}", "")
    parts = [number] if number else []
    if chosen in CountClass.values():
        parts.append(range_as_typed(CountClass(chosen)))
    if key := _KEY_OF.get(answers.get(f"a_{code}", "")):
        parts.append(key)
    return " ".join(parts)


def said_aloud(answer: SentAnswer) -> str:
    """Return an answer in words: "12", "16 to 31", "looked, and there were none"."""
    if answer.count_class is not None:
        return say(answer.count_class)
    return str(answer.count) if answer.count else say(answer.kind)


def _range_in(text: str) -> CountClass | None:
    """Return the class that a range or a first number with a plus stands for, or None for other text."""
    if found := _RANGE.match(text):
        chosen = RANGES.get(f"{int(found.group(1))}-{int(found.group(2))}")
    elif found := _FROM.match(text):
        chosen = _BY_FIRST.get(int(found.group(1)))
    else:
        return None
    if chosen is None:
        raise CannotRead(
            gettext("“%(typed)s” is none of the ranges. They are %(ranges)s. Count smaller numbers one by one.")
            % {"typed": text, "ranges": ", ".join(RANGES)}
        )
    return chosen


def _cannot_read(typed: str) -> str:
    return gettext("We cannot read “%(typed)s”. Type a number, a range such as 16-31, or one of the keys above.") % {
        "typed": typed[:20]
    }
