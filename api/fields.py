"""Strict fields: each takes one spelling of its value and says in a sentence what it expected."""

from __future__ import annotations

import difflib
import math
import re
from datetime import datetime, timedelta
from functools import cache
from typing import Any, Self
from uuid import UUID

from django.utils.functional import cached_property
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers
from rest_framework.fields import empty

from surveys.vocabulary import Word

_INSTANT = re.compile(
    r"(\d{4})-(\d{2})-(\d{2})[Tt](\d{2}):(\d{2})(?::(\d{2})(?:\.\d{1,6})?)?([Zz]|[+-]\d{2}:\d{2})", re.ASCII
)
_UUID = re.compile(r"[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}")
#: The ends of the IANA time zone database (Etc/GMT+12, Pacific/Kiritimati). PostgreSQL stores none beyond 15:59.
WESTMOST, EASTMOST = timedelta(hours=-12), timedelta(hours=14)
#: Unknown names that are compared with the known ones, and the longest of them: a hint costs time for each.
MOST_HINTS, LONGEST_HINTED = 20, 40


class _Plain(serializers.Field[Any, Any, Any, Any]):
    default_error_messages = {
        "required": "This is missing.",
        "null": "This is null. Leave it out if it is not known.",
    }

    def run_validation(self, data: Any = empty) -> Any:
        """Read a value that was sent. What is missing or null is the framework's to settle; there are no validators."""
        if data is empty or data is None:
            return super().run_validation(data)
        return self.to_internal_value(data)

    def to_representation(self, value: Any) -> Any:
        return value

    def refuse(self, code: str, sentence: str) -> None:
        raise serializers.ValidationError(sentence, code=code)


@extend_schema_field(OpenApiTypes.INT)
class WholeNumber(_Plain):
    """A JSON number without a fraction, from ``low`` to ``high``."""

    def __init__(self, *, low: int, high: int, **options: Any) -> None:
        self.low, self.high = low, high
        super().__init__(**options)

    def to_internal_value(self, data: Any) -> int:
        if isinstance(data, bool) or not isinstance(data, int):
            self.refuse(
                "not_a_whole_number",
                f"{_short(data)} is not a whole number. Send digits without quotes, from {self.low} to {self.high}.",
            )
        if not self.low <= data <= self.high:
            self.refuse("out_of_range", f"{data} is outside {self.low} to {self.high}.")
        return int(data)


@extend_schema_field(OpenApiTypes.DOUBLE)
class Measure(_Plain):
    """A JSON number from ``low`` to ``high``."""

    def __init__(self, *, low: float, high: float, **options: Any) -> None:
        self.low, self.high = low, high
        super().__init__(**options)

    def to_internal_value(self, data: Any) -> float:
        if isinstance(data, bool) or not isinstance(data, int | float) or not math.isfinite(data):
            self.refuse(
                "not_a_number",
                f"{_short(data)} is not a number. Send digits without quotes, from {self.low:g} to {self.high:g}.",
            )
        if not self.low <= data <= self.high:
            self.refuse("out_of_range", f"{data} is outside {self.low:g} to {self.high:g}.")
        return float(data)


@extend_schema_field(OpenApiTypes.BOOL)
class TrueOrFalse(_Plain):
    """JSON's own true or false."""

    def to_internal_value(self, data: Any) -> bool:
        if not isinstance(data, bool):
            self.refuse("not_true_or_false", f"{_short(data)} is neither true nor false. Send one without quotes.")
        return bool(data)


@extend_schema_field(OpenApiTypes.DATETIME)
class Instant(_Plain):
    """A date and time with its offset from UTC (RFC 3339), between the years 2000 and 2100."""

    def to_internal_value(self, data: Any) -> datetime:
        if not isinstance(data, str) or not _INSTANT.fullmatch(data):
            sentence = f"{_short(data)} is not a date and time with an offset, such as 2026-05-02T18:30:00+01:00."
            if isinstance(data, str) and _INSTANT.fullmatch(data + "Z"):
                sentence = f"{_short(data)} does not say how far it is from UTC. Add an offset, such as +01:00 or Z."
            self.refuse("not_an_instant", sentence)
        try:
            moment = datetime.fromisoformat(data.upper())
        except ValueError:
            self.refuse("no_such_instant", f"{_short(data)} is not a day or hour that there is.")
        if not 2000 <= moment.year <= 2100:
            self.refuse("out_of_range", f"The year {moment.year} is outside 2000 to 2100.")
        if not WESTMOST <= (moment.utcoffset() or timedelta(0)) <= EASTMOST:
            self.refuse("no_such_offset", f"No clock is {data[-6:]} from UTC. Offsets lie between -12:00 and +14:00.")
        return moment


