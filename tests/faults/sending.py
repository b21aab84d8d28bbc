"""Clients that send returns over HTTP until they are told that they are stored, and a ledger of what they were told."""

from __future__ import annotations

import json
import os
import random
import threading
import time
import uuid
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

import httpx

#: Returns that a batch of the load holds.
OF_A_BATCH = 10
#: Status codes after which a client sends the same again: not now, being worked on, or something in front went away.
AGAIN = frozenset({409, 429, 502, 503, 504})


@dataclass(frozen=True, slots=True)
class Sending:
    """One request that is repeated until it is answered: its address, body, key and who sends it."""

    path: str
    body: dict[str, Any]
    key: str
    token: str
    account: int

    @property
    def returns(self) -> list[dict[str, Any]]:
        """The returns inside."""
        many: list[dict[str, Any]] = self.body.get("returns", [self.body])
        return many


@dataclass(frozen=True, slots=True)
class Gardener:
    """Who sends: the account, its token and its traps."""

    account: int
    token: str
    traps: Sequence[Any]


class Ledger:
    """A file that only grows: a line for each acknowledged answer, on disk before the client goes on."""

    def __init__(self, file: Path) -> None:
        self.file, self._lock = file, threading.Lock()
        self._open = file.open("a")

    def write(self, **line: Any) -> None:
        """Write one line and wait until it is on disk."""
        with self._lock:
            self._open.write(json.dumps(line) + "\n")
            self._open.flush()
            os.fsync(self._open.fileno())

    def lines(self) -> list[dict[str, Any]]:
        """Return what stands in it."""
        return [json.loads(line) for line in self.file.read_text().splitlines()]


def make_gardeners(number: int) -> list[Gardener]:
    """Open accounts with a garden, two traps and a token each."""
    from surveys.services.tokens import make_token
    from surveys.vocabulary import TokenScope
    from tests.factories import make_household, make_site, make_trap

    found = []
    for n in range(number):
        site = make_site(household=make_household(), region="eastmark" if n % 2 else "westmark")
        keeper = site.household.keeper
        secret = make_token(by=keeper, name="faults", scopes=[TokenScope.SEND]).secret
        found.append(Gardener(keeper.pk, secret, [make_trap(site=site), make_trap(site=site, habitat="hedge_base")]))
    return found


def make_sendings(gardeners: Sequence[Gardener], returns: int, draw: random.Random) -> list[Sending]:
    """Return requests that hold so many returns together: most of one, some of several."""
    from tests.factories import return_payload

    #: First days of the windows of :func:`tests.factories.make_season`, with the nights that a window has to give.
    windows = [(date(2026, 4, 1), 58), (date(2026, 6, 15), 58), (date(2026, 9, 1), 50)]
    used: Counter[int] = Counter()

    def one(gardener: Gardener) -> dict[str, Any]:
        place = draw.randrange(len(gardener.traps))
        trap = gardener.traps[place]
        turn = used[trap.pk]
        used[trap.pk] += 1
        first, nights = windows[turn % 3]
        day = first + timedelta(days=turn // 3 * 2 % nights)
        set_at = datetime(day.year, day.month, day.day, 17)  # its offset is written beside it
        payload = return_payload(
            trap, id=str(uuid.UUID(int=draw.getrandbits(128), version=4)),
            set_at=f"{set_at.isoformat()}Z", emptied_at=f"{(set_at + timedelta(days=1)).isoformat()}Z",
        )  # fmt: skip
        payload["catch"][0]["count"] = 1 + int(draw.gammavariate(1.2, 6))
        payload["catch"][3]["count"] = 1 + int(draw.gammavariate(2, 1.5))
        payload["catch"][4]["count"] = 1 + int(draw.gammavariate(0.8, 4))
        if draw.random() < 0.1:
            payload["guard"] = "no_guard"
            payload.pop("guard_hole_mm")
        return payload

    found: list[Sending] = []
    left = returns
    while left > 0:
        gardener = draw.choice(gardeners)
        key = str(uuid.UUID(int=draw.getrandbits(128), version=4))
        if left >= OF_A_BATCH and draw.random() < 0.15:
            body, path, taken = {"returns": [one(gardener) for _ in range(OF_A_BATCH)]}, "returns/batch", OF_A_BATCH
        else:
            body, path, taken = one(gardener), "returns", 1
        found.append(Sending(path, body, key, gardener.token, gardener.account))
        left -= taken
    return found


@dataclass
class Load:
    """Clients side by side that send everything; ``may_send(n)`` holds the n-th back until its moment has come."""

    web: str
    ledger: Ledger
    may_send: Callable[[int], bool]
    seed: int
    answers: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    sent: int = 0
    over: threading.Event = field(default_factory=threading.Event)

    def start(self, sendings: Sequence[Sending], clients: int = 6) -> list[threading.Thread]:
        """Start the clients."""
        self._waiting: SimpleQueue[tuple[int, Sending]] = SimpleQueue()
        for numbered in enumerate(sendings):
            self._waiting.put(numbered)
        threads = [threading.Thread(target=self._client, args=(n,), daemon=True) for n in range(clients)]
        for thread in threads:
            thread.start()
        return threads

    def _client(self, number: int) -> None:
        draw = random.Random(self.seed * 1000 + number)
        with httpx.Client(base_url=f"http://{self.web}/api/v1/", timeout=15) as client:
            while not self.over.is_set():
                try:
                    place, sending = self._waiting.get_nowait()
                except Empty:
                    return
                while not self.may_send(place) and not self.over.is_set():
                    time.sleep(0.02)
                body = self._until_answered(client, sending, draw)
                if body is not None and draw.random() < 0.1:  # the answer got lost on its way: the same is sent again
                    again = self._until_answered(client, sending, draw)
                    if again is not None and again != body:
                        self.wrong.append(f"another answer under the same key {sending.key}")
                self.sent += 1

    def _until_answered(self, client: httpx.Client, sending: Sending, draw: random.Random) -> Any:
        headers = {"Authorization": f"Bearer {sending.token}", "Idempotency-Key": f'"{sending.key}"'}
        while not self.over.is_set():
            try:
                answer = client.post(sending.path, json=sending.body, headers=headers)
            except httpx.TransportError:
                self.answers["no answer"] += 1
                time.sleep(draw.uniform(0.2, 0.8))
                continue
            self.answers[str(answer.status_code)] += 1
            if answer.status_code in (200, 201):
                body = answer.json()
                self.ledger.write(
                    key=sending.key, account=sending.account, path=sending.path, status=answer.status_code, body=body
                )
                return body
            if answer.status_code not in AGAIN:
                self.wrong.append(f"{answer.status_code} to {sending.path}: {answer.text[:300]}")
                if answer.status_code < 500:
                    return None
            elif answer.headers["content-type"] != "application/problem+json":
                self.wrong.append(f"{answer.status_code} that is no problem: {answer.text[:300]}")
            time.sleep(draw.uniform(0.2, 0.8))
        return None
