"""Strict fields: one spelling of each value, with bounds, and a sentence that names what was expected."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from typing import Any
from uuid import UUID

import pytest
from rest_framework.serializers import ValidationError

from api.fields import ClientId, Instant, ListedWord, Measure, ShortText, StrictSerializer, WholeNumber
from api.pointers import fault_rows
from api.v1.returns import AnswerIn
from surveys.vocabulary import Rim

WHOLE = WholeNumber(low=1, high=60)
MEASURE = Measure(low=-20.5, high=50)
TEXT = ShortText(longest=5)


def refusal(field: Any, value: Any) -> tuple[str, str]:
    """Return code and sentence with which a field refuses a value."""
    with pytest.raises(ValidationError) as refused:
        field.run_validation(value)
    (row,) = fault_rows(refused.value.detail)
    return row["code"], row["detail"]


@pytest.mark.parametrize("value", [1, 60, 7])
def test_whole_numbers_within_their_bounds_are_taken(value: int) -> None:
    assert WHOLE.run_validation(value) == value


@pytest.mark.parametrize("value", [0, 61, -1, 10**17])
def test_whole_numbers_outside_their_bounds_are_not(value: int) -> None:
    code, sentence = refusal(WHOLE, value)
    assert code == "out_of_range"
    assert "1 to 60" in sentence


@pytest.mark.parametrize("value", ["7", "1_000", "٧", "７", "", " 7", "0x7", 7.0, 7.5, True, False, [], {}, [7]])
def test_nothing_else_is_a_whole_number(value: Any) -> None:
    """The texts are those that ``int()`` takes (Python's documentation, ``int``), and JSON's other types."""
    assert refusal(WHOLE, value)[0] == "not_a_whole_number"


@pytest.mark.parametrize("value", [-20.5, 50, 0, 49.999])
def test_measures_within_their_bounds_are_taken(value: float) -> None:
    assert MEASURE.run_validation(value) == value


@pytest.mark.parametrize(
    ("value", "code"),
    [
        (-20.51, "out_of_range"), (50.000001, "out_of_range"), (10**17, "out_of_range"), (1e308, "out_of_range"),
        (float("nan"), "not_a_number"), (float("inf"), "not_a_number"), (float("-inf"), "not_a_number"),
        ("7.5", "not_a_number"), ("7,5", "not_a_number"), (True, "not_a_number"), ([], "not_a_number"),
    ],
)  # fmt: skip
def test_nothing_else_is_a_measure(value: Any, code: str) -> None:
    assert refusal(MEASURE, value)[0] == code


#: Text, moment. The first four are the examples of RFC 3339, section 5.8, moved into the years that are taken here.
MOMENTS = [
    ("2005-04-12T23:20:50.52Z", datetime(2005, 4, 12, 23, 20, 50, 520_000, UTC)),
    ("2006-12-19T16:39:57-08:00", datetime(2006, 12, 20, 0, 39, 57, tzinfo=UTC)),
    ("2037-01-01T12:00:27.87+00:20", datetime(2037, 1, 1, 11, 40, 27, 870_000, UTC)),
    ("2026-05-02t17:00:00z", datetime(2026, 5, 2, 17, tzinfo=UTC)),
    ("2026-05-02T17:00Z", datetime(2026, 5, 2, 17, tzinfo=UTC)),
    ("2024-02-29T00:00:00+14:00", datetime(2024, 2, 28, 10, tzinfo=UTC)),
]


@pytest.mark.parametrize(("text", "moment"), MOMENTS)
def test_a_moment_is_read_with_its_offset(text: str, moment: datetime) -> None:
    assert Instant().run_validation(text) == moment


@pytest.mark.parametrize(
    ("value", "code"),
    [
        ("2026-05-02", "not_an_instant"), ("2026-05-02 17:00:00Z", "not_an_instant"),
        ("02/05/2026 17:00Z", "not_an_instant"), ("2026-W18-6T17:00:00Z", "not_an_instant"),
        ("20260502T170000Z", "not_an_instant"), ("2026-5-2T17:00:00Z", "not_an_instant"),
        ("2026-05-02T17Z", "not_an_instant"), ("2026-05-02T17:00:00Z\n", "not_an_instant"),
        (" 2026-05-02T17:00:00Z", "not_an_instant"), ("2026-05-02T17:00:00+0100", "not_an_instant"),
        ("2026-05-02T17:00:00.1234567Z", "not_an_instant"), ("٢٠٢٦-05-02T17:00:00Z", "not_an_instant"),
        ("+12026-05-02T17:00:00Z", "not_an_instant"), (1777741200, "not_an_instant"), (True, "not_an_instant"),
        ("2026-02-29T17:00:00Z", "no_such_instant"), ("2026-13-01T17:00:00Z", "no_such_instant"),
        ("2026-00-01T17:00:00Z", "no_such_instant"), ("2026-05-02T25:00:00Z", "no_such_instant"),
        ("2026-05-02T17:60:00Z", "no_such_instant"), ("2026-05-02T17:00:00+25:00", "no_such_instant"),
        ("0001-01-01T00:00:00+23:59", "out_of_range"), ("9999-12-31T23:59:59-23:59", "out_of_range"),
        ("1999-12-31T23:59:59Z", "out_of_range"), ("2101-01-01T00:00:00Z", "out_of_range"),
    ],
)  # fmt: skip
def test_other_ways_to_write_a_moment_are_refused(value: Any, code: str) -> None:
    """RFC 3339, section 5.6: ISO 8601 has more forms than this, and readers do not agree on them."""
    assert refusal(Instant(), value)[0] == code


def test_a_moment_without_offset_is_told_what_is_missing() -> None:
    assert "how far it is from UTC" in refusal(Instant(), "2026-05-02T17:00:00")[1]


def test_the_offset_that_was_sent_is_kept_as_the_same_moment() -> None:
    taken = Instant().run_validation("2026-05-02T18:30:00+01:00")
    assert taken == datetime(2026, 5, 2, 18, 30, tzinfo=timezone(timedelta(hours=1)))


@pytest.mark.parametrize("value", ["Flush", "FLUSH", " flush", "flush ", "flush\n", "", 0, True, None, ["flush"], {}])
def test_a_listed_word_has_one_spelling(value: Any) -> None:
    code, sentence = refusal(ListedWord(Rim), value)
    assert code == ("null" if value is None else "unknown_word")
    assert value is None or all(word in sentence for word in Rim.values())


def test_a_listed_word_becomes_the_word_itself() -> None:
    assert ListedWord(Rim).run_validation("flush") is Rim.FLUSH


@pytest.mark.parametrize(
    ("value", "code"),
    [("", "blank"), ("  ", "blank"), ("\t\n", "blank"), ("abcdef", "too_long"), (5, "not_a_text"), ([], "not_a_text")],
)
def test_texts_have_a_length(value: Any, code: str) -> None:
    assert refusal(TEXT, value)[0] == code


def test_a_text_is_counted_in_characters_and_kept_as_it_was() -> None:
    assert TEXT.run_validation("🪲🪲🪲🪲🪲") == "🪲🪲🪲🪲🪲"
    assert TEXT.run_validation(" a ") == " a "
    assert ShortText(longest=5, allow_blank=True).run_validation("") == ""


#: The example of RFC 9562, section 4.
UUID_TEXT = "f81d4fae-7dec-11d0-a765-00a0c91e6bf6"


def test_a_uuid_is_read_in_either_case() -> None:
    """RFC 9562, section 4: written in lower case, read in either."""
    assert ClientId().run_validation(UUID_TEXT.upper()) == UUID(UUID_TEXT)


@pytest.mark.parametrize(
    "value",
    [
        UUID_TEXT.replace("-", ""),
        "{" + UUID_TEXT + "}",
        "urn:uuid:" + UUID_TEXT,
        UUID_TEXT + "\n",
        UUID_TEXT[:-1],
        7,
        "",
    ],
)
def test_other_spellings_of_a_uuid_are_refused(value: Any) -> None:
    """All but the last three are taken by Python's own ``uuid.UUID``."""
    assert refusal(ClientId(), value)[0] == "not_a_uuid"


class Sample(StrictSerializer):
    """An object with a number and a list of answers."""

    number = WholeNumber(low=1, high=9)
    catch = AnswerIn(many=True, required=False)


def rows_of(body: Any) -> set[tuple[str, str]]:
    given = Sample(data=body)
    assert not given.is_valid()
    return {(row["pointer"], row["code"]) for row in fault_rows(given.errors)}


def test_faults_of_known_and_unknown_fields_come_together() -> None:
    assert rows_of({"number": 10, "colour": "red", "": 1}) == {
        ("/number", "out_of_range"),
        ("/colour", "unknown_field"),
        ("/", "unknown_field"),  # RFC 6901, section 5: "/" is the member whose name is empty
    }


def test_a_fault_inside_a_list_has_its_place() -> None:
    catch = [{"group": "spiders", "answer": "none_seen"}, {"group": "snails", "answer": "many", "size": 2}, None]
    assert rows_of({"number": 1, "catch": catch}) == {
        ("/catch/1/answer", "unknown_word"),
        ("/catch/1/size", "unknown_field"),
        ("/catch/2", "null"),
    }


#: RFC 6901, section 5: names of the example document and the pointers to them.
POINTERS = {
    "foo": "/foo", "": "/", "a/b": "/a~1b", "c%d": "/c%d", "e^f": "/e^f", "g|h": "/g|h", "i\\j": "/i\\j",
    'k"l': '/k"l', " ": "/ ", "m~n": "/m~0n",
}  # fmt: skip


@pytest.mark.parametrize(("name", "pointer"), POINTERS.items())
def test_pointers_are_those_of_the_standard(name: str, pointer: str) -> None:
    assert [row["pointer"] for row in fault_rows({name: ["A fault."]})] == [pointer]


def test_a_tilde_and_a_one_are_not_taken_for_a_slash() -> None:
    """RFC 6901, section 4: ``~01`` is ``~1`` and not ``/``."""
    assert fault_rows({"~1": ["A fault."]})[0]["pointer"] == "/~01"


def test_an_answer_is_never_many_times_as_long_as_its_request() -> None:
    """A hundred thousand strange names: what is told is bounded, and the rest is counted."""
    rows = fault_rows({f"x{n}": ["A fault."] for n in range(100_000)})
    assert len(rows) < 1_000
    assert str(100_000 - len(rows) + 1) in rows[-1]["detail"]
