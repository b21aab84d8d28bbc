"""Which bytes a Range header asks for, held against the text and the examples of RFC 9110."""

from __future__ import annotations

import pytest
from django.test import RequestFactory
from django.utils.http import http_date

from surveys.web.byte_ranges import OutsideTheFile, Span, asked_span, range_still_fits

#: RFC 9110, section 14.1.2: the examples for a representation of 10 000 bytes.
EXAMPLES = [
    ("bytes=0-499", (0, 499)),  # "The first 500 bytes"
    ("bytes=500-999", (500, 999)),  # "The second 500 bytes"
    ("bytes=-500", (9500, 9999)),  # "The final 500 bytes"
    ("bytes=9500-", (9500, 9999)),  # the same
]


@pytest.mark.parametrize(("header", "span"), EXAMPLES)
def test_the_examples_of_the_standard(header: str, span: tuple[int, int]) -> None:
    assert asked_span(header, 10_000) == Span(*span)


#: RFC 9110, section 14.1.2: several ranges. Section 14.2 lets a server ignore any Range field: the whole file is sent.
@pytest.mark.parametrize("header", ["bytes=0-0,-1", "bytes= 0-999, 4500-5499, -1000", "bytes=500-600,601-999"])
def test_several_ranges_are_answered_with_the_whole(header: str) -> None:
    assert asked_span(header, 10_000) is None


@pytest.mark.parametrize(
    ("header", "size", "span"),
    [
        ("bytes=0-", 10, (0, 9)),  # last-pos may be left out: 14.1.2
        ("bytes=3-99999", 10, (3, 9)),  # "last-pos ... greater than or equal to the current length": to the end, 14.1.2
        ("bytes=9-9", 10, (9, 9)),
        ("bytes=-1", 10, (9, 9)),
        ("bytes=-11", 10, (0, 9)),  # "shorter than the specified suffix-length: the entire representation", 14.1.2
        ("BYTES=0-4", 10, (0, 4)),  # range-unit names are case-insensitive: 14.1
        ("bytes=,0-4,", 10, (0, 4)),  # empty list members are ignored: 5.6.1.2
        ("bytes= 0-4 ", 10, (0, 4)),  # optional white space around members: 5.6.1
        ("bytes=000-0004", 10, (0, 4)),  # 1*DIGIT: 14.1.1
        ("bytes=0-" + "9" * 40, 10, (0, 9)),
    ],
)
def test_one_range(header: str, size: int, span: tuple[int, int]) -> None:
    found = asked_span(header, size)
    assert found == Span(*span)
    assert found.length == span[1] - span[0] + 1


#: Another unit must be ignored (14.2); a specifier that breaks the grammar of 14.1.1 may be, and is.
@pytest.mark.parametrize(
    "header",
    ["", "bytes", "bytes=", "bytes=,", "bytes=abc", "bytes=-", "bytes=1", "bytes=5-4", "bytes=0-4;5-6", "bytes=0x0-4",
     "bytes=--5", "bytes=+0-4", "bytes=0-4,x", "bytes=1.0-4", "bytes 0-4/10", "bytes =0-4", "items=0-4", "lines=1-2",
     "bytes=0-4,5-4", "bytes=٠-٤", "bytes=0-" + "9" * 41, "bytes=0-4\n"],
)  # fmt: skip
def test_what_cannot_be_read_is_ignored(header: str) -> None:
    assert asked_span(header, 10) is None


@pytest.mark.parametrize(
    ("header", "size"),
    [
        ("bytes=10-", 10),  # satisfiable only where first-pos is less than the current length: 14.1.2
        ("bytes=10-20", 10),
        ("bytes=-0", 10),  # a suffix-length of zero is not satisfiable: 14.1.2
        ("bytes=10-20,-0", 10),
        ("bytes=0-", 0),
        ("bytes=-0", 0),
    ],
)
def test_what_lies_outside_is_refused(header: str, size: int) -> None:
    with pytest.raises(OutsideTheFile):
        asked_span(header, size)


def test_one_range_of_several_that_lies_inside_is_enough() -> None:
    """14.2: unsatisfiable only where none of the ranges is there."""
    assert asked_span("bytes=10-20,0-1", 10) is None


def test_the_end_of_an_empty_file_is_the_file() -> None:
    """14.1.2: satisfiable, and the entire representation; 14.4 has no Content-Range for no bytes."""
    assert asked_span("bytes=-5", 0) is None


TAG, WHEN = '"abc"', 1_780_000_000


@pytest.mark.parametrize(
    ("given", "fits"),
    [
        (None, True),
        ('"abc"', True),
        ('"other"', False),
        ('W/"abc"', False),  # strong comparison: 13.1.5
        ("abc", False),
        (http_date(WHEN), True),
        (http_date(WHEN + 1), False),  # exactly, and not "since": 13.1.5
        (http_date(WHEN - 1), False),
        ("yesterday", False),
    ],
)
def test_if_range(given: str | None, fits: bool) -> None:
    request = RequestFactory().get("/", headers={"If-Range": given} if given else {})
    assert range_still_fits(request, etag=TAG, modified=WHEN) is fits
