"""The processes that a piece of work starts, those that they start in turn, and the highest memory of each."""

from __future__ import annotations

import os
import threading
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter
from types import TracebackType

#: Seconds between two looks. The kernel keeps the highest memory, so that only the last moments can be missed.
EVERY_S = 0.25
_PROC = Path("/proc")


@dataclass(slots=True)
class Seen:
    """A process: ``highest_mb`` of memory, and for how many seconds of the work it was seen, ``first`` to ``last``."""

    pid: int
    first: float
    last: float
    highest_mb: float


class ProcessesSeen:
    """Watches the descendants of this process while work is done. Linux only."""

    def __init__(self) -> None:
        self.seen: dict[int, Seen] = {}
        self._enough, self._begun = threading.Event(), perf_counter()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> ProcessesSeen:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        self._enough.set()
        self._thread.join()

    def say(self) -> None:
        """Print a line for each process."""
        for one in sorted(self.seen.values(), key=lambda one: one.first):
            print(f"    process from {one.first:6.1f} to {one.last:6.1f} s: {one.highest_mb:5.0f} MB at most")

    def _watch(self) -> None:
        while not self._enough.wait(EVERY_S):
            now = perf_counter() - self._begun
            for pid in _descendants(os.getpid()):
                found = self.seen.setdefault(pid, Seen(pid, now, now, 0.0))
                found.last, found.highest_mb = now, max(found.highest_mb, _highest(pid))


def _descendants(pid: int) -> list[int]:
    """Return the processes that a process has started, and those that they have."""
    found: list[int] = []
    for task in _listed(_PROC / str(pid) / "task"):
        try:
            children = (task / "children").read_text().split()
        except OSError:
            continue
        for child in map(int, children):
            found += [child, *_descendants(child)]
    return found


def _listed(folder: Path) -> list[Path]:
    try:
        return list(folder.iterdir())
    except OSError:
        return []


def _highest(pid: int) -> float:
    """Return the highest memory of a process so far in MB, 0 where it has ended."""
    try:
        status = (_PROC / str(pid) / "status").read_text()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmHWM")), 0.0)