@extend_schema_field(OpenApiTypes.STR)
class ListedWord(_Plain):
    """One word of a closed list."""

    def __init__(self, words: type[Word], **options: Any) -> None:
        self.words = words
        self.choices = dict(words.choices())
        super().__init__(**options)

    def to_internal_value(self, data: Any) -> Word:
        if not isinstance(data, str) or data not in self.choices:
            self.refuse("unknown_word", f"{_short(data)} is not one of: {', '.join(self.words.values())}.")
        return self.words(data)


@extend_schema_field(OpenApiTypes.STR)
class ShortText(_Plain):
    """A text of at most ``longest`` characters."""

    def __init__(self, *, longest: int, allow_blank: bool = False, **options: Any) -> None:
        self.longest, self.allow_blank = longest, allow_blank
        super().__init__(**options)

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str):
            self.refuse("not_a_text", f"{_short(data)} is not a text. Send it in quotes.")
        if not data.strip() and not self.allow_blank:
            self.refuse("blank", "This is blank.")
        if len(data) > self.longest:
            self.refuse(
                "too_long", f"This has {len(data)} characters, and at most {self.longest} are kept. Shorten it."
            )
        return str(data)


@extend_schema_field(OpenApiTypes.UUID)
class ClientId(_Plain):
    """A UUID in its usual form."""

    def to_internal_value(self, data: Any) -> UUID:
        if not isinstance(data, str) or not _UUID.fullmatch(data):
            self.refuse("not_a_uuid", f"{_short(data)} is not a UUID, such as 8e03978e-40d5-43dd-bc93-6894a57f9324.")
        return UUID(data)


class AnyValue(_Plain):
    """Whatever was sent; somebody else reads it."""

    def to_internal_value(self, data: Any) -> Any:
        return data


class StrictSerializer(serializers.Serializer[Any]):
    """Refuses what is not an object, and every field that it does not know, by name."""

    default_error_messages = {"null": "This is null. Send an object: names and values in braces."}

    def run_validation(self, data: Any = empty) -> Any:
        # Told here, or the framework tells it at the top in words of its own.
        if data is None and not self.allow_null:
            raise self._as_a_whole(str(self.error_messages["null"]), "null")
        return super().run_validation(data)

    def to_internal_value(self, data: Any) -> Any:
        if not isinstance(data, dict):
            raise self._as_a_whole(
                f"{_short(data)} is not an object. Send names and values in braces.", "not_an_object"
            )
        unknown = {
            name: [serializers.ErrorDetail(self._unknown(name, hinted=place < MOST_HINTS), "unknown_field")]
            for place, name in enumerate(name for name in data if name not in self.fields)
        }
        value: dict[str, Any] = {}
        faults: dict[str, Any] = {}
        for name, field, wanted in self._asked:
            if name in data or wanted:
                try:
                    value[name] = field.run_validation(data.get(name, empty))
                except serializers.ValidationError as fault:
                    faults[name] = fault.detail
        if faults or unknown:
            raise serializers.ValidationError({**faults, **unknown})
        return value

    @cached_property
    def _asked(self) -> list[tuple[str, serializers.Field[Any, Any, Any, Any], bool]]:
        """Each field by name, and whether there is something to say where it was left out: a fault or a default.

        Most fields of a return are left out of most returns, so none of those is asked one by one.
        """
        return [
            (name, field, bool(field.required) or field.default is not empty) for name, field in self.fields.items()
        ]

    @classmethod
    @cache
    def standing(cls) -> Self:
        """Return the one reader of this kind that lasts: its fields are made once. It is for ``run_validation`` alone.

        Nothing of what it reads stays with it, so requests may share it.
        """
        return cls()

    def _as_a_whole(self, sentence: str, code: str) -> serializers.ValidationError:
        return serializers.ValidationError({"non_field_errors": [serializers.ErrorDetail(sentence, code)]})

    def _unknown(self, name: str, *, hinted: bool) -> str:
        near = difflib.get_close_matches(name[:LONGEST_HINTED], list(self.fields), n=1) if hinted else []
        hint = f" Did you mean {near[0]!r}?" if near else ""
        return f"There is no field {name[:80]!r} here.{hint}"


def _short(value: Any) -> str:
    written = repr(value)
    return written if len(written) <= 60 else written[:57] + "..."
