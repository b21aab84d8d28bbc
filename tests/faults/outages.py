"""What is answered while the disk is full, the database read-only, recovering or away, or the broker away; what is left.

``python -m tests.faults.outages`` on a cluster, broker and web server of its own. As root the cluster lies on a small
memory file system, mounted in a mount namespace of this process alone (unshare(2)), so that it goes with the process;
elsewhere the full disks are left out, and a line says so. Each trouble ends by itself in the end: no program but
PostgreSQL, which a full log ends, is started again.
"""

from __future__ import annotations

import argparse
import ctypes
import os
import random
import subprocess
import sys
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import httpx
import psycopg

from tests.faults.comparing import compare
from tests.faults.sending import Gardener, Ledger, Sending, make_gardeners, make_sendings
from tests.faults.stack import Stack, wait_until

CLONE_NEWNS, MS_REC, MS_PRIVATE = 0x00020000, 0x4000, 1 << 18  # linux/sched.h, linux/mount.h


def mount_small(folder: Path, megabytes: int) -> None:
    """Put a memory file system on a folder; raise OSError or CalledProcessError where that is not allowed."""
    words = ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m,mode=755", "tmpfs", str(folder)]
    subprocess.run(words, check=True, capture_output=True)


def leave_mounts_to_this_process() -> None:
    """Give this process a mount namespace of its own; what is mounted in it ends with it, whatever ends it."""
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.unshare(CLONE_NEWNS) or libc.mount(b"none", b"/", None, MS_REC | MS_PRIVATE, None):
        raise OSError(ctypes.get_errno(), "no mount namespace of one's own")


