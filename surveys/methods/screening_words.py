"""Words in the note that speak of liquid or bait, or of an animal that needs help.

References: METHODS.md, section 7 (word list, required yes/no beside it) (any liquid is
a safety event; shrews, newts, toads and hedgehogs go to the welfare contact at once).
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from surveys.methods.records import Report
from surveys.methods.screening_records import Hunch, state_hunch
from surveys.vocabulary import QueryReason

#: Whole words and their endings, as regular expressions without the word boundaries.
LIQUID_WORDS: tuple[str, ...] = (
    r"anti-?freeze",
    r"(?:ethylene|propylene)?[ -]?glycol",
    r"preservatives?",
    r"formal(?:in|dehyde)",
    r"vinegar",
    r"alcohol",
    r"ethanol",
    r"methylated spirits?",
    r"white spirit",
    r"vodka|whisky|gin|rum",
    r"soap(?:y|suds)?",
    r"soapy water",
    r"detergent",
    r"wash(?:ing)?[ -]?up liquid",
    r"dish(?:washing)? (?:liquid|soap)",
    r"shampoo",
    r"beer",
    r"lager",
    r"cider",
    r"wine",
    r"juice",
    r"cola|lemonade",
    r"milk",
    r"salt(?:y)? water",
    r"brine",
    r"(?:filled|topped up|half full) (?:it )?with water",
    r"(?:put|poured|added)(?: \w+){0,3} (?:water|liquid)",
    r"liquids?",
    r"fluids?",
    r"bait(?:ed|s)?",
    r"(?:cat|dog|pet) (?:food|biscuits?)",
    r"cheese",
    r"jam",
    r"honey(?! ?bees?)",
    r"sugar",
    r"syrup",
    r"treacle",
    r"bananas?",
    r"ham|bacon|meat",
    r"drowned",
)
#: Words of somebody who guessed: "about 50", "loads", "too many to count".
GUESS_WORDS: tuple[str, ...] = (
    r"(?:about|around|roughly|approx(?:imately|\.)?|circa|nearly|over|at least) \d+",
    r"lots|loads|dozens|hundreds|thousands|masses",
    r"too many(?: to count)?|countless|uncountable|could(?: not|n['’]?t) count(?: them)?(?: all)?",
    r"guess(?:ed|es)?|estimat(?:e|es|ed)",
)
#: Animals with a backbone that may have fallen in; the welfare contact reads these first.
WELFARE_WORDS: tuple[str, ...] = (
    r"shrews?",
    r"mouse|mice",
    r"voles?",
    r"hedgehogs?",
    r"newts?",
    r"frogs?|froglets?",
    r"toads?|toadlets?",
    r"lizards?",
    r"slow-?worms?",
    r"snakes?|adders?",
    r"fledglings?|chicks?|nestlings?",
)
#: Words that turn the next few words round ("no soap", "we did not use any bait", "without liquid").
NEGATIONS = r"(?:no|not|never|none|without|nothing|neither|nor|non|free of|instead of|\w+n['’]?t)"
#: Soap on hands and cups rinsed before the night say nothing about the cup.
CLEANING = r"(?:hands?|wash(?:ed|ing)?|rins(?:ed|ing)|clean(?:ed|ing)?|scrub(?:bed)?)"
WORDS_BETWEEN = r"(?:\W+\w+){0,4}?\W+"  # at most four words, never over the end of a clause (see below)

LIQUID_PATTERN = re.compile(r"\b(?:" + "|".join(LIQUID_WORDS) + r")\b", re.IGNORECASE)
GUESS_PATTERN = re.compile(r"\b(?:" + "|".join(GUESS_WORDS) + r")(?!\w)", re.IGNORECASE)
WELFARE_PATTERN = re.compile(r"\b(?:" + "|".join(WELFARE_WORDS) + r")\b", re.IGNORECASE)
_NEGATED = re.compile(r"\b" + NEGATIONS + WORDS_BETWEEN + r"$", re.IGNORECASE)
_CLEANED = re.compile(r"\b" + CLEANING + WORDS_BETWEEN + r"$", re.IGNORECASE)
_AFTERWARDS = re.compile(r"^[ -](?:free|less)\b", re.IGNORECASE)
_CLAUSE_END = re.compile(r"[.;!?\n]|\bbut\b|\bthen\b", re.IGNORECASE)


def check_words(report: Report) -> Iterator[Hunch]:
    """Yield hunches about the words of the note: liquid or bait, then animals with a backbone, then guesses."""
    if not report.note:
        return
    liquid = find_words(report.note, LIQUID_PATTERN)
    if liquid:
        yield state_hunch(
            QueryReason.LIQUID_WORDS,
            0.92,
            f"The note speaks of: {_spell(liquid)}. Liquid or bait makes another instrument and can harm pets.",
            f"Your note says: {_spell(liquid)}. This survey uses a dry, empty cup, as liquids and bait can hurt "
            "pets and wild animals. Was anything in the cup? If so, put the lid on, and pour nothing on the ground or "
            "down a drain. Ask your coordinator how to clear it away.",
            {"words": liquid},
        )
    backbone = find_words(report.note, WELFARE_PATTERN)
    if backbone:
        yield state_hunch(
            QueryReason.WELFARE,
            0.05,  # nothing need be wrong with the counts
            f"The note speaks of: {_spell(backbone)}. The welfare contact should read it.",
            f"Your note says: {_spell(backbone)}. If an animal with a backbone was in or near the cup, tell us "
            "on the by-catch form, so that we can help.",
            {"words": backbone},
        )

    guessed = find_words(report.note, GUESS_PATTERN)
    if guessed:
        yield state_hunch(
            QueryReason.ROUND_NUMBERS,
            0.15,  # a good guess of a swarm is honest: listed, but too little to wait for
            f"The note speaks of: {_spell(guessed)}. Some numbers may be guesses; a class would say so.",
            f"Your note says: {_spell(guessed)}. A good guess is fine: next time pick the class, such as 16 to 31, "
            "so that we know.",
            {"words": guessed},
        )


def find_words(note: str, pattern: re.Pattern[str]) -> list[str]:
    """Return the words of a list that a note states, each once, leaving out negated and cleaning uses."""
    found: list[str] = []
    for clause in _CLAUSE_END.split(note):
        for match in pattern.finditer(clause):
            before, after = clause[: match.start()], clause[match.end() :]
            if _NEGATED.search(before) or _CLEANED.search(before) or _AFTERWARDS.search(after):
                continue
            if match.group().lower() not in found:
                found.append(match.group().lower())
    return found


def _spell(words: list[str]) -> str:
    """Return the first few words in quotation marks."""
    return ", ".join(f'"{word}"' for word in words[:4])
