"""Every code that the level index can give has a sentence, and every sentence belongs to a code."""

import re
from pathlib import Path

import pytest

from surveys.methods import indices, level_cells
from surveys.methods.level_words import SENTENCES, sentences_for

GIVEN = set(re.findall(r', "([a-z_]+)"\)', Path(indices.__file__).read_text(encoding="utf-8")))
GIVEN |= set(re.findall(r'\("(no_[a-z_]+)",\)', Path(level_cells.__file__).read_text(encoding="utf-8")))


def test_every_code_has_a_sentence_and_no_sentence_is_idle() -> None:
    assert len(GIVEN) > 5
    assert set(SENTENCES) == GIVEN


def test_sentences_come_in_the_order_of_their_codes() -> None:
    assert sentences_for(["no_animals", "habitats_merged"]) == (SENTENCES["no_animals"], SENTENCES["habitats_merged"])
    with pytest.raises(KeyError):
        sentences_for(["never_heard_of"])


@pytest.mark.parametrize("sentence", SENTENCES.values())
def test_sentences_are_short_and_end(sentence: str) -> None:
    assert sentence.endswith(".")
    assert len(sentence) < 140
