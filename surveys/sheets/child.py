"""The process that opens a file: ``python -m surveys.sheets.child``, under limits that it sets itself.

In: one line of JSON with limits, name and language, one with the lists, then the file. Out: a line of JSON for each
step of progress, and a last one with what was found. It knows no database and no secret, and writes nothing but the
parts of the marked copy, into a folder that is thrown away after it.
"""

from __future__ import annotations

import gettext
import json
import sys
import time

from surveys.process_limits import limit_this_process
from surveys.sheets.dry_run import read_file
from surveys.sheets.records import Say, in_english
from surveys.sheets.wire import lists_from_json, reading_as_json

#: Seconds between two lines of progress.
STEP_S = 0.5
#: Megabytes of one file that may be written: the marked copy is put together on the disk.
MOST_WRITTEN_MB = 64


def speaker(language: str, locale: str) -> Say:
    """Return what sets a text in a language, from the catalogue of the pages."""
    if not locale:
        return in_english
    catalogue = gettext.translation("django", localedir=locale, languages=[language], fallback=True)
    return lambda text: catalogue.gettext(text) if text else text


class Progress:
    """Writes how far the reading has come, twice a second at most."""

    def __init__(self) -> None:
        self._told = 0.0

    def __call__(self, read: int, rows: int) -> None:
        now = time.monotonic()
        if now - self._told >= STEP_S or read == rows:
            self._told = now
            print(json.dumps({"read": read, "rows": rows}), flush=True)


def main() -> None:
    """Read one file from standard input and write what was found to standard output."""
    head = json.loads(sys.stdin.buffer.readline())
    limit_this_process(head["memory_mb"], head["cpu_s"], written_mb=MOST_WRITTEN_MB)
    lists = lists_from_json(sys.stdin.buffer.readline().decode())
    content = sys.stdin.buffer.read()
    found = read_file(content, head["name"], lists, speaker(head["language"], head["locale"]), Progress())
    print(reading_as_json(found), flush=True)


if __name__ == "__main__":
    main()
