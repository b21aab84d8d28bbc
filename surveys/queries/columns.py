"""Columns straight from PostgreSQL into arrays, by COPY in its binary format.

Only for queries whose columns are never NULL and of fixed width: every row then has the same length, and a block of
rows is one array.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from django.db import connection
from numpy.typing import NDArray

HEADER_BYTES = 19  # signature, flags and header extension. Source: PostgreSQL manual, COPY, "Binary Format"
BLOCK_BYTES = 8 * 2**20


def row_type(columns: Sequence[tuple[str, str]]) -> np.dtype[Any]:
    """Return the layout of one binary row: a field count, then length and value of each column.

    ``columns`` are names with big-endian numpy types, such as (">i8") for bigint; V16 for a uuid, V240 for bytes.
    """
    fields: list[tuple[str, str]] = [("fields", ">i2")]
    for name, kind in columns:
        fields += [(f"{name}_bytes", ">i4"), (name, kind)]
    return np.dtype(fields)


def copied_blocks(sql: str, parameters: Mapping[str, Any], row: np.dtype[Any]) -> Iterator[NDArray[Any]]:
    """Yield the rows of a query block by block. One query.

    Raises ValueError when a row has another length than ``row`` says.
    """
    statement = f"COPY ({sql}) TO STDOUT (FORMAT BINARY)"
    with connection.cursor() as cursor, cursor.copy(statement, parameters) as copy:
        pending, waiting, header = [], 0, HEADER_BYTES
        for piece in copy:
            pending.append(bytes(piece))
            waiting += len(piece)
            if waiting >= BLOCK_BYTES:
                block, rest = _whole_rows(b"".join(pending)[header:], row)
                pending, waiting, header = [rest], len(rest), 0
                yield block
        block, rest = _whole_rows(b"".join(pending)[header:], row)
        yield block
        if rest != b"\xff\xff":
            raise ValueError(f"PostgreSQL sent rows of another length than {row.itemsize} bytes.")


def _whole_rows(raw: bytes, row: np.dtype[Any]) -> tuple[NDArray[Any], bytes]:
    count = len(raw) // row.itemsize
    block = np.frombuffer(raw, dtype=row, count=count)
    if count and (block["fields"] != len(row.names or ()) // 2).any():
        raise ValueError(f"PostgreSQL sent rows of another length than {row.itemsize} bytes.")
    return block, raw[count * row.itemsize :]
