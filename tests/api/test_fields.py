"""Each strict field by itself: what it takes, what it refuses, and in which words."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from typing import Any
from uuid import UUID

import pytest
from rest_framework.exceptions import ValidationError

from api.fields import MOST_HINTS, ClientId, Instant, ListedWord, Measure, ShortText, StrictSerializer, WholeNumber
from surveys.vocabulary import Rim


def refusal_of(field: Any, value: Any) -> str:
    """Return the sentence with which a field refuses a value."""
    with pytest.raises(ValidationError) as refused:
        field.run_validation(value)
    sentence = str(refused.value.detail[0])
    assert sentence.endswith(".")
    return sentence


@pytest.mark.parametrize("value", [1, 60, 7])
def test_a_whole_number_is_taken(value: int) -> None:
    assert WholeNumber(low=1, high=60).run_validation(value) == value


#: standards notes, section 2: quoted numbers, underscores and Arabic digits are what plain integer fields let through.
@pytest.mark.parametrize("value", ["7", "1_000", "٧", "０", 7.0, 1.5, True, False, [7], {"a": 7}, "", " 7 "])
def test_what_only_looks_like_a_whole_number_is_refused(value: Any) -> None:
    assert "is not a whole number" in refusal_of(WholeNumber(low=1, high=60), value)


@pytest.mark.parametrize("value", [0, 61, -1, 10**17])
def test_a_whole_number_outside_its_bounds_is_refused(value: int) -> None:
    assert "outside 1 to 60" in refusal_of(WholeNumber(low=1, high=60), value)


@pytest.mark.parametrize("value", [1, 1000, 75, 75.5, 1.0])
def test_a_measure_is_taken_as_a_float(value: float) -> None:
    taken = Measure(low=1, high=1000).run_validation(value)
    assert (taken, type(taken)) == (value, float)


@pytest.mark.parametrize("value", ["75", "75.5", True, float("nan"), float("inf"), float("-inf"), [75]])
def test_what_is_no_number_is_not_a_measure(value: Any) -> None:
    assert "is not a number" in refusal_of(Measure(low=1, high=1000), value)


def test_a_measure_just_outside_is_told_as_it_was_sent() -> None:
    assert refusal_of(Measure(low=1, high=1000), 1000.0001) == "1000.0001 is outside 1 to 1000."


#: RFC 3339, section 5.8: its examples that lie between 2000 and 2100 do not exist, so the forms are moved to 2026.
@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2026-04-12T23:20:50.52Z", datetime(2026, 4, 12, 23, 20, 50, 520000, tzinfo=UTC)),
        ("2026-12-19T16:39:57-08:00", datetime(2026, 12, 20, 0, 39, 57, tzinfo=UTC)),
        ("2026-01-01T12:00:27.87+00:20", datetime(2026, 1, 1, 11, 40, 27, 870000, tzinfo=UTC)),
        ("2026-05-02t18:30:00z", datetime(2026, 5, 2, 18, 30, tzinfo=UTC)),  # section 5.6: letters may be small
        ("2026-05-02T18:30+01:00", datetime(2026, 5, 2, 17, 30, tzinfo=UTC)),
    ],
)
def test_an_instant_is_read_with_its_offset(text: str, moment: datetime) -> None:
    assert Instant().run_validation(text) == moment


def test_an_instant_keeps_the_offset_that_was_sent() -> None:
    taken = Instant().run_validation("2026-05-02T18:30:00+01:00")
    assert taken.tzinfo == timezone(timedelta(hours=1))


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("2026-05-02T18:30:00", "does not say how far it is from UTC"),
        ("2026-05-02", "is not a date and time"),
        ("2026-05-02 18:30:00Z", "is not a date and time"),
        ("2026-05-02T18:30:00Z\n", "is not a date and time"),
        ("٢٠٢٦-05-02T18:30:00Z", "is not a date and time"),
        (1777741200, "is not a date and time"),
        (True, "is not a date and time"),
        ("2026-02-29T18:30:00Z", "is not a day or hour that there is"),  # 2026 is no leap year
        ("2026-05-02T25:00:00Z", "is not a day or hour that there is"),
        ("2026-05-02T18:30:00+99:00", "is not a day or hour that there is"),
        ("0000-05-02T18:30:00Z", "is not a day or hour that there is"),
        ("1999-12-31T23:59:59Z", "outside 2000 to 2100"),
        ("9999-12-31T23:59:59-23:59", "outside 2000 to 2100"),
    ],
)
def test_what_is_no_instant_is_refused_in_its_own_words(value: Any, words: str) -> None:
    assert words in refusal_of(Instant(), value)


def test_a_word_of_the_list_is_taken_and_another_hears_the_list() -> None:
    assert ListedWord(Rim).run_validation("flush") is Rim.FLUSH
    sentence = refusal_of(ListedWord(Rim), "wobbly")
    assert all(word in sentence for word in Rim.values())
    for other in ("Flush", "flush ", "", 1, True, ["flush"], {"flush": 1}):
        assert "is not one of" in refusal_of(ListedWord(Rim), other)


def test_a_short_text_is_as_long_as_it_may_be() -> None:
    assert ShortText(longest=5).run_validation("äöü€𝄞") == "äöü€𝄞"
    assert "has 6 characters" in refusal_of(ShortText(longest=5), "abcdef")
    assert "is blank" in refusal_of(ShortText(longest=5), " \t ")
    assert ShortText(longest=5, allow_blank=True).run_validation("") == ""
    for other in (5, True, ["a"], {"a": "b"}):
        assert "is not a text" in refusal_of(ShortText(longest=5), other)


#: RFC 9562, section 4: its example UUID; letters may be large or small on input.
EXAMPLE = "f81d4fae-7dec-11d0-a765-00a0c91e6bf6"


@pytest.mark.parametrize("text", [EXAMPLE, EXAMPLE.upper()])
def test_a_uuid_is_taken_in_its_usual_form(text: str) -> None:
    assert ClientId().run_validation(text) == UUID(EXAMPLE)


@pytest.mark.parametrize(
    "value",
    [EXAMPLE + "\n", "{" + EXAMPLE + "}", "urn:uuid:" + EXAMPLE, EXAMPLE.replace("-", ""), EXAMPLE[:-1], 7, None, ""],
)
def test_any_other_form_of_a_uuid_is_refused(value: Any) -> None:
    with pytest.raises(ValidationError):
        ClientId().run_validation(value)


class Cup(StrictSerializer):
    """Two fields to try the serializer with."""

    mouth_mm = WholeNumber(low=1, high=1000)
    rim = ListedWord(Rim, required=False)


def faults_of(sent: Any) -> dict[str, Any]:
    """Return what the serializer finds wrong, by field."""
    cup = Cup(data=sent)
    assert not cup.is_valid()
    return dict(cup.errors)


def test_an_unknown_field_is_named_beside_all_other_faults() -> None:
    faults = faults_of({"mouth_mm": "75", "rimm": "flush", "colour": 1})
    assert set(faults) == {"mouth_mm", "rimm", "colour"}
    assert "Did you mean 'rim'?" in faults["rimm"][0]
    assert "Did you mean" not in faults["colour"][0]


@pytest.mark.parametrize("sent", [[], "cup", 7, True])
def test_what_is_no_object_is_said_to_be_none(sent: Any) -> None:
    assert "is not an object" in faults_of(sent)["non_field_errors"][0]


def test_a_missing_and_a_null_field_are_told_apart() -> None:
    assert faults_of({})["mouth_mm"] == ["This is missing."]
    assert faults_of({"mouth_mm": None})["mouth_mm"] == ["This is null. Leave it out if it is not known."]


def test_of_thousands_of_unknown_names_each_is_told_and_only_the_first_are_compared() -> None:
    """A comparison for each of the names that fit into a body would keep the server busy for many seconds."""
    faults = faults_of({"mouth_mm": 75} | {f"mouth_{n}": n for n in range(5_000)})
    assert set(faults) == {f"mouth_{n}" for n in range(5_000)}
    hinted = [name for name, (sentence,) in faults.items() if "Did you mean" in sentence]
    assert hinted == [f"mouth_{n}" for n in range(MOST_HINTS)]
