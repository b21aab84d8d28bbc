"""Writing the small files of a release: the same bytes on every machine, whatever its locale, clock or folder order."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from surveys.release_files.reading import csv_path
from surveys.release_files.tables import Table


def write_rows(folder: Path, table: Table, rows: Iterable[Sequence[Any]]) -> None:
    """Write a table as CSV: UTF-8 without a mark, LF, RFC 4180 quotes, a header, an empty cell for None."""
    with csv_path(folder, table).open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(table.names)
        writer.writerows([_cell(value) for value in row] for row in rows)


def write_text(path: Path, text: str) -> None:
    """Write a text with LF at each end of a line, the last one included."""
    path.write_text(text.rstrip("\n") + "\n", encoding="utf-8", newline="\n")


def write_json(path: Path, value: Any) -> None:
    """Write a value as JSON, in the order in which it was put together."""
    write_text(path, json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    return str(value).lower() if isinstance(value, bool) else value
