"""Identifiers of returns and sites as arrays of sixteen bytes: a million of them are sorted and found at once."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

#: Letters of an identifier as it is written, and where its four dashes stand. Source: RFC 9562, section 4.
WRITTEN = 36
DASHES = (8, 13, 18, 23)

_NOT_HEX = 255
_HEX = np.full(256, _NOT_HEX, dtype=np.uint8)
for _digit in range(16):
    for _letter in {f"{_digit:x}", f"{_digit:X}"}:
        _HEX[ord(_letter)] = _digit
_PLACES = np.array([place for place in range(WRITTEN) if place not in DASHES])


def read_identifiers(column: pa.Array, name: str) -> NDArray[np.bytes_]:
    """Return identifiers (n,) as sixteen bytes each; sorted, they stand as their texts do.

    Raises ValueError with a sentence where one is missing or is not written as RFC 9562 says. ``name`` is that of the
    column, with its file.
    """
    if column.null_count:
        raise _not_an_identifier(column, name)
    try:
        letters = column.cast(pa.binary(WRITTEN))
    except pa.ArrowInvalid:
        raise _not_an_identifier(column, name) from None
    table = np.frombuffer(letters.buffers()[1] or b"", dtype=np.uint8).reshape(-1, WRITTEN)
    table = table[letters.offset : letters.offset + len(letters)]
    halves = _HEX[table[:, _PLACES]]
    if (halves == _NOT_HEX).any() or (table[:, DASHES] != ord("-")).any():
        raise _not_an_identifier(column, name)
    numbers = (halves[:, 0::2] << 4) | halves[:, 1::2]
    return np.ascontiguousarray(numbers).view("S16").reshape(len(column))


def written(identifier: bytes) -> str:
    """Return an identifier as it is written."""
    digits = identifier.ljust(16, b"\0").hex()
    return "-".join(digits[a:b] for a, b in ((0, 8), (8, 12), (12, 16), (16, 20), (20, 32)))


def _not_an_identifier(column: pa.Array, name: str) -> ValueError:
    found = next((text for text in column.to_pylist() if not _is_one(text)), None)
    what = "nothing" if found is None else repr(found[:60])
    return ValueError(
        f"{name} holds {what}, but an identifier is written like 3f1c8a52-9b0e-4d27-8a6f-0c5d2e7b9a14 (RFC 9562)."
    )


def _is_one(text: str | None) -> bool:
    if text is None or len(text) != WRITTEN or any(text[place] != "-" for place in DASHES):
        return False
    return all(letter in "0123456789abcdefABCDEF" for place, letter in enumerate(text) if place not in DASHES)
