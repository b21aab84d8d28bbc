"""The process that opens a file: fed through a pipe, heard line by line, ended when its time is over."""

from __future__ import annotations

import json
import logging
import queue
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO

from django.conf import settings

from surveys.sheets.records import SheetLists, SheetReading, Tell
from surveys.sheets.wire import lists_as_json, reading_from_json

log = logging.getLogger(__name__)

#: Limits of the child. 2,000 rows with 30 groups need less than a quarter of each: tests/benchmarks/spreadsheets.py.
MEMORY_MB = 768
CPU_S = 40
WALL_S = 90.0
#: Seconds between two looks at the clock while the child says nothing.
LOOK_S = 0.5
_ROOT = Path(__file__).resolve().parent.parent.parent


class TooMuch(Exception):
    """The file needed more memory or time than the child is given."""


def read_in_child(
    content: bytes,
    name: str,
    lists: SheetLists,
    *,
    language: str,
    tell: Tell,
    meanwhile: Callable[[], None],
    memory_mb: int = MEMORY_MB,
    cpu_s: int = CPU_S,
    wall_s: float = WALL_S,
) -> SheetReading:
    """Return what a child process found in a file.

    ``tell`` hears how many rows are read, ``meanwhile`` is called between two lines; what either raises ends the
    child. Raises :class:`TooMuch` where the child came to its limits, :class:`RuntimeError` where it fell over.
    """
    head = {
        "memory_mb": memory_mb,
        "cpu_s": cpu_s,
        "name": name,
        "language": language,
        "locale": str(settings.LOCALE_PATHS[0]) if settings.LOCALE_PATHS else "",
    }
    given = b"\n".join((json.dumps(head).encode(), lists_as_json(lists).encode(), content))
    with tempfile.TemporaryDirectory(prefix="trapnight-sheet-") as folder:
        faults = Path(folder) / "faults"
        with faults.open("wb") as said, _start(folder, said) as child:
            try:
                last = _listen(child, given, time.monotonic() + wall_s, tell, meanwhile)
            except BaseException:
                child.kill()
                raise
        _judge(child.returncode, faults.read_text(encoding="utf-8", errors="replace"))
    return reading_from_json(last)


def _start(folder: str, said: IO[bytes]) -> subprocess.Popen[bytes]:
    # Nothing of this process goes along: no address of the database, no secret.
    environment = {"PYTHONPATH": str(_ROOT), "TMPDIR": folder, "OPENBLAS_NUM_THREADS": "1", "LC_ALL": "C.UTF-8"}
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "surveys.sheets.child"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=said,
        env=environment,
        cwd=folder,
    )


def _listen(
    child: subprocess.Popen[bytes], given: bytes, until: float, tell: Tell, meanwhile: Callable[[], None]
) -> str:
    """Feed the child, pass on how far it is, and return the last line it wrote."""
    heard: queue.Queue[str | None] = queue.Queue()
    threading.Thread(target=_feed, args=(child, given), daemon=True).start()
    threading.Thread(target=_hear, args=(child, heard), daemon=True).start()
    last = ""
    while True:
        if time.monotonic() > until:
            raise TooMuch
        try:
            line = heard.get(timeout=LOOK_S)
        except queue.Empty:
            meanwhile()
            continue
        if line is None:
            return last
        last = line
        if line.startswith('{"read"'):
            told = json.loads(line)
            tell(told["read"], told["rows"])


def _feed(child: subprocess.Popen[bytes], given: bytes) -> None:
    if child.stdin is None:
        return
    try:
        child.stdin.write(given)
        child.stdin.close()
    except (OSError, ValueError):
        log.info("the child that reads a sheet ended before it had all of it")


def _hear(child: subprocess.Popen[bytes], heard: queue.Queue[str | None]) -> None:
    for line in child.stdout or ():
        heard.put(line.decode())
    heard.put(None)


def _judge(code: int, said: str) -> None:
    """Tell a file that was too much from a fault of our own. Of what the child said only the kind is kept."""
    if code == 0:
        return
    kind = said.strip().rsplit("\n", 1)[-1].split(":", 1)[0][:60]
    if code < 0 or kind == "MemoryError":
        log.warning("a sheet was too much to open (%s %s)", code, kind)
        raise TooMuch
    raise RuntimeError(f"The child that reads a sheet ended with {code} ({kind}).")
