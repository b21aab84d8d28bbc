"""The quick part of the faults: each program here plays for the full figure when it is run by itself."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from tests.factories import ROOT
from tests.faults.sending import Ledger


def play(name: str, *words: str) -> str:
    """Play a program of this package in a process of its own; return what it printed. It must end with 0."""
    done = subprocess.run(
        [sys.executable, "-m", f"tests.faults.{name}", *words],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=900,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr[-4000:]
    return done.stdout


def figure(printed: str, name: str) -> str:
    """Return what stands behind a name in what was printed."""
    found = re.search(rf"^{re.escape(name)}\s{{2,}}(.*)$", printed, re.MULTILINE)
    assert found, f"{name!r} was not printed:\n{printed}"
    return found[1].strip()


def test_kills_lose_double_tear_and_jam_nothing() -> None:
    printed = play("kills", "--kills", "12", "--returns", "150", "--seed", "3", "--every", "1", "--lease", "4")
    assert int(figure(printed, "kills (SIGKILL)").split(":")[0]) >= 9
    stored, acknowledged = map(int, figure(printed, "returns stored / acknowledged").split("/"))
    assert stored == acknowledged == 150
    for name in (
        "lost acknowledged", "duplicates", "half-written", "stuck jobs", "breaks of the log's chain",
        "figures that differ from a calm night", "answers that no client should get",
    ):  # fmt: skip
        assert figure(printed, name) == "0", printed


def test_a_night_fired_many_times_is_shown_once() -> None:
    printed = play("one_night", "--firings", "16", "--returns", "40", "--workers", "2")
    assert figure(printed, "results published") == "1"
    assert figure(printed, "no-ops") == "15"


def test_full_disks_a_database_that_is_away_and_a_broker_that_is_away_lose_nothing() -> None:
    printed = play("outages")
    assert figure(printed, "lost acknowledged") == "0"
    assert "WRONG" not in printed
    for name in ("read-only", "in recovery", "database away"):
        assert figure(printed, f"{name}, once it is over") == "taken"
    # Where nothing may be mounted the program says in a line that it left the full disks out.
    if "Left out: full disks" not in printed:
        assert figure(printed, "disk full, once it is over") == figure(printed, "log full, once it is over") == "taken"


def test_no_mount_is_left_behind() -> None:
    assert "faults-" not in Path("/proc/self/mounts").read_text()


def test_a_ledger_keeps_what_was_written_before_it_was_opened(tmp_path: Path) -> None:
    Ledger(tmp_path / "ledger").write(key="a")
    again = Ledger(tmp_path / "ledger")
    again.write(key="b")
    assert again.lines() == [{"key": "a"}, {"key": "b"}]
