"""One cell of the table: what may be typed, and what it means."""

from __future__ import annotations

import pytest
from django.utils.translation import gettext, override

from surveys.services.sent_returns import SentAnswer
from surveys.sheets.words import ANSWER_WORDS
from surveys.vocabulary import AnswerKind, CountClass, Language
from surveys.web.class_cells import CannotRead, cell_of, read_cell, said_aloud


def number(count: int) -> SentAnswer:
    return SentAnswer("woodlice", AnswerKind.NUMBER, count)


def crowd(word: CountClass) -> SentAnswer:
    return SentAnswer("woodlice", AnswerKind.CLASS, count_class=word)


READ = {
    "empty": ("", None),
    "only spaces": ("  ", None),
    "a number": ("12", number(12)),
    "a number with spaces and a dot": (" 12. ", number(12)),
    "a zero": ("0", SentAnswer("woodlice", AnswerKind.NONE_SEEN)),
    "a longer zero": ("00", SentAnswer("woodlice", AnswerKind.NONE_SEEN)),
    "a dash": ("-", SentAnswer("woodlice", AnswerKind.DID_NOT_LOOK)),
    "a long dash, as a phone makes it": ("\N{EM DASH}", SentAnswer("woodlice", AnswerKind.DID_NOT_LOOK)),
    "a question mark": ("?", SentAnswer("woodlice", AnswerKind.COULD_NOT_TELL)),
    "a range": ("16-31", crowd(CountClass.C16TO31)),
    "a range with spaces": ("32 - 63", crowd(CountClass.C32TO63)),
    "a range with a long dash": ("64\N{EN DASH}127", crowd(CountClass.C64TO127)),
    "the open range": ("128+", crowd(CountClass.C128UP)),
    "a first number with a plus": ("16+", crowd(CountClass.C16TO31)),
    "most": ("100000", number(100_000)),
    "the word none": ("none", SentAnswer("woodlice", AnswerKind.NONE_SEEN)),
    "the word none, as a phone writes it": ("None. ", SentAnswer("woodlice", AnswerKind.NONE_SEEN)),
    "none in German": ("keine", SentAnswer("woodlice", AnswerKind.NONE_SEEN)),
    "not looked": ("not looked", SentAnswer("woodlice", AnswerKind.DID_NOT_LOOK)),
    "did not look": ("Did  not look", SentAnswer("woodlice", AnswerKind.DID_NOT_LOOK)),
    "could not tell": ("could not tell", SentAnswer("woodlice", AnswerKind.COULD_NOT_TELL)),
    "could not tell in German": ("nicht zu erkennen", SentAnswer("woodlice", AnswerKind.COULD_NOT_TELL)),
}


@pytest.mark.parametrize(("typed", "meant"), READ.values(), ids=READ.keys())
def test_a_cell_is_read_as_it_is_meant(typed: str, meant: SentAnswer | None) -> None:
    assert read_cell(typed, "woodlice") == meant


@pytest.mark.parametrize(
    "typed",
    [
        "x",
        "12 x",
        "1,5",
        "-3",
        "+",
        "16-",
        "-16",
        "16-32",
        "2-3",
        "20+",
        "100001",
        "999999999999",
        "0-0",
        "\x00",
        "<b>",
        "３",
        "none?",
        "none or 1",
        "no",
        "-0",
        "none 7",
    ],
)
def test_a_cell_that_is_none_of_them_is_refused_in_words(typed: str) -> None:
    with pytest.raises(CannotRead) as refusal:
        read_cell(typed, "woodlice")
    assert len(str(refusal.value)) > 20


def test_the_words_of_a_spreadsheet_mean_the_same_in_the_table() -> None:
    for kind, words in ANSWER_WORDS.items():
        for word in (*words, kind.label):
            if word.isdigit():
                continue
            for language in Language:
                with override(language.value):
                    assert read_cell(gettext(word), "woodlice") == SentAnswer("woodlice", kind), (word, language)


COUNTED = {
    "nothing": ({}, ""),
    "a number": ({"n_woodlice": "7"}, "7"),
    "a range": ({"c_woodlice": "c16to31"}, "16-31"),
    "the open range": ({"c_woodlice": "c128up"}, "128+"),
    "none": ({"a_woodlice": "none_seen"}, "0"),
    "did not look": ({"a_woodlice": "did_not_look"}, "-"),
    "could not tell": ({"a_woodlice": "could_not_tell"}, "?"),
    "two answers": ({"n_woodlice": "7", "a_woodlice": "none_seen"}, "7 0"),
    "no range of ours": ({"c_woodlice": "c1"}, ""),
}


@pytest.mark.parametrize(("answers", "shown"), COUNTED.values(), ids=COUNTED.keys())
def test_what_a_class_counted_becomes_a_cell(answers: dict[str, str], shown: str) -> None:
    assert cell_of(answers, "woodlice") == shown


def test_two_answers_side_by_side_cannot_be_sent_unseen() -> None:
    with pytest.raises(CannotRead):
        read_cell(cell_of({"n_woodlice": "7", "a_woodlice": "none_seen"}, "woodlice"), "woodlice")


def test_each_answer_is_said_aloud() -> None:
    said = [said_aloud(answer) for typed in ("12", "16-31", "128+", "0", "-", "?") if (answer := read_cell(typed, "x"))]
    assert said == [
        "12",
        "16 to 31",
        "128 or more",
        "looked, and there were none",
        "did not look for these",
        "could not tell",
    ]
