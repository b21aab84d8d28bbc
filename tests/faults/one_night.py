"""A night that is fired fifty times, by two beats at once, and worked on by four workers: shown once.

``python -m tests.faults.one_night`` on a cluster, broker and programs of its own. Both beats fire the same night until
fifty firings lie at the broker; then four workers take them all at the same time.
"""

from __future__ import annotations

import argparse
import random
import sys
from pathlib import Path
from typing import Any

import redis

from tests.faults.comparing import ask
from tests.faults.kills import LAST_NIGHT
from tests.faults.sending import make_gardeners, make_sendings
from tests.faults.stack import Stack, wait_until

QUEUE = "celery"
ENDED = "Task surveys.tasks.run_night["


def main() -> None:
    """Play it and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--firings", type=int, default=50)
    parser.add_argument("--returns", type=int, default=120)
    parser.add_argument("--workers", type=int, default=4)
    asked = parser.parse_args()
    with Stack(workers=asked.workers, beats=2, lease_s=30) as stack:
        sys.exit(play(stack, asked.firings, asked.returns))


def play(stack: Stack, firings: int, returns: int) -> int:
    """Play it on a stack. Returns 0 where one result was shown and all other firings did nothing."""
    from django.db import connection

    from surveys.services.night import ask_for_night
    from tests.factories import make_season

    season = make_season(review_budget=0.2)
    store(returns)
    job, _ = ask_for_night(season=season, night=LAST_NIGHT)
    connection.close()
    stack.crew.environment["FAULTS_FIRED_JOB"] = str(job.pk)
    line = redis.Redis(port=stack.broker.port)
    beats = [name for name in stack.names if name.startswith("beat")]
    workers = [name for name in stack.names if name.startswith("worker")]
    stack.start(*beats)
    both = [stack.folder / "logs" / f"{name}.log" for name in beats]
    wait_until(lambda: line.llen(QUEUE) >= firings and all(map(fired, both)), "both beats fire", 120)
    stack.stop(*beats)
    by_beat = {name: fired(log) for name, log in zip(beats, both, strict=True)}
    line.ltrim(QUEUE, 0, firings - 1)
    stack.start(*workers)
    logs = [stack.folder / "logs" / f"{name}.log" for name in workers]
    wait_until(lambda: sum(map(ended, logs)) >= firings, "every firing has ended", 180)
    stack.stop(*workers)
    address = stack.environment["DATABASE_URL"]
    runs = ask(address, "SELECT state, count(*) FROM surveys_run GROUP BY state")
    events = dict(
        ask(
            address,
            "SELECT verb, count(*) FROM surveys_event WHERE verb IN ('job begun', 'indices published') GROUP BY verb",
        )
    )
    shown = dict(runs).get("published", 0)
    print(f"{'fired by the beats (kept: ' + str(firings) + ')':40}{by_beat}")
    print(f"{'ended, by worker':40}{ {log.stem: ended(log) for log in logs} }")
    print(f"{'results published':40}{shown}")
    print(f"{'no-ops':40}{firings - int(events.get('job begun', 0))}")
    print(f"{'runs in all, job begun, published':40}{sum(n for _, n in runs)}, {events}", flush=True)
    fine = dict(runs) == {"published": 1} and events == {"job begun": 1, "indices published": 1}
    return 0 if fine else 1


def store(returns: int) -> None:
    """Store and screen so many returns, straight through the services."""
    from api.v1.returns import OneReturnIn, read_return
    from surveys.models import Account
    from surveys.services.intake import receive_return
    from surveys.services.screening import screen_received

    for sending in make_sendings(make_gardeners(8), returns, random.Random(1)):
        by = Account.objects.get(pk=sending.account)
        for one in sending.returns:
            given = OneReturnIn(data=one)
            given.is_valid(raise_exception=True)
            wanted: Any = given.validated_data
            receive_return(by=by, sent=read_return(wanted))
    while screen_received(most=500):
        pass


def fired(log: Path) -> int:
    """Return how often a beat says that it fired."""
    return log.read_text().count("Sending due task fired") if log.exists() else 0


def ended(log: Path) -> int:
    """Return how many firings a worker has ended without a fault."""
    text = log.read_text() if log.exists() else ""
    return sum(ENDED in line and "succeeded" in line for line in text.splitlines())


if __name__ == "__main__":
    main()
