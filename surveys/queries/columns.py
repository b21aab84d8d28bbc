"""Columns straight from PostgreSQL into arrays, by COPY in its binary format.

Only for queries whose columns are never NULL and of fixed width: every row then has the same length, and a block of
rows is one array.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from django.db import DataError, connection
from numpy.typing import NDArray

HEADER_BYTES = 19  # signature, flags and header extension. Source: PostgreSQL manual, COPY, "Binary Format"
TRAILER = b"\xff\xff"  # a field count of -1 stands behind the last row. Source: the same page
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

    Raises ValueError when a row has another length than ``row`` says, DataError when the query breaks off.
    """
    statement = f"COPY ({sql}) TO STDOUT (FORMAT BINARY)"
    with connection.cursor() as cursor, cursor.copy(statement, parameters) as copy:
        first = bytes(copy.read())
        pending, most = [first[HEADER_BYTES:]], max(BLOCK_BYTES // row.itemsize, 1)
        # Asked of libpq itself, a row costs half of what the driver's own loop takes: a million rows are a second.
        link = connection.connection.pgconn
        while pending[-1] != TRAILER:
            if len(pending) >= most:
                yield _rows(pending, row)
                pending = []
            size, piece = link.get_copy_data(0)
            if size < 0:
                raise DataError(_what_stopped(link))
            pending.append(bytes(piece))
        copy.read()  # says that the query has ended, and how
        yield _rows(pending[:-1], row)


def _what_stopped(link: Any) -> str:
    """Read the connection to its end and return what PostgreSQL said of a query that broke off."""
    said = "PostgreSQL sent no more rows."
    while (result := link.get_result()) is not None:
        said = result.get_error_message() or said
    return said


def _rows(pieces: list[bytes], row: np.dtype[Any]) -> NDArray[Any]:
    raw = b"".join(pieces)
    if len(raw) != len(pieces) * row.itemsize:
        raise ValueError(f"PostgreSQL sent rows of another length than {row.itemsize} bytes.")
    block = np.frombuffer(raw, dtype=row)
    if len(block) and (block["fields"] != len(row.names or ()) // 2).any():
        raise ValueError(f"PostgreSQL sent rows of another length than {row.itemsize} bytes.")
    return block
