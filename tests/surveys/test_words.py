"""Every text that a reader sees has a translation that says the same with the same parts in it."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from babel.messages.catalog import Message
from django.utils import translation

from surveys.vocabulary import Language
from tests.golden.refresh_words import LOCALE, collected, compiled, read_catalogue

LANGUAGES = [language.value for language in Language if language != Language.ENGLISH]
#: What a translation must hand on: values in either style, and marks of the page.
PARTS = re.compile(r"%\(\w+\)[sd]|%[sd]|\{[^{}]*\}|</?\w+")


def strings_of(message: Message) -> tuple[str, ...]:
    return (message.string,) if isinstance(message.string, str) else tuple(message.string)


def ids_of(message: Message) -> tuple[str, ...]:
    return (message.id,) if isinstance(message.id, str) else tuple(message.id)


def translated(language: str) -> Iterator[Message]:
    return (message for message in read_catalogue(language) if message.id)


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_text_on_a_page_has_a_translation(language: str) -> None:
    known = {ids_of(message)[0]: message for message in translated(language)}
    wanted = [ids_of(message)[0] for message in collected() if message.id]
    assert len(wanted) > 500
    missing = [text for text in wanted if text not in known or not all(strings_of(known[text]))]
    assert missing == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_translation_keeps_every_value_and_mark_of_the_text(language: str) -> None:
    wrong = [
        (text, string)
        for message in translated(language)
        for text, string in zip(_ends(message), strings_of(message), strict=True)
        if string and sorted(PARTS.findall(text)) != sorted(PARTS.findall(string))
    ]
    assert wrong == []


def _ends(message: Message) -> tuple[str, ...]:
    """Return the English text behind each form of a translation: both languages here have two forms."""
    ids = ids_of(message)
    return ids if len(ids) == len(strings_of(message)) else ids * len(strings_of(message))


@pytest.mark.parametrize("language", LANGUAGES)
def test_what_is_compiled_is_what_is_written(language: str) -> None:
    stored = (LOCALE / language / "LC_MESSAGES" / "django.mo").read_bytes()
    assert stored == compiled(read_catalogue(language))


def test_a_page_answers_in_the_language_that_is_asked_for() -> None:
    with translation.override("de"):
        assert translation.gettext("looked, and there were none") == "nachgesehen, keine gefunden"
