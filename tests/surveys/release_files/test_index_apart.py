"""Work in a process of its own: where it is done, what comes back, and that nothing of it is left behind."""

from __future__ import annotations

import fcntl
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from time import monotonic, sleep

import pytest

from surveys.release_files.index_apart import apart

ROOT = Path(__file__).resolve().parents[3]
#: Seconds after which what is waited for will not come any more.
PATIENCE_S = 60

#: Holds a lock as long as it lives, says that it does, and works for ever.
HOLDER = """
import fcntl, pathlib, time
file = open({lock!r}, "w")
fcntl.flock(file, fcntl.LOCK_EX)
pathlib.Path({held!r}).touch()
while True:
    time.sleep(1)
"""
ASKING = """
from surveys.release_files.index_apart import apart
if __name__ == "__main__":
    apart(exec)({work!r})
"""


def process_of(_: None) -> int:
    return os.getpid()


def wait_until(holds: Callable[[], bool]) -> None:
    until = monotonic() + PATIENCE_S
    while not holds():
        assert monotonic() < until
        sleep(0.05)


def test_work_apart_is_done_in_another_process_which_gives_back_what_it_found() -> None:
    assert apart(process_of)(None) != os.getpid()
    assert apart(os.path.abspath)(".") == str(Path.cwd())


def test_what_it_raises_and_its_death_are_told() -> None:
    with pytest.raises(ValueError, match="invalid literal"):
        apart(int)("eleven")
    with pytest.raises(RuntimeError, match="terminated abruptly"):
        apart(os._exit)(1)


def test_it_does_not_outlive_the_process_that_asked_for_it(tmp_path: Path) -> None:
    lock, held = tmp_path / "lock", tmp_path / "held"
    work = HOLDER.format(lock=str(lock), held=str(held))
    with subprocess.Popen([sys.executable, "-c", ASKING.format(work=work)], cwd=ROOT, stderr=subprocess.DEVNULL) as one:
        wait_until(held.exists)
        one.kill()
    with lock.open("w") as file:

        def is_free() -> bool:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                return False
            return True

        wait_until(is_free)