class Outages:
    """One trouble after another on a stack; says of each what was answered, and remembers what was wrong."""

    def __init__(self, stack: Stack) -> None:
        from tests.factories import make_season

        make_season()
        self.stack = stack
        self.gardener: Gardener = make_gardeners(1)[0]
        self.waiting = self._singles()
        self.sent: list[Sending] = []
        self.ledger = Ledger(stack.folder / "ledger.jsonl")
        self.client = httpx.Client(base_url=f"http://{stack.web}", timeout=60)
        self.wrong: list[str] = []

    def _singles(self) -> list[Sending]:
        return [one for one in make_sendings([self.gardener], 9000, random.Random(7)) if one.path == "returns"]

    def check(self, name: str, answer: httpx.Response, *, status: int, words: str = "", page: bool = False) -> None:
        """Print what was answered; remember it where it is not what it should be."""
        kind = answer.headers.get("content-type", "")
        wanted = "text/html" if page else "application/problem+json" if status >= 400 else "application/json"
        fine = answer.status_code == status and kind.startswith(wanted) and words in answer.text
        if status == 503:
            fine = fine and answer.headers.get("retry-after", "").isdigit() and "Traceback" not in answer.text
        said = answer.json().get("detail", "") if kind == "application/problem+json" else ""
        print(f"{name:44}{answer.status_code} {'as it should' if fine else 'WRONG'}  {said[:100]}", flush=True)
        if not fine:
            self.wrong.append(f"{name}: {answer.status_code} {kind} {answer.text[:300]}")

    def send(self, sending: Sending | None = None) -> httpx.Response:
        """Send a return, the next one or one again; write it down where it is acknowledged."""
        sending = sending or self.waiting.pop()
        if sending not in self.sent:
            self.sent.append(sending)
        headers = {"Authorization": f"Bearer {sending.token}", "Idempotency-Key": f'"{sending.key}"'}
        answer = self.client.post(f"/api/v1/{sending.path}", json=sending.body, headers=headers)
        if answer.status_code in (200, 201):
            self.ledger.write(key=sending.key, path=sending.path, status=answer.status_code)
        return answer

    def read(self) -> httpx.Response:
        """Read one's own returns."""
        return self.client.get("/api/v1/returns", headers={"Authorization": f"Bearer {self.gardener.token}"})

    def sign_in(self) -> httpx.Response:
        """Send the form that writes a session."""
        from tests.factories import PASSWORD

        with httpx.Client(base_url=f"http://{self.stack.web}", timeout=60) as browser:
            page = browser.get("/sign-in")
            token = page.text.split('name="csrfmiddlewaretoken" value="')[1].split('"')[0]
            email = self.gardener.traps[0].site.household.keeper.email
            form = {"csrfmiddlewaretoken": token, "email": email, "password": PASSWORD}
            return browser.post("/sign-in", data=form, headers={"Referer": f"http://{self.stack.web}/sign-in"})

    def send_until(self, fine: Callable[[httpx.Response], bool], most: int = 1500) -> httpx.Response:
        """Send returns until one is answered so."""
        for _ in range(most):
            answer = self.send()
            if fine(answer):
                return answer
        raise RuntimeError(f"{most} returns were sent and none was answered as awaited")

    def recovers(self, name: str) -> None:
        """Send what was refused once more, until it is taken."""
        refused = self.sent[-1]

        def taken() -> bool:
            with suppress(httpx.TransportError):
                return self.send(refused).status_code in (200, 201)
            return False

        wait_until(taken, f"{name}: taken once it is over", 90)
        print(f"{name + ', once it is over':44}taken", flush=True)

    def read_only(self) -> None:
        """Switch the database to reading, as an operator does before a move."""
        self._server("ALTER SYSTEM SET default_transaction_read_only = on", "SELECT pg_reload_conf()")
        wait_until(lambda: self._shown("default_transaction_read_only") == "on", "read-only", 10)
        self.check("read-only: sending", self.send(), status=503, words="takes nothing in")
        self.check("read-only: reading", self.read(), status=200)
        self.check("read-only: reading a page", self.client.get("/"), status=200, page=True)
        self.check("read-only: signing in", self.sign_in(), status=503, words="cannot save", page=True)
        self._server(
            "SET default_transaction_read_only = off", "ALTER SYSTEM RESET default_transaction_read_only",
            "SELECT pg_reload_conf()",
        )  # fmt: skip
        self.recovers("read-only")

    def recovery(self) -> None:
        """Let the database come up as a standby, as after a restore that nobody has ended yet."""
        self.stack.cluster.stop("fast")
        signal = self.stack.cluster.data / "standby.signal"
        signal.touch()
        self.stack.cluster.own(signal)
        self.stack.cluster.start()
        self.check("in recovery: sending", self.send(), status=503, words="takes nothing in")
        self.check("in recovery: reading", self.read(), status=200)
        self.stack.cluster.run("pg_ctl", "-D", str(self.stack.cluster.data), "-w", "promote")
        self.recovers("in recovery")

    def away(self) -> None:
        """Take the database away."""
        self.stack.cluster.stop("immediate")
        self.check("database away: sending", self.send(), status=503, words="cannot reach its database")
        self.check("database away: reading", self.read(), status=503, words="cannot reach its database")
        self.check("database away: signing in", self.sign_in(), status=503, words="cannot reach", page=True)
        self.check("database away: open figures", self.client.get("/api/v1/seasons"), status=503)
        self.stack.cluster.start()
        self.recovers("database away")

    def broker_away(self) -> None:
        """Take the broker away, which is the cache as well: nothing is lost, as the tables hold what is to do."""
        self.stack.broker.kill()
        self.check("broker away: sending", self.send(), status=201)
        self.check("broker away: reading", self.read(), status=200)
        self.check("broker away: signing in", self.sign_in(), status=302, page=True)
        self.stack.broker.start()

    def disk_full(self) -> None:
        """Fill the disk of the tables, then make room again."""
        with Full(self.stack.cluster.folder):
            answer = self.send_until(lambda one: one.status_code != 201)
            self.check("disk full: sending", answer, status=503, words="no room")
            self.check("disk full: reading", self.read(), status=200)
            self.check("disk full: reading a page", self.client.get("/"), status=200, page=True)
        self.recovers("disk full")

    def log_full(self, wal: Path) -> None:
        """Fill the disk of the write-ahead log: PostgreSQL ends all sessions, and cannot come up before there is room."""
        with Full(wal):
            with suppress(psycopg.Error):  # it ends in the midst of this
                self._server(
                    "SELECT pg_logical_emit_message(true, 'ballast', repeat('x', 1000000)) FROM generate_series(1, 90)"
                )
            self.check("log full: sending", self.send(), status=503)
            self.check("log full: signing in", self.sign_in(), status=503, page=True)
        if not self.stack.cluster.runs():
            print(f"{'log full':44}PostgreSQL had ended, and is started again as Compose does", flush=True)
            self.stack.cluster.start()
        self.recovers("log full")

    def _server(self, *statements: str) -> None:
        with psycopg.connect(self.stack.cluster.address("postgres"), autocommit=True) as line:
            for one in statements:
                line.execute(one)  # type: ignore[call-overload]

    def _shown(self, name: str) -> Any:
        with psycopg.connect(self.stack.cluster.address("trapnight")) as line:
            return line.execute(f"SHOW {name}").fetchone()[0]  # type: ignore[index, call-overload]


