"""Marks texts for translation, and the words that stand in cells in place of a number."""

from __future__ import annotations

from surveys.vocabulary import AnswerKind


def _(text: str) -> str:
    """Mark a text for translation and leave it as it is: ``say`` translates it when it is shown."""
    return text


#: What may stand in a cell beside numbers and classes; the first of each is what the template shows. A language that
#: has more than one word for none gives the further one to "nil".
NONE_WORD = _("none")
NOT_LOOKED_WORD = _("not looked")
CANNOT_TELL_WORD = "?"
EXAMPLE_WORD = _("example")

ANSWER_WORDS: dict[AnswerKind, tuple[str, ...]] = {
    AnswerKind.NONE_SEEN: (NONE_WORD, "0", _("nil")),
    AnswerKind.DID_NOT_LOOK: (NOT_LOOKED_WORD, _("did not look")),
    AnswerKind.COULD_NOT_TELL: (_("could not tell"),),
}

#: How spreadsheet programs shorten a month where they do not take its first letters.
_SHORTENED = {"March": ("Mrz",)}
#: Names of the months in English; of a name the first three letters are enough.
MONTHS: tuple[tuple[str, ...], ...] = tuple(
    (month, *_SHORTENED.get(month, ()))
    for month in (
        "January", "February", "March", "April", "May", "June",
        "July", "August", "September", "October", "November", "December",
    )
)  # fmt: skip
