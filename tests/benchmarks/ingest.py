"""Taking returns in: single ones beside a bare view with one INSERT, and many at once beside COPY.

``python -m tests.benchmarks.ingest`` makes a database of its own, starts the web server of every day (two processes,
eight threads each) and sends returns to it over HTTP: token, rate limit, key, protocol check, log. In turns with it,
in the same run and the same server, its peers: a bare view of Django REST framework that reads the same body by one
serializer and does one INSERT, without a token, a key, a check or a log (``bare_urls.py``); and for many returns at
once PostgreSQL's COPY of the very rows that were stored. Prints returns a second of each, and their ratio.

``--within`` measures single returns within this process as well, without a server: the service by a client of Django
with all middleware, the bare view without any.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import uuid
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from http.client import HTTPConnection
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from time import perf_counter, process_time
from typing import Any

from tests.benchmarks import large_season
from tests.faults.stack import free_port

NAME = "trapnight_ingest"
#: Tables into which a return is stored, in the order of their keys.
STORED = ("surveys_return", "surveys_catch")


def body_of(trap: Any, number: int, groups: tuple[str, ...]) -> dict[str, Any]:
    """Return a return as a phone sends it, each of a night of its own."""
    set_at = datetime(2026, 4, 1, 17, 30, tzinfo=UTC) + timedelta(days=number % 60)
    return {
        "id": str(uuid.uuid4()),
        "trap": str(trap.public_id),
        "set_at": set_at.isoformat(),
        "emptied_at": (set_at + timedelta(hours=23.5)).isoformat(),
        "habitat": "short_lawn",
        "mouth_mm": 75,
        "material": "plastic",
        "rim": "flush",
        "cover": "present",
        "refuge": "moss_or_grass",
        "trap_state": "intact",
        "looked_for_all": "yes",
        "catch": [
            {"group": group, "answer": "number", "count": 1 + (number + place) % 9}
            if place % 2
            else {"group": group, "answer": "none_seen"}
            for place, group in enumerate(groups)
        ],
    }


class Sender:
    """A household with its traps and a token; posts bodies through the whole application."""

    def __init__(self, *, keeper: Any, traps: list[Any], groups: tuple[str, ...]) -> None:
        from django.db import connection
        from django.test import Client
        from rest_framework.test import APIRequestFactory

        from tests.benchmarks.bare_urls import TABLE, Bare
        from tests.factories import token_of

        with connection.cursor() as cursor:
            cursor.execute(TABLE)
        self.traps, self.groups, self.token = traps, groups, token_of(keeper)
        self.client = Client(headers={"Authorization": f"Bearer {self.token}"})
        self.requests = APIRequestFactory()
        self.bare = Bare.as_view()
        self.sent = 0

    def bodies(self, many: int) -> list[dict[str, Any]]:
        """Return bodies that were not sent yet."""
        found = [
            body_of(self.traps[(self.sent + n) // 60 % len(self.traps)], self.sent + n, self.groups)
            for n in range(many)
        ]
        self.sent += many
        return found

    def ours(self, body: Any, where: str = "/api/v1/returns") -> Any:
        """Post to the service."""
        answer = self.client.post(
            where, json.dumps(body), "application/json", headers={"Idempotency-Key": f'"{uuid.uuid4()}"'}
        )
        assert answer.status_code in (200, 201), answer.content
        return answer

    def peer(self, body: Any) -> None:
        """Post to the bare view."""
        answer = self.bare(self.requests.post("/bare", json.dumps(body), content_type="application/json")).render()
        assert answer.status_code == 201, answer.data


def rate(work: Any, bodies: list[Any]) -> tuple[float, float]:
    """Return how many a second, and milliseconds of this process's own work for each."""
    begun, busy = perf_counter(), process_time()
    for body in bodies:
        work(body)
    return len(bodies) / (perf_counter() - begun), 1000 * (process_time() - busy) / len(bodies)


def singles(sender: Sender, rounds: int, each: int) -> None:
    """Measure single returns within this process beside the bare view, in turns."""
    ours, peer = [], []
    for _ in range(rounds):
        peer.append(rate(sender.peer, sender.bodies(each)))
        ours.append(rate(sender.ours, sender.bodies(each)))
    ratio = median(one[0] / other[0] for one, other in zip(ours, peer, strict=True))
    print(
        f"within a process: {median(r for r, _ in ours):7.0f} a second ({median(m for _, m in ours):.1f} ms of Python)"
        f"   bare view: {median(r for r, _ in peer):7.0f} ({median(m for _, m in peer):.1f} ms)   ratio {ratio:.2f}",
        flush=True,
    )


class Served:
    """Sends bodies to a server over connections that stay open, each by a thread of its own."""

    def __init__(self, address: str, token: str) -> None:
        self.address = address
        self.headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}

    def rate(self, path: str, bodies: list[Any], lines: int) -> float:
        """Return how many bodies were answered a second, sent over so many connections at once."""
        ready = [json.dumps(body).encode() for body in bodies]
        with ThreadPoolExecutor(lines) as crowd:
            begun = perf_counter()
            done = sum(crowd.map(lambda line: self._send(path, ready[line::lines]), range(lines)))
            took = perf_counter() - begun
        assert done == len(bodies)
        return done / took

    def _send(self, path: str, bodies: list[bytes]) -> int:
        line = HTTPConnection(self.address, timeout=60)
        for body in bodies:
            line.request("POST", path, body, {**self.headers, "Idempotency-Key": f'"{uuid.uuid4()}"'})
            answer = line.getresponse()
            said = answer.read()
            assert answer.status in (200, 201), said
        line.close()
        return len(bodies)


