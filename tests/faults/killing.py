"""Who kills what, and when: drawn from a seed."""

from __future__ import annotations

import random
import threading
import time
from collections import Counter
from collections.abc import Callable

from tests.faults.stack import Stack

#: What is killed, with how often it is drawn.
WEIGHTS = {
    "web": 2, "web child": 3, "worker": 3, "worker child": 3, "beat": 2, "broker": 2, "broker emptied": 1,
    "database": 3, "database backend": 1,
}  # fmt: skip


class Killer:
    """Kills one thing after another at random instants; a kill counts only where there was something to kill."""

    def __init__(self, stack: Stack, seed: int, *, every_s: float) -> None:
        self.stack, self.draw, self.every_s = stack, random.Random(seed), every_s
        self.kills: Counter[str] = Counter()
        self.over = threading.Event()

    @property
    def done(self) -> int:
        """Kills so far."""
        return self.kills.total()

    def kill(self, most: int) -> None:
        """Kill until so many are dead."""
        while self.done < most and not self.over.is_set():
            self.over.wait(self.draw.uniform(0.2, 2 * self.every_s - 0.2))
            what = self.draw.choices(list(WEIGHTS), list(WEIGHTS.values()))[0]
            if self._one(what):
                self.kills[what] += 1

    def _one(self, what: str) -> bool:
        one_of = {
            name: [full for full in self.stack.wanted if full.startswith(name)] for name in ("worker", "beat", "web")
        }
        kinds: dict[str, Callable[[], bool]] = {
            "web": lambda: self.stack.kill_first("web"),
            "web child": lambda: self.stack.kill_child("web", self.draw.randrange),
            "worker": lambda: self.stack.kill_first(self.draw.choice(sorted(one_of["worker"]))),
            "worker child": lambda: self.stack.kill_child(
                self.draw.choice(sorted(one_of["worker"])), self.draw.randrange
            ),
            "beat": lambda: self.stack.kill_first(self.draw.choice(sorted(one_of["beat"]))),
            "broker": self._broker,
            "broker emptied": self.stack.broker.flush,
            "database": self._database,
            "database backend": lambda: self.stack.cluster.kill_backend(self.draw.randrange),
        }
        return kinds[what]()

    def _broker(self) -> bool:
        there = self.stack.broker.kill()
        time.sleep(self.draw.uniform(0, 1))
        self.stack.broker.start()
        return there

    def _database(self) -> bool:
        self.stack.cluster.stop("immediate")
        time.sleep(self.draw.uniform(0, 1))
        return self.stack.cluster.start()
