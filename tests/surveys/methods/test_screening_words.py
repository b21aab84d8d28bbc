"""Words of liquids and baits are found, and their denials are not."""

from __future__ import annotations

import pytest

from surveys.methods.screening_words import LIQUID_PATTERN, WELFARE_PATTERN, find_words

# All sentences made up: common practice, no source.
SAID = [
    "We put a little antifreeze in",
    "anti-freeze, 2 cm",
    "half an inch of soapy water",
    "a drop of washing-up liquid in the bottom",
    "Used beer!",
    "baited with cat food",
    "some JAM to lure them",
    "filled with water to the brim",
    "I poured a bit of vinegar in",
    "found them dead in the liquid",
    "No soap but some beer",
    "It did not rain. Beer worked well.",
    "ethylene glycol",
    "salt water",
]
NOT_SAID = [
    "",
    "no soap",
    "No liquid was used",
    "we did not use any bait",
    "didn't put any beer in",
    "without any preservative",
    "never used antifreeze",
    "washed our hands with soap afterwards",
    "rinsed the cup in soapy water the day before",
    "bait-free",
    "liquid-free cup",
    "lots of honey bees on the clover",
    "It rained, the grass was wet",
    "gingerly lifted it; jammed against a root",
    "The cup was dry, nothing in it: no water, no soap, no beer",
]


@pytest.mark.parametrize("note", SAID)
def test_a_liquid_or_a_bait_is_found(note):
    assert find_words(note, LIQUID_PATTERN)


@pytest.mark.parametrize("note", NOT_SAID)
def test_a_denial_or_another_word_is_not(note):
    assert find_words(note, LIQUID_PATTERN) == []


@pytest.mark.parametrize("note", ["a tiny shrew, alive", "One Newt!", "toads", "two froglets in it"])
def test_animals_with_a_backbone_are_found(note):
    assert find_words(note, WELFARE_PATTERN)


@pytest.mark.parametrize("note", ["no mouse this time", "toadstools everywhere", "shrewd guess"])
def test_other_words_are_no_animals(note):
    assert find_words(note, WELFARE_PATTERN) == []


def test_a_word_is_listed_once():
    assert find_words("beer, Beer and more beer", LIQUID_PATTERN) == ["beer"]
