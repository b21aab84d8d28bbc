"""The process that opens a picture: ``python -m surveys.photos.child``, under limits that it sets itself.

In: one line of JSON with limits and what to do, then the picture. Out: one line of JSON with the size or with why not,
then the picture that was painted. It knows no database and no secret, and writes no file.
"""

from __future__ import annotations

import json
import sys
from typing import Any

from surveys.photos.painting import cut_off, paint_anew
from surveys.photos.records import CannotPaint, Cut, Painted
from surveys.process_limits import limit_this_process


def main() -> None:
    """Read one picture from standard input and write the painted one to standard output."""
    head = json.loads(sys.stdin.buffer.readline())
    limit_this_process(head["memory_mb"], head["cpu_s"], written_mb=0)
    content = sys.stdin.buffer.read()
    try:
        painted = _paint(content, head)
    except CannotPaint as refusal:
        sys.stdout.write(json.dumps({"fault": refusal.fault.value}) + "\n")
        return
    sys.stdout.write(json.dumps({"width": painted.width, "height": painted.height}) + "\n")
    sys.stdout.flush()
    sys.stdout.buffer.write(painted.jpeg)


def _paint(content: bytes, head: dict[str, Any]) -> Painted:
    if "cut" in head:
        return cut_off(content, Cut(**head["cut"]))
    return paint_anew(content, head["name"])


if __name__ == "__main__":
    main()
