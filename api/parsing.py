"""One strict JSON parser: what two readers could read differently is refused, with a sentence.

Source of the cases: RFC 8259, sections 4 (names SHOULD be unique), 6 (no NaN) and 8 (UTF-8,
surrogates); the limits are this project's.
"""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from collections.abc import Iterator
from typing import IO, Any

from django.http import UnreadablePostError
from rest_framework.parsers import BaseParser

from api.errors import FaultyBody, TooLarge

MOST_BYTES = 1024 * 1024
DEEPEST = 20
LONGEST_INTEGER = 18  # digits: all of them fit PostgreSQL's bigint
# 500 returns with 50 fields and 31 groups of four members each hold 87,000 commas, and are already over a mebibyte.
MOST_COMMAS = 100_000

# Possessive, and a text that is never closed is taken whole: so the scan looks at each character once.
_STRING = re.compile(r'"(?:[^"\\]++|\\.)*+"?', re.DOTALL)
_BRACKET = re.compile(r"[\[{\]}]")
_SURROGATE = re.compile("[\ud800-\udfff]")

#: How the faults that the standard library finds are told; by the beginning of its own words.
_TOLD = {
    "Expecting value": "a value is missing, or is not written as JSON writes it,",
    "Expecting property name": "a name in double quotes is missing",
    "Expecting ':'": "a colon is missing",
    "Expecting ','": "a comma is missing",
    "Extra data": "something stands after the end of it",
    "Unterminated string": "a text is opened and never closed",
    "Invalid control character": "a text holds a bare line break, tab or other control character",
    "Invalid \\": "a text holds a backslash that begins nothing JSON knows",
}


class StrictJSON(BaseParser):
    """``application/json``, UTF-8, at most 1 MiB and 20 levels deep, every name once."""

    media_type = "application/json"

    def parse(self, stream: IO[Any], media_type: str | None = None, parser_context: Any = None) -> Any:
        try:
            body = stream.read(MOST_BYTES + 1)
        except UnreadablePostError:
            raise FaultyBody("The body broke off on its way here. Send it again.", code="broken_off") from None
        if len(body) > MOST_BYTES:
            raise TooLarge("The body is larger than 1 MiB. Send it in parts.")
        return read_json(body)


def read_json(body: bytes) -> Any:
    """Return the value in ``body``; raise :class:`FaultyBody` with a code and a sentence."""
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as fault:
        raise FaultyBody(f"The body is not UTF-8 text: byte {fault.start} cannot be read.", code="not_utf8") from None
    if not text.strip():
        raise FaultyBody("The body is empty. Send a JSON object.", code="empty_body")
    if text.startswith("\ufeff"):
        raise FaultyBody("The body begins with a byte order mark. Send it without one.", code="not_json")
    _refuse_shape(text)
    try:
        value = json.loads(
            text, object_pairs_hook=_named_once, parse_constant=_refuse_constant, parse_int=_whole, parse_float=_decimal
        )
    except json.JSONDecodeError as fault:
        found = next((told for words, told in _TOLD.items() if fault.msg.startswith(words)), "it cannot be read")
        raise FaultyBody(
            f"The body is not JSON: {found} at line {fault.lineno}, column {fault.colno}.", code="not_json"
        ) from None
    for words in _texts(value):
        _refuse_unstorable(words)
    return value


def _refuse_shape(text: str) -> None:
    bare = _STRING.sub('""', text)
    if bare.count(",") > MOST_COMMAS:
        raise FaultyBody(f"The body holds more than {MOST_COMMAS} values. Send it in parts.", code="too_many_values")
    depth = 0
    for bracket in _BRACKET.findall(bare):
        depth += 1 if bracket in "[{" else -1
        if depth > DEEPEST:
            raise FaultyBody(f"The body is nested more than {DEEPEST} levels deep. Flatten it.", code="too_deep")


def _named_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    named = dict(pairs)
    if len(named) < len(pairs):
        twice = next(name for name, times in Counter(name for name, _ in pairs).items() if times > 1)
        raise FaultyBody(f"The name {twice[:80]!r} stands twice in one object. Send each name once.", code="name_twice")
    return named


def _refuse_constant(word: str) -> None:
    raise FaultyBody(f"{word} is not a number in JSON. Leave the value out if it is not known.", code="not_a_number")


def _whole(digits: str) -> int:
    if len(digits.lstrip("-")) > LONGEST_INTEGER:
        raise FaultyBody(
            f"A whole number has more than {LONGEST_INTEGER} digits. That is more than is stored.",
            code="number_too_long",
        )
    return int(digits)


def _decimal(digits: str) -> float:
    number = float(digits)
    if not math.isfinite(number):
        raise FaultyBody(f"The number {digits[:20]} is too large to be stored.", code="number_too_large")
    return number


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for name, below in value.items():
            yield name
            yield from _texts(below)
    elif isinstance(value, list):
        for below in value:
            yield from _texts(below)


def _refuse_unstorable(words: str) -> None:
    if "\x00" in words:
        raise FaultyBody("A text holds the character NUL, which cannot be stored. Leave it out.", code="nul_character")
    if _SURROGATE.search(words):
        raise FaultyBody(
            "A text holds half of a surrogate pair, which is not a character. Leave it out.", code="lone_surrogate"
        )