class Full:
    """A disk without room while it is entered: a file takes all that is left."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "takes-all-that-is-left"

    def __enter__(self) -> None:
        with suppress(OSError), self.file.open("wb", buffering=0) as file:
            for size in (1 << 20, 4096):
                with suppress(OSError):
                    while file.write(b"\0" * size) == size:
                        pass

    def __exit__(self, *fault: object) -> None:
        self.file.unlink()


def main() -> None:
    """Play all of it and print what was answered."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--without-disks", action="store_true", help="leave the full disks out")
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="faults-"))
    folder.chmod(0o755)
    wal = None if asked.without_disks else small_disks(folder)
    with Stack(workers=0, beats=0, folder=folder, wal=wal and wal / "wal") as stack:
        sys.exit(play(stack, wal))


def small_disks(folder: Path) -> Path | None:
    """Mount one small disk for the tables and one for the log; return that of the log, None where it is not allowed."""
    disks = folder / "postgresql", folder / "log"
    try:
        if os.geteuid() != 0:
            raise PermissionError("only root may mount")
        leave_mounts_to_this_process()
        for disk, megabytes in zip(disks, (110, 100), strict=True):
            disk.mkdir()
            mount_small(disk, megabytes)
    except (OSError, subprocess.CalledProcessError) as fault:
        print(f"Left out: full disks, as nothing can be mounted here ({fault}).", flush=True)
        return None
    disks[1].chmod(0o777)  # PostgreSQL runs as somebody else, and only this process sees it
    return disks[1]


def play(stack: Stack, wal: Path | None) -> int:
    """Play it on a stack. Returns how many answers or rows were not what they should be."""
    outages = Outages(stack)
    stack.start("web")
    stack.wait_for_web()
    outages.check("before all: sending", outages.send(), status=201)
    outages.read_only()
    outages.recovery()
    outages.away()
    outages.broker_away()
    if wal is not None:
        outages.disk_full()
        outages.log_full(wal)
    found = compare(stack.environment["DATABASE_URL"], outages.sent, outages.ledger.lines())
    chain = stack.manage("check_log")
    print(f"{'returns stored / acknowledged':44}{found.returns} / {found.acknowledged}")
    for name, figure in (("lost acknowledged", found.lost), ("duplicates", found.twice), ("half-written", found.half)):
        print(f"{name:44}{len(figure)}")
        outages.wrong += figure
    print(f"{'the log':44}{(chain.stdout or chain.stderr).strip()}", flush=True)
    for one in outages.wrong[:10]:
        print(f"    {one}")
    return len(outages.wrong) + bool(chain.returncode)


if __name__ == "__main__":
    main()
