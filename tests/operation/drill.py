"""A restore drill: back up under load, destroy the database, restore it, and count what was lost.

``python -m tests.operation.drill --returns 2000 --clients 8`` on a PostgreSQL of its own. Clients send returns through
the HTTP API all the time and write down what was acknowledged; a backup is taken meanwhile; somebody is erased before
the moment to restore to and somebody after it; then the server dies at once, under load, and its files are gone.

What may be lost and what may not: the log reaches the archive while it is written (pg_receivewal), and a commit does not
wait for that. So of what was acknowledged, the last moments before the disk went may be missing, and nothing older: the
log is a sequence. The log of events is chained under one lock until commit, so its newest restored event is an exact
cut: whatever was acknowledged before the moment of that event must be there. That is counted here.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import secrets
import shutil
import subprocess
import sys
import threading
import time
import uuid
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import psycopg

from tests.operation.cluster import ROOT, Cluster


@dataclass
class Acknowledged:
    """What clients were told is kept: the id of each return, and when the answer came."""

    calls: dict[str, datetime] = field(default_factory=dict)
    refused: int = 0
    rest_s: float = 0.0
    over: threading.Event = field(default_factory=threading.Event)

    def wait_for(self, number: int, seconds: float = 300) -> None:
        """Wait until so many returns were acknowledged."""
        deadline = time.monotonic() + seconds
        while len(self.calls) < number:
            assert time.monotonic() < deadline, f"only {len(self.calls)} of {number} returns were acknowledged"
            time.sleep(0.02)


def manage(*words: str) -> str:
    """Run a command and return what it printed; a failure shows it."""
    answer = subprocess.run(
        [sys.executable, str(ROOT / "manage.py"), *words], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert answer.returncode == 0, f"{words}: {answer.stdout}{answer.stderr}"
    return answer.stdout


def keep_sending(address: str, token: str, payloads: Any, told: Acknowledged) -> None:
    """Send one return after the other until it is over; write down each that was acknowledged."""
    with httpx.Client(base_url=address, timeout=20, headers={"Authorization": f"Bearer {token}"}) as client:
        while not told.over.is_set():
            payload = payloads()
            try:
                answer = client.post(
                    "/api/v1/returns", json=payload, headers={"Idempotency-Key": f'"{payload["id"]}"'}
                )
            except httpx.TransportError:
                continue
            if answer.status_code == 201:
                told.calls[payload["id"]] = datetime.now(UTC)
                time.sleep(told.rest_s)
            else:
                told.refused += 1
                time.sleep(0.05)


def restored_returns(data: Path) -> tuple[set[str], datetime]:
    """Return the returns of a restored folder, and the moment of its newest event."""
    from project.operation.restoring import started

    with started(data) as address, psycopg.connect(address) as line:
        found = {str(row[0]) for row in line.execute("SELECT uuid FROM surveys_return").fetchall()}
        row = line.execute(
            "SELECT max(at) FROM surveys_event WHERE verb NOT IN ('account erased', 'erasures replayed')"
        ).fetchone()
    assert row is not None
    return found, row[0]


def drill(*, returns: int, clients: int, latest: bool, rest_s: float = 0.0) -> dict[str, Any]:
    """Do the drill; return its figures."""
    cluster = Cluster()
    folder = cluster.folder
    os.environ.update({
        "DATABASE_URL": cluster.url(), "TRAPNIGHT_HOME": str(folder / "home"), "DJANGO_SETTINGS_MODULE": "project.settings.test",
        "RELEASES_FOLDER": str(folder / "kept" / "releases"), "EXPORTS_FOLDER": str(folder / "kept" / "exports"),
        "REDIS_URL": "", "SECRET_KEY": secrets.token_urlsafe(64),
    })  # fmt: skip
    backups = folder / "backups"
    receiver: subprocess.Popen[bytes] | None = None
    try:
        import django

        django.setup()
        from django.core.management import call_command

        from project.processes import Crew
        from tests import factories
        from tests.factories import make_account, make_household, make_season, make_site, make_trap, return_payload
        from tests.factories import token_of
        from tests.journeys.conftest import free_port
        from tests.published import publish

        cluster.fill()
        call_command("migrate", verbosity=0)
        factories._numbers = itertools.count(1_000)  # the small database has people of its own
        make_season(code="drill-2026")
        traps = [make_trap(site=make_site(household=make_household())) for _ in range(clients)]
        tokens = [token_of(trap.site.household.keeper) for trap in traps]
        publish({"returns.csv": b"return_id\n1\n", "index.json": b"{}\n"})
        early, late = make_account(), make_account()
        receiver = subprocess.Popen(
            [sys.executable, str(ROOT / "manage.py"), "receive_wal", "--into", str(backups)], cwd=ROOT,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        told = Acknowledged(rest_s=rest_s)
        with Crew(folder / "logs") as crew:
            port = free_port()
            crew.start_web(f"127.0.0.1:{port}", processes=1)
            crowd = [
                threading.Thread(
                    target=keep_sending, daemon=True,
                    args=(f"http://127.0.0.1:{port}", token, lambda trap=trap: return_payload(trap, id=str(uuid.uuid4())), told),
                )
                for trap, token in zip(traps, tokens, strict=True)
            ]  # fmt: skip
            for one in crowd:
                one.start()
            told.wait_for(returns // 4)
            before_backup = len(told.calls)
            begun = time.monotonic()
            protocol = manage("back_up", "--into", str(backups))
            backup_s = time.monotonic() - begun
            during = len(told.calls) - before_backup
            _erase(early)
            told.wait_for(max(returns // 2, len(told.calls) + clients))
            with psycopg.connect(cluster.address()) as line:
                row = line.execute("SELECT clock_timestamp()").fetchone()
                assert row is not None
                until = row[0].astimezone(UTC)
            by_then = len(told.calls)
            told.wait_for(len(told.calls) + clients)
            _erase(late)
            told.wait_for(max(returns, len(told.calls) + clients))
            cluster.destroy()
            destroyed_at = datetime.now(UTC)
            told.over.set()
            for one in crowd:
                one.join(30)
        receiver.terminate()
        receiver.wait(30)
        figures: dict[str, Any] = {
            "acknowledged": len(told.calls), "acknowledged_while_backing_up": during, "backup_s": round(backup_s, 1),
            "backup": protocol.splitlines(), "acknowledged_by_the_moment": by_then,
            "moment": until.isoformat(), "destroyed_at": destroyed_at.isoformat(), "restores": {},
        }  # fmt: skip
        targets = {"moment": until.isoformat()} | ({"latest": "latest"} if latest else {})
        for name, target in targets.items():
            begun = time.monotonic()
            into = folder / f"restored-{name}"
            protocol = manage("restore", "--from", str(backups), "--until", target, "--into", str(into))
            took = time.monotonic() - begun
            found, newest = restored_returns(into / "postgresql")
            cut = min(newest, until) if name == "moment" else newest
            missing = [moment for one, moment in told.calls.items() if one not in found]
            figures["restores"][name] = {
                "restore_s": round(took, 1), "returns": len(found), "newest_event": newest.isoformat(),
                "acknowledged_before_the_cut": sum(moment < cut for moment in told.calls.values()),
                "lost_before_the_cut": sum(moment < cut for moment in missing), "after_the_cut": len(missing),
                "seconds_lost": round(max(((destroyed_at - newest).total_seconds()), 0.0), 3) if name == "latest" else None,
                "later_than_the_moment": newest > until if name == "moment" else None,
                "protocol": protocol.splitlines(),
            }  # fmt: skip
        return figures
    finally:
        if receiver is not None and receiver.poll() is None:
            receiver.kill()
            receiver.wait()
        cluster.remove()
        shutil.rmtree(folder, ignore_errors=True)


def _erase(account: Any) -> None:
    from django.db import connection

    from surveys.services.erasure import erase_account

    erase_account(account=account, by=account)
    connection.close()


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--returns", type=int, default=2000)
    words.add_argument("--clients", type=int, default=8)
    words.add_argument("--rest", type=float, default=0.0, help="seconds that a client rests after each return")
    words.add_argument("--small", action="store_true", help="restore to the moment only")
    given = words.parse_args()
    print(json.dumps(drill(returns=given.returns, clients=given.clients, latest=not given.small, rest_s=given.rest), indent=1))


if __name__ == "__main__":
    main()
