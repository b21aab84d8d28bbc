"""How a night went and why a figure moved, in sentences."""

from __future__ import annotations

from datetime import timedelta

import pytest

from surveys.web.night_words import how_long, why_it_failed, why_it_moved

MOVED = [
    ({}, "No return of this region and time of year changed. It moved because all regions are worked out together."),
    ({"came_in": 1}, "Of its returns, one came in."),
    ({"came_in": 12, "corrected": 2}, "Of its returns, 12 came in and two were corrected."),
    ({"undone": 1}, "Of its returns, one had its verdict taken back."),
    (
        {"came_in": 1, "held": 3, "withdrawn": 1},
        "Of its returns, one came in, three were queried and one was withdrawn by its sender.",
    ),
]


@pytest.mark.parametrize(("happened", "words"), MOVED)
def test_what_happened_is_one_sentence(happened: dict[str, int], words: str) -> None:
    assert why_it_moved(happened) == words


FAILED = [
    ("", "It left no message."),
    ("Traceback\nMemoryError", "The server ran out of memory."),
    ("psycopg.OperationalError: the server 10.0.0.7 said no", "The database could not be reached."),
    ("It was begun 5 times and never ended.", "It was begun again and again and never came to its end."),
    ("x\nValueError: row 17 of Mossy Lantern", "The program met a fault that it does not know (ValueError)."),
    ("surveys.errors.NotFound: gone", "The program met a fault that it does not know."),
]


@pytest.mark.parametrize(("problem", "words"), FAILED)
def test_a_fault_is_told_without_what_its_message_holds(problem: str, words: str) -> None:
    assert why_it_failed(problem) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "0 seconds"), (1, "1 second"), (89, "89 seconds"), (90, "2 minutes"), (3600, "60 minutes"), (7200, "2 hours")],
)
def test_a_length_of_time_is_told_as_people_do(seconds: int, words: str) -> None:
    assert how_long(timedelta(seconds=seconds)) == words
