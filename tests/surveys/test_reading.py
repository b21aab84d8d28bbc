"""Family pages read at school grade 5 or below."""

from __future__ import annotations

import pytest

from tests.reading import grade_of, sentences_of, syllables_in


@pytest.mark.parametrize(
    ("sentence", "grade"),
    [
        # Both from the encyclopaedia article on these formulas, from memory: 11.3 and -1.5.
        ("The Australian platypus is seemingly a hybrid of a mammal and reptilian creature", 11.3),
        ("The cat sat on the mat", -1.5),
        # By hand: 4 words of 6, 4, 3 and 4 syllables: 0.39 * 4 + 11.8 * 4.25 - 15.59.
        ("Biodiversity monitoring continues annually", 36.12),
        # By hand: 10 words and 10 syllables in one sentence: 3.9 + 11.8 - 15.59.
        ("You dig the hole and put the cup in it", 0.11),
    ],
)
def test_the_grade_is_that_of_the_formula(sentence: str, grade: float) -> None:
    assert grade_of([sentence.split()]).grade == pytest.approx(grade, abs=0.06)


@pytest.mark.parametrize(("word", "syllables"), [("trowel", 2), ("millipedes", 3), ("springtails", 2), ("moss", 1)])
def test_syllables_are_counted_as_they_are_spoken(word: str, syllables: int) -> None:
    """Counted by hand; woodlouse words are not in the dictionary and go by their vowels."""
    assert syllables_in(word) == syllables


def test_only_what_the_page_says_is_read() -> None:
    page = (
        "<header><p>Not this at all, it is the band.</p></header><main><h1>Set a trap</h1>"
        "<p>Dig a hole. Put the cup in it!</p><p lang='de'>Das ist eine andere Sprache.</p>"
        "<table><tr><td>12</td></tr></table><svg><text>no</text></svg><button>Send</button></main>"
    )
    assert sentences_of(page) == [["Dig", "a", "hole"], ["Put", "the", "cup", "in", "it"]]
