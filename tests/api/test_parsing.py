"""The parser as the framework calls it, and its sentences. What it reads and refuses: see test_reading_json."""

from __future__ import annotations

import io
import re

import pytest
from django.http import UnreadablePostError

from api.errors import FaultyBody, TooLarge
from api.parsing import MOST_BYTES, MOST_COMMAS, StrictJSON, read_json


class Broken(io.BytesIO):
    """A stream that ends as one does when the sender's signal drops."""

    def read(self, size: int | None = -1, /) -> bytes:
        raise UnreadablePostError("error during read(65536) on wsgi.input")


class Counted(io.BytesIO):
    """A stream that remembers how much was asked of it."""

    asked = 0

    def read(self, size: int | None = -1, /) -> bytes:
        self.asked = size if size is not None else -1
        return super().read(size)


def test_a_body_of_exactly_a_mebibyte_is_read_and_one_byte_more_is_not() -> None:
    """RFC 9110, section 15.5.14: 413 for content that is larger than the server is willing to take."""
    body = b'"' + b"a" * (MOST_BYTES - 2) + b'"'
    assert len(StrictJSON().parse(io.BytesIO(body))) == MOST_BYTES - 2
    with pytest.raises(TooLarge) as refused:
        StrictJSON().parse(io.BytesIO(body + b" "))
    assert refused.value.status_code == 413


def test_of_an_endless_body_no_more_than_the_limit_is_asked_for() -> None:
    stream = Counted(b"1" * (3 * MOST_BYTES))
    with pytest.raises(TooLarge):
        StrictJSON().parse(stream)
    assert stream.asked == MOST_BYTES + 1


def test_a_body_that_breaks_off_is_the_sender_s_to_send_again() -> None:
    with pytest.raises(FaultyBody) as refused:
        StrictJSON().parse(Broken())
    assert (refused.value.status_code, refused.value.get_codes()) == (400, "broken_off")


def test_as_many_values_as_are_allowed_are_read_and_one_more_is_not() -> None:
    assert len(read_json(b"[" + b"0," * MOST_COMMAS + b"0]")) == MOST_COMMAS + 1
    with pytest.raises(FaultyBody) as refused:
        read_json(b"[" + b"0," * (MOST_COMMAS + 1) + b"0]")
    assert refused.value.get_codes() == "too_many_values"


def test_commas_inside_a_text_are_not_counted() -> None:
    assert read_json(b'["' + b"," * (2 * MOST_COMMAS) + b'"]') == ["," * (2 * MOST_COMMAS)]


#: One body for each kind of fault that the standard library's reader knows.
TOLD = {
    b'{"a": }': "a value is missing",
    b"{a: 1}": "a name in double quotes is missing",
    b'{"a" 1}': "a colon is missing",
    b"[1 2]": "a comma is missing",
    b"{} {}": "something stands after the end",
    b'["a': "never closed",
    b'["a\nb"]': "control character",
    b'["\\x41"]': "backslash",
    b'["\\u12"]': "backslash",
}


@pytest.mark.parametrize("body", TOLD)
def test_each_fault_is_told_in_plain_words_with_its_place(body: bytes) -> None:
    with pytest.raises(FaultyBody) as refused:
        read_json(body)
    sentence = str(refused.value.detail)
    assert TOLD[body] in sentence
    assert re.search(r"line \d+, column \d+\.$", sentence)
    assert not re.search(r"invalid|please|oops|expecting", sentence, re.IGNORECASE)
