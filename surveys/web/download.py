"""One archive with everything that is stored about somebody, written while it is sent."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Sequence
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile

from django.core.serializers.json import DjangoJSONEncoder

from surveys.queries.own_rows import Rows
from surveys.sheets.marking import harmless

README = """Everything that Trapnight stores about you.

Each table is here twice: as .json, exactly as it is stored, and as .csv, to open in a spreadsheet. In the .csv, a text
that begins like a formula has a ' before it. Times are in UTC. A return is named by its id, which stands in the column
report_uuid of the other tables; its tray photo, if there is one, has that id as its name. Passwords, tokens and codes
are stored in a form that nobody can read back, so they are not here. What each table is for, and how long it is kept:
see the page on privacy.
"""


class _Outlet(io.RawIOBase):
    """What the archive is written into: it holds what was not sent yet."""

    def __init__(self) -> None:
        super().__init__()
        self._waiting: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, part: Any) -> int:
        self._waiting.append(bytes(part))
        return len(part)

    def take(self) -> bytes:
        """Return what was written since the last time."""
        part, self._waiting = b"".join(self._waiting), []
        return part


def archive_of(tables: Iterable[Rows], files: Iterable[tuple[str, bytes]]) -> Iterator[bytes]:
    """Yield an archive in parts: every table as JSON and as CSV, then the files."""
    outlet = _Outlet()
    with ZipFile(outlet, "w", ZIP_DEFLATED) as archive:
        archive.writestr("README.txt", README)
        for table in tables:
            for ending, lines in (("json", _json_lines(table)), ("csv", _csv_lines(table))):
                with archive.open(f"{table.name}.{ending}", "w") as entry:
                    for line in lines:
                        entry.write(line.encode())
                        if part := outlet.take():
                            yield part
        for name, content in files:
            archive.writestr(name, content)
            yield outlet.take()
    yield outlet.take()


def _json_lines(table: Rows) -> Iterator[str]:
    yield "["
    between = "\n"
    for row in table.read():
        cells = dict(zip(table.columns, row, strict=True))
        yield between + json.dumps(cells, cls=DjangoJSONEncoder, ensure_ascii=False)
        between = ",\n"
    yield "\n]\n"


def _csv_lines(table: Rows) -> Iterator[str]:
    yield _csv_line(table.columns)
    for row in table.read():
        yield _csv_line([_cell(value) for value in row])


def _csv_line(cells: Sequence[Any]) -> str:
    line = io.StringIO()
    csv.writer(line).writerow(cells)
    return line.getvalue()


def _cell(value: Any) -> Any:
    """Return a value as a spreadsheet takes it: lists as JSON, moments in ISO 8601, no text that begins a formula."""
    if value is None or isinstance(value, bool | int | float):
        return value
    if isinstance(value, dict | list):
        return json.dumps(value, cls=DjangoJSONEncoder, ensure_ascii=False)
    text = value.isoformat() if hasattr(value, "isoformat") else str(value)
    return harmless(text)
