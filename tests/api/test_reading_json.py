"""The strict JSON parser by itself: what is read, what is refused, and that no body takes long to refuse."""

from __future__ import annotations

import json
from typing import Any

import pytest

from api.errors import FaultyBody
from api.parsing import DEEPEST, read_json

#: Texts of RFC 8259: the two objects and the small texts of section 13, and the pair of section 7.
RFC_8259 = [
    '{"Image": {"Width": 800, "Height": 600, "Title": "View from 15th Floor", "Thumbnail": {"Url": '
    '"http://www.example.com/image/481989943", "Height": 125, "Width": 100}, "Animated": false, '
    '"IDs": [116, 943, 234, 38793]}}',
    '[{"precision": "zip", "Latitude": 37.7668, "Longitude": -122.3959, "Zip": "94107"}]',
    '"Hello world!"',
    "42",
    "true",
    "[1e3, -0.5, 2E-2, null]",
]


@pytest.mark.parametrize("text", RFC_8259)
def test_texts_of_the_standard_are_read_as_another_reader_reads_them(text: str) -> None:
    """Outside reference: RFC 8259, section 13, and the standard library's own reader."""
    assert read_json(text.encode()) == json.loads(text)


def test_a_surrogate_pair_is_one_character() -> None:
    """RFC 8259, section 7: the G clef, U+1D11E, is written as the pair D834 DD1E."""
    assert read_json(b'"\\uD834\\uDD1E"') == "\U0001d11e"


def test_brackets_and_quotes_inside_texts_are_not_structure() -> None:
    assert read_json(b'{"note": "' + b"[" * 100 + b'"}') == {"note": "[" * 100}
    assert read_json(b'{"note": "\\"[[[[[[[[[[[[[[[[[[[[[[["}') == {"note": '"' + "[" * 23}
    assert read_json(b'{"a": "\\\\", "b": "\\\\\\"", "c": [1]}') == {"a": "\\", "b": '\\"', "c": [1]}


def test_exactly_the_deepest_is_read_and_one_more_is_not() -> None:
    assert read_json(b"[" * DEEPEST + b"]" * DEEPEST)
    with pytest.raises(FaultyBody) as refused:
        read_json(b"[" * (DEEPEST + 1) + b"]" * (DEEPEST + 1))
    assert refused.value.get_codes() == "too_deep"


#: body, code. RFC 8259: 2 (grammar), 4 (names), 6 (numbers), 7 (control characters), 8.1 (UTF-8, byte order mark).
REFUSED: list[tuple[bytes, str]] = [
    (b"\xef\xbb\xbf{}", "not_json"),
    (b"\xff\xfe{\x00}\x00", "not_utf8"),
    (b"\xed\xa0\x80", "not_utf8"),  # a surrogate written as if it were UTF-8
    (b"\xc0\xaf", "not_utf8"),  # a slash in an overlong form
    (b'"tab\there"', "not_json"),
    (b"{} {}", "not_json"),
    (b"[1 2]", "not_json"),
    (b"[01]", "not_json"),
    (b"[+1]", "not_json"),
    (b"[.5]", "not_json"),
    (b"[1.]", "not_json"),
    (b"[0x10]", "not_json"),
    (b"[1_000]", "not_json"),
    ("[٧٥]".encode(), "not_json"),
    (b'["\\x41"]', "not_json"),
    (b'["\\u12"]', "not_json"),
    (b"[True]", "not_json"),
    (b"]]]]", "not_json"),
    (b'"open', "not_json"),
    (b'"\\', "not_json"),
    (b'{"a": 1, "b": {"c": 1, "c": 1}}', "name_twice"),
    (b'{"a": 1, "\\u0061": 2}', "name_twice"),  # the same name, once spelled out
    (b"[NaN]", "not_a_number"),
    (b"[-Infinity]", "not_a_number"),
    (b"[1e309]", "number_too_large"),
    (b"[-1e309]", "number_too_large"),
    (b"[1234567890123456789]", "number_too_long"),
    (b"[-" + b"9" * 5000 + b"]", "number_too_long"),
    (b'["\\ud800x"]', "lone_surrogate"),
    (b'["\\udc00\\ud800"]', "lone_surrogate"),
    (b'{"\\udfff": 1}', "lone_surrogate"),
    (b'[["\\u0000"]]', "nul_character"),
]


@pytest.mark.parametrize(("body", "code"), REFUSED, ids=lambda value: repr(value)[:40])
def test_what_two_readers_could_read_differently_is_refused(body: bytes, code: str) -> None:
    with pytest.raises(FaultyBody) as refused:
        read_json(body)
    assert refused.value.get_codes() == code
    assert str(refused.value.detail).endswith(".")


@pytest.mark.parametrize("number", [10**18 - 1, -(10**18) + 1, 0, -0.0, 1e308, 5e-324])
def test_numbers_at_the_edge_are_read_whole(number: float) -> None:
    """PostgreSQL's bigint ends at 9223372036854775807: 18 digits always fit (its documentation, table 8.2)."""
    assert read_json(json.dumps(number).encode()) == number


MIB = 1024 * 1024
SLOW: dict[str, Any] = {
    "a text of quotes that never ends": b'"' + b'\\"' * (MIB // 2 - 1),
    "a text of backslashes that never ends": b'"' + b"\\" * (MIB - 1),
    "as many open quotes as fit": b'"' * MIB,
    "a name twice at the end of a long object": (
        b"{" + b",".join(b'"%x":1' % n for n in range(95_000)) + b',"z":1,"z":2}'
    ),
    "one very long name twice": b'{"' + b"n" * (MIB // 3) + b'":1,"' + b"n" * (MIB // 3) + b'":1}',
    "a number of a million digits": b"9" * MIB,
    "a fraction of a million digits": b"[0." + b"1" * (MIB - 10) + b"x",
    "closing brackets only": b"]" * MIB,
    "half a million zeros": b"[" + b"0," * (MIB // 2 - 2) + b"x",
}


@pytest.mark.parametrize("case", SLOW)
def test_the_worst_mebibyte_is_refused(case: str) -> None:
    """A reader whose time grows as the square would take minutes over these."""
    assert len(SLOW[case]) <= MIB
    with pytest.raises(FaultyBody):
        read_json(SLOW[case])
