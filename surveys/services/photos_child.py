"""The process that opens a picture: fed through a pipe, heard once, ended when its time is over."""

from __future__ import annotations

import json
import logging
import subprocess
import sys
import tempfile
import threading
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from surveys.photos.records import CannotPaint, Cut, Painted, PhotoFault

log = logging.getLogger(__name__)

#: Limits of the child. Of 40 million dots a WebP needs most: 720 MB and 2 s; a JPEG of that size 100 MB and 0.4 s.
MEMORY_MB = 896
CPU_S = 20
WALL_S = 25.0
#: One process of the web server has so many pictures open at a time; seconds that one more waits for its turn.
AT_ONCE = 1
WAIT_S = 15.0
_turns = threading.BoundedSemaphore(AT_ONCE)
_ROOT = Path(__file__).resolve().parent.parent.parent


def paint_in_child(content: bytes, name: str, **limits: Any) -> Painted:
    """Return a picture that was sent, painted anew. Raises :class:`CannotPaint`."""
    return _ask(content, {"name": name}, **limits)


def cut_in_child(jpeg: bytes, cut: Cut, **limits: Any) -> Painted:
    """Return what stays of a picture that was painted here. Raises :class:`CannotPaint`."""
    return _ask(jpeg, {"cut": asdict(cut)}, **limits)


def _ask(
    content: bytes,
    what: Mapping[str, Any],
    *,
    memory_mb: int = MEMORY_MB,
    cpu_s: int = CPU_S,
    wall_s: float = WALL_S,
    wait_s: float = WAIT_S,
) -> Painted:
    head = json.dumps({"memory_mb": memory_mb, "cpu_s": cpu_s, **what})
    if not _turns.acquire(timeout=wait_s):
        raise CannotPaint(PhotoFault.BUSY)
    try:
        ended = _run(head.encode() + b"\n" + content, wall_s)
    except subprocess.TimeoutExpired:
        log.warning("a picture took too long to open")
        raise CannotPaint(PhotoFault.TOO_MUCH) from None
    finally:
        _turns.release()
    _judge(ended.returncode, ended.stderr.decode(errors="replace"))
    return _read(ended.stdout)


def _run(given: bytes, wall_s: float) -> subprocess.CompletedProcess[bytes]:
    with tempfile.TemporaryDirectory(prefix="trapnight-photo-") as folder:
        # Nothing of this process goes along: no address of the database, no secret.
        return subprocess.run(
            [sys.executable, "-P", "-m", "surveys.photos.child"],
            input=given,
            capture_output=True,
            env={"PYTHONPATH": str(_ROOT), "TMPDIR": folder, "LC_ALL": "C.UTF-8"},
            cwd=folder,
            timeout=wall_s,
            check=False,
        )


def _judge(code: int, said: str) -> None:
    """Tell a picture that was too much from a fault of our own. Of what the child said only the kind is kept."""
    if code == 0:
        return
    kind = said.strip().rsplit("\n", 1)[-1].split(":", 1)[0][:60]
    if code < 0 or kind == "MemoryError":
        log.warning("a picture was too much to open (%s %s)", code, kind)
        raise CannotPaint(PhotoFault.TOO_MUCH)
    raise RuntimeError(f"The child that paints a picture ended with {code} ({kind}).")


def _read(said: bytes) -> Painted:
    line, _, jpeg = said.partition(b"\n")
    told = json.loads(line)
    if "fault" in told:
        raise CannotPaint(PhotoFault(told["fault"]))
    return Painted(jpeg, told["width"], told["height"])
