"""Sentences for families: short, "about" where a number is not sure, and never a rank."""

from __future__ import annotations

import math
import re

import pytest

from surveys.methods.feedback import Basis, Beside, Caution, HabitatRate
from surveys.methods.feedback_words import CAUTIONS, number, say_beside, say_habitat, tenths

LONGEST_SENTENCE = 16  # words
NOT_SAID = ("rank", "score", "best", "worst", "winner", "beat", "abundance", "population", "percentile", "place among")


def beside(rate: float, below: float, same: float, above: float, basis: Basis = Basis.HABITAT_AND_SETTLING) -> Beside:
    middle = below + same / 2
    return Beside(basis, 40, 12, rate, rate, below, same, above, middle, middle, middle, middle)


TOO_FEW = Beside(Basis.TOO_FEW, 12, 6, 3.0, 3.0, None, None, None, None, None, None, None)


@pytest.mark.parametrize(
    ("case", "words"),
    [
        (beside(5.0, 0.62, 0.1, 0.28), "Your trap caught 5 ants a night. About 6 in 10 traps like it caught fewer. About 3 in 10 caught more."),
        (beside(0.0, 0.0, 0.41, 0.59), "Your trap caught no ants. So did about 4 in 10 traps like it."),
        (beside(30.0, 1.0, 0.0, 0.0, Basis.HABITAT), "Your trap caught 30 ants a night. All of the traps in the same kind of place caught fewer. None caught more."),
        (TOO_FEW, "Your trap caught 3 ants a night. We need 20 traps from 10 other gardens to compare. So far there are 12 from 6. Look again later."),
    ],
)  # fmt: skip
def test_a_family_reads_short_plain_sentences(case: Beside, words: str) -> None:
    assert say_beside(case, "ants") == words.replace("None caught more.", "None caught more.")


@pytest.mark.parametrize("share", [0.0, 0.001, 0.04, 0.05, 0.5, 0.949, 0.95, 0.999, 1.0])
def test_no_sentence_is_long_or_ranks_anybody(share: float) -> None:
    for basis in (Basis.HABITAT_AND_SETTLING, Basis.HABITAT, Basis.ALL_HABITATS):
        text = say_beside(beside(4.0, share, 0.0, 1.0 - share, basis), "ground beetles")
        assert max(len(sentence.split()) for sentence in re.split(r"(?<=[.]) ", text)) <= LONGEST_SENTENCE
        assert not any(word in text.lower() for word in NOT_SAID)
    for text in CAUTIONS.values():
        assert max(len(sentence.split()) for sentence in re.split(r"(?<=[.]) ", text)) <= LONGEST_SENTENCE


def test_every_caution_has_a_sentence() -> None:
    assert set(CAUTIONS) == set(Caution)


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0, "none"),
        (0.02, "very few"),
        (0.05, "about 1 in 10"),
        (0.5, "about 5 in 10"),
        (0.96, "nearly all"),
        (1.0, "all"),
    ],
)
def test_shares_are_said_in_tenths(share: float, words: str) -> None:
    assert tenths(share) == words


@pytest.mark.parametrize(
    ("rate", "words"), [(0.0, "0"), (0.04, "less than 0.1"), (2.0, "2"), (2.34, "2.3"), (19.97, "20"), (31.6, "32")]
)
def test_rates_are_written_as_people_write_them(rate: float, words: str) -> None:
    assert number(rate) == words


def test_a_habitat_is_said_with_its_range() -> None:
    assert (
        say_habitat(HabitatRate(1, 2, 2, 2.0, 3, 4, 1.5, 2.0), "Under the hedge", "slugs")
        == "Under the hedge: 1.5 to 2 slugs a night."
    )
    assert (
        say_habitat(HabitatRate(1, 1, 1, 1.0, 128, None, 128.0, math.inf), "On the lawn", "ants")
        == "On the lawn: 128 or more ants a night."
    )
    assert say_habitat(HabitatRate(1, 1, 1, 1.0, 0, 0, 0.0, 0.0), "On the lawn", "ants") == "On the lawn: no ants."
    assert (
        say_habitat(HabitatRate(1, 1, 1, 1.0, 3, 3, 3.0, 3.0), "On the lawn", "ants") == "On the lawn: 3 ants a night."
    )
