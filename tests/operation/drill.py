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
                answer = client.post("/api/v1/returns", json=payload, headers={"Idempotency-Key": f'"{payload["id"]}"'})
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


@dataclass
class World:
    """What the drill works on: gardens whose people send, two who leave, and where everything is."""

    cluster: Cluster
    told: Acknowledged
    traps: list[Any]
    tokens: list[str]
    early: Any
    late: Any

    @property
    def backups(self) -> Path:
        """The folder of archive and backups."""
        return self.cluster.folder / "backups"


def point_at(cluster: Cluster) -> None:
    """Point this process, and those that it starts, at the drill's own database and folders."""
    folder = cluster.folder
    os.environ.update({
        "DATABASE_URL": cluster.url(), "TRAPNIGHT_HOME": str(folder / "home"), "DJANGO_SETTINGS_MODULE": "project.settings.test",
        "RELEASES_FOLDER": str(folder / "kept" / "releases"), "EXPORTS_FOLDER": str(folder / "kept" / "exports"),
        "REDIS_URL": "", "SECRET_KEY": secrets.token_urlsafe(64),
    })  # fmt: skip
    import django

    django.setup()


def prepare(cluster: Cluster, *, clients: int, rest_s: float) -> World:
    """Fill the database: the small one of 0009, gardens that send, a release, and two who will leave."""
    from django.core.management import call_command

    from tests import factories
    from tests.published import publish

    cluster.fill()
    call_command("migrate", verbosity=0)
    factories._numbers = itertools.count(1_000)  # the small database has people of its own
    factories.make_season(code="drill-2026")
    traps = [factories.make_trap() for _ in range(clients)]
    tokens = [factories.token_of(trap.site.household.keeper) for trap in traps]
    publish({"returns.csv": b"return_id\n1\n", "index.json": b"{}\n"})
    return World(
        cluster, Acknowledged(rest_s=rest_s), traps, tokens, factories.make_account(), factories.make_account()
    )


def start_clients(world: World, address: str) -> list[threading.Thread]:
    """Let everybody send, each from a line of their own."""
    from tests.factories import return_payload

    crowd = [
        threading.Thread(
            target=keep_sending, daemon=True,
            args=(address, token, lambda trap=trap: return_payload(trap, id=str(uuid.uuid4())), world.told),
        )
        for trap, token in zip(world.traps, world.tokens, strict=True)
    ]  # fmt: skip
    for one in crowd:
        one.start()
    return crowd


def lose_it_under_load(world: World, *, returns: int) -> tuple[dict[str, Any], datetime, datetime]:
    """Back up under load, erase, go on, and destroy; return figures, the moment to restore to, and that of the loss."""
    told, more = world.told, len(world.traps)
    told.wait_for(returns // 4)
    before, begun = len(told.calls), time.monotonic()
    protocol = manage("back_up", "--into", str(world.backups))
    took, during = time.monotonic() - begun, len(told.calls) - before
    _erase(world.early)
    told.wait_for(max(returns // 2, len(told.calls) + more))
    with psycopg.connect(world.cluster.address()) as line:
        row = line.execute("SELECT clock_timestamp()").fetchone()
    assert row is not None
    until, by_then = row[0].astimezone(UTC), len(told.calls)
    told.wait_for(len(told.calls) + more)
    _erase(world.late)
    told.wait_for(max(returns, len(told.calls) + more))
    world.cluster.destroy()
    figures = {
        "acknowledged_while_backing_up": during, "backup_s": round(took, 1), "backup": protocol.splitlines(),
        "acknowledged_by_the_moment": by_then, "moment": until.isoformat(),
    }  # fmt: skip
    return figures, until, datetime.now(UTC)


def restore_and_count(world: World, *, name: str, until: datetime | None, destroyed_at: datetime) -> dict[str, Any]:
    """Restore to a moment, or to the end of the archive; count what was acknowledged and is not there."""
    into, begun = world.cluster.folder / f"restored-{name}", time.monotonic()
    target = until.isoformat() if until else "latest"
    protocol = manage("restore", "--from", str(world.backups), "--until", target, "--into", str(into))
    took = time.monotonic() - begun
    found, newest = restored_returns(into / "postgresql")
    cut = min(newest, until) if until else newest
    missing = [moment for one, moment in world.told.calls.items() if one not in found]
    return {
        "restore_s": round(took, 1), "returns": len(found), "newest_event": newest.isoformat(),
        "acknowledged_before_the_cut": sum(moment < cut for moment in world.told.calls.values()),
        "lost_before_the_cut": sum(moment < cut for moment in missing), "lost_after_the_cut": len(missing),
        "seconds_from_the_cut_to_the_loss": round((destroyed_at - newest).total_seconds(), 3),
        "later_than_the_moment": newest > until if until else None, "protocol": protocol.splitlines(),
    }  # fmt: skip


def drill(*, returns: int, clients: int, latest: bool, rest_s: float = 0.0) -> dict[str, Any]:
    """Do the drill; return its figures."""
    cluster = Cluster()
    receiver: subprocess.Popen[bytes] | None = None
    try:
        point_at(cluster)
        from project.processes import Crew
        from tests.journeys.conftest import free_port

        world = prepare(cluster, clients=clients, rest_s=rest_s)
        receiver = subprocess.Popen(
            [sys.executable, str(ROOT / "manage.py"), "receive_wal", "--into", str(world.backups)], cwd=ROOT,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        with Crew(cluster.folder / "logs") as crew:
            address = f"127.0.0.1:{free_port()}"
            crew.start_web(address, processes=1)
            crowd = start_clients(world, f"http://{address}")
            try:
                figures, until, destroyed_at = lose_it_under_load(world, returns=returns)
            finally:
                world.told.over.set()
            for one in crowd:
                one.join(30)
        receiver.terminate()
        receiver.wait(30)
        targets = {"moment": until} | ({"latest": None} if latest else {})
        figures["acknowledged"] = len(world.told.calls)
        figures["restores"] = {
            name: restore_and_count(world, name=name, until=target, destroyed_at=destroyed_at)
            for name, target in targets.items()
        }
        return figures
    finally:
        if receiver is not None and receiver.poll() is None:
            receiver.kill()
            receiver.wait()
        cluster.remove()


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
    print(
        json.dumps(
            drill(returns=given.returns, clients=given.clients, latest=not given.small, rest_s=given.rest), indent=1
        )
    )


if __name__ == "__main__":
    main()