def served_singly(served: Served, sender: Sender, rounds: int, each: int, lines: int) -> None:
    """Measure single returns beside the bare view of the same server, in turns."""
    ours, peer = [], []
    for turn in range(rounds + 1):
        other = served.rate("/bare", sender.bodies(each), lines)
        own = served.rate("/api/v1/returns", sender.bodies(each), lines)
        if turn:  # the first is for what is read once
            peer.append(other)
            ours.append(own)
    ratios = sorted(one / other for one, other in zip(ours, peer, strict=True))
    print(
        f"single returns over {lines} line(s): {median(ours):7.0f} a second   bare view: {median(peer):7.0f}"
        f"   ratio {median(ratios):.2f} ({ratios[0]:.2f} to {ratios[-1]:.2f})",
        flush=True,
    )


def many_at_once(served: Served, sender: Sender, rounds: int, each: int, lines: int) -> None:
    """Measure sendings of many returns beside COPY of what they stored."""
    from django.db import connection

    ours, peer = [], []
    for _ in range(rounds):
        with connection.cursor() as cursor:
            cursor.execute("SELECT coalesce(max(id), 0) FROM surveys_return")
            last = cursor.fetchone()[0]
        sendings = [{"returns": sender.bodies(each)} for _ in range(4 * lines)]
        ours.append(each * served.rate("/api/v1/returns/batch", sendings, lines))
        with connection.cursor() as cursor:
            cursor.execute("SELECT count(*) FROM surveys_return WHERE id > %s", [last])
            assert cursor.fetchone()[0] == each * len(sendings)
        peer.append(each * len(sendings) / copy_again(last))
    ratio = median(one / other for one, other in zip(ours, peer, strict=True))
    print(
        f"{each} at once over {lines} line(s): {median(ours):7.0f} a second ({min(ours):.0f} to {max(ours):.0f})"
        f"   COPY of the same rows: {median(peer):7.0f}   ratio {ratio:.3f}",
        flush=True,
    )


def copy_again(last: int) -> float:
    """Copy the rows of all returns after ``last`` into tables of the same columns, and return the seconds."""
    from django.db import connection

    with connection.cursor() as cursor:
        texts = {}
        for table in STORED:
            key = "id" if table == "surveys_return" else "report_id"
            cursor.execute(f"CREATE TABLE IF NOT EXISTS peer_{table} (LIKE {table} INCLUDING ALL)")
            cursor.execute(
                "SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum) FROM pg_attribute"
                " WHERE attrelid = %s::regclass AND attnum > 0 AND NOT attisdropped AND attgenerated = ''", [table]
            )  # fmt: skip
            columns = cursor.fetchone()[0]
            out = io.BytesIO()
            asked = f"COPY (SELECT {columns} FROM {table} WHERE {key} > {last}) TO STDOUT"
            with cursor.copy(asked) as copy:
                for block in copy:
                    out.write(block)
            texts[f"peer_{table} ({columns})"] = out.getvalue()
        begun = perf_counter()
        for table, text in texts.items():
            with cursor.copy(f"COPY {table} FROM STDIN") as copy:
                copy.write(text)
        return perf_counter() - begun


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--each", type=int, default=300)
    parser.add_argument("--within", action="store_true", help="measure within this process, too")
    parser.add_argument("--at-once", type=int, default=500)
    asked = parser.parse_args()
    large_season.NAME = NAME
    os.environ.setdefault("API_REQUESTS_PER_MINUTE", "1000000000")
    from project import embedded

    embedded.provide_services(broker=True)
    large_season.use_large_database(afresh=True)
    from django.core.management import call_command
    from django.test.utils import setup_test_environment

    setup_test_environment()
    call_command("migrate", verbosity=0)
    from tests.factories import GROUPS, make_season, make_site, make_trap

    make_season()
    site = make_site()
    traps = [make_trap(site=site) for _ in range(40)]
    sender = Sender(keeper=site.household.keeper, traps=traps, groups=tuple(code for code, *_ in GROUPS))
    if asked.within:
        singles(sender, 1, 20)
        singles(sender, asked.rounds, asked.each)
    from project.processes import Crew

    environment = {"DJANGO_SETTINGS_MODULE": "tests.benchmarks.bare_settings"}
    with TemporaryDirectory() as folder, Crew(Path(folder), environment) as crew:
        address = f"127.0.0.1:{free_port()}"
        crew.start_web(address)
        served = Served(address, sender.token)
        for lines in (8, 1):
            served_singly(served, sender, asked.rounds, asked.each, lines)
        for lines in (2, 1):
            many_at_once(served, sender, asked.rounds, asked.at_once, lines)
    print(f"load {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
