"""What families read: every sentence is its check's own, kind, and easy.

Grade level: Kincaid J.P. et al. (1975), 0.39 words per sentence + 11.8 syllables per word - 15.59 (from memory).
Syllables are counted as groups of vowels without a silent final e, a common approximation.
"""

import re
from collections import Counter

from tests.surveys.methods.protocol_return import LIMITS

RULINGS = [(rule.check, case, one) for rule in LIMITS.rules for case, many in rule.cases for one in many]
SENTENCES = [one.sentence for _, _, one in RULINGS]


def _syllables(word):
    word = re.sub(r"(?<=[^aeiouyl])e$", "", word.lower())
    return max(1, len(re.findall(r"[aeiouy]+", word)))


def _grade(text):
    text = text.replace("{value}", "20").replace("{hours}", "20").replace("{nights}", "two")
    words = re.findall(r"[A-Za-z']+|\d+", text)
    sentences = max(1, len(re.findall(r"[.!?:](?:\s|$)", text)))
    return 0.39 * len(words) / sentences + 11.8 * sum(map(_syllables, words)) / len(words) - 15.59


def test_no_two_rulings_share_a_sentence():
    assert [sentence for sentence, times in Counter(SENTENCES).items() if times > 1] == []


def test_the_sentences_together_read_at_grade_five_or_below():
    assert _grade(" ".join(SENTENCES)) <= 5.0


def test_no_single_sentence_is_harder_than_grade_seven():
    assert [(round(_grade(s), 1), s) for s in SENTENCES if _grade(s) > 7.0] == []


def test_no_sentence_scolds_or_begs():
    assert [
        s for s in SENTENCES if re.search(r"invalid|please|oops|error|wrong|fail|abundance|population", s, re.I)
    ] == []


def test_whatever_is_not_as_asked_says_what_to_do_or_that_it_is_allowed_for():
    advice = re.compile(
        r"next time|now\b|allow|tell us|send us|measure|use |try |add |check |wait|choose|need not|look |press|set it"
        r"|count |swap|that is fine|safer|is best|are best|are better|is better|help|are enough|join in|until",
        re.I,
    )
    departures = [one.sentence for _, _, one in RULINGS if one.outcome.value != "fine"]
    assert [s for s in departures if not advice.search(s)] == []


def test_a_night_left_out_is_told_so_and_told_what_becomes_of_it():
    out = [(check, case, one.sentence) for check, case, one in RULINGS if one.outcome.value == "out"]
    assert len(out) > 20
    assert [row for row in out if not re.search(r"out of the index|counts as missing", row[2])] == []
