"""Faults of a serializer as flat rows with JSON Pointers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any


def fault_rows(errors: Any, pointer: str = "") -> list[dict[str, str]]:
    """Return every fault with its place (RFC 6901), code and sentence, in the order of the fields."""
    return list(_walk(errors, pointer))


def _walk(errors: Any, pointer: str) -> Iterator[dict[str, str]]:
    if isinstance(errors, Mapping):
        for name, below in errors.items():
            step = "" if name == "non_field_errors" else "/" + str(name).replace("~", "~0").replace("/", "~1")
            yield from _walk(below, pointer + step)
    elif isinstance(errors, Sequence) and not isinstance(errors, str):
        for place, below in enumerate(errors):
            nested = isinstance(below, Mapping | list)
            yield from _walk(below, f"{pointer}/{place}" if nested else pointer)
    else:
        yield {"pointer": pointer, "code": str(getattr(errors, "code", "fault")), "detail": str(errors)}
