"""Faults of a serializer as flat rows with JSON Pointers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import islice
from typing import Any

#: More faults than this are counted and not listed: an answer may not be many times as long as its request.
MOST_ROWS = 500
_NO_CODE = "invalid"  # what the framework calls a fault that was given no code of its own


def fault_rows(errors: Any, pointer: str = "") -> list[dict[str, str]]:
    """Return each fault with its place (RFC 6901), code and sentence, in the order of the fields."""
    found = _walk(errors, pointer)
    rows = list(islice(found, MOST_ROWS))
    more = sum(1 for _ in found)
    if more:
        detail = f"There are {more} more faults like these. Mend the first {MOST_ROWS} and send it again."
        rows.append({"pointer": pointer, "code": "more_faults", "detail": detail})
    return rows


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
        code = str(getattr(errors, "code", _NO_CODE))
        yield {"pointer": pointer, "code": "fault" if code == _NO_CODE else code, "detail": str(errors)}
