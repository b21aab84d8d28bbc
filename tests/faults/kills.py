"""Programs are killed at random instants while returns come in: what was lost, doubled, torn or stuck.

``python -m tests.faults.kills --kills 200 --returns 5000 --seed 1`` on a cluster, broker and programs of its own. Clients
post returns to the real HTTP API with an Idempotency-Key and send again whatever is not answered; a ledger on disk holds
every answer that they were given. Meanwhile web servers, workers, beats, the broker and PostgreSQL are killed and started
again, nights and exports go on. In the end the ledger is held against the tables, the log's chain is proved, and the last
night, in whose midst workers are killed as well, is held against one process that ran it in peace on a copy.
"""

from __future__ import annotations

import argparse
import random
import sys
import threading
import time
from contextlib import suppress
from datetime import date, timedelta
from functools import partial
from typing import Any

from tests.faults.comparing import Comparison, ask, compare, differences
from tests.faults.killing import Killer
from tests.faults.sending import Ledger, Load, make_gardeners, make_sendings
from tests.faults.stack import Stack, wait_until

LAST_NIGHT = date(2026, 11, 20)
OPEN_JOBS = (
    "SELECT kind, key, state, attempts FROM surveys_job WHERE state IN ('queued', 'running') AND kind <> 'canary'"
)


class Jobs:
    """Asks for a night and an export every now and then, as long as it is let."""

    def __init__(self, season: Any, researcher: Any, every_s: float) -> None:
        self.season, self.researcher, self.every_s = season, researcher, every_s
        self.over = threading.Event()
        self.asked = 0

    def ask(self) -> None:
        """Ask until it is over; a database that is away is asked again."""
        from django.db import Error, connection

        from surveys.errors import TooSoon
        from surveys.services.exports import ask_for_export
        from surveys.services.night import ask_for_night
        from surveys.vocabulary import ExportTable, FileKind

        night = date(2026, 6, 1)
        while not self.over.wait(self.every_s):
            with suppress(Error, TooSoon):
                ask_for_night(season=self.season, night=night)
                night += timedelta(days=1)
                self.asked += 1
                ask_for_export(
                    by=self.researcher,
                    season_code=self.season.code,
                    table=ExportTable.COUNTS,
                    kind=FileKind.CSV,
                    filters={},
                )
                self.asked += 1
            with suppress(Error):
                connection.close()


def main() -> None:
    """Play it and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--returns", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--every", type=float, default=3.0, help="seconds from one kill to the next, on average")
    parser.add_argument("--lease", type=int, default=15, help="JOB_LEASE_S of the workers")
    parser.add_argument("--minutes", type=float, default=60, help="kills and sends for so long at most")
    asked = parser.parse_args()
    # What a night does must come within a lease, or two workers take turns on it for ever.
    with Stack(lease_s=asked.lease) as stack:
        sys.exit(play(stack, asked))


def play(stack: Stack, asked: argparse.Namespace) -> int:
    """Play it on a stack. Returns how many of the figures are not what they should be."""
    from tests.factories import make_researcher, make_season

    started = time.monotonic()
    draw = random.Random(asked.seed)
    season = make_season(review_budget=0.2)
    gardeners = make_gardeners(min(4 + asked.returns // 60, 60))
    sendings = make_sendings(gardeners, asked.returns, draw)
    jobs = Jobs(season, make_researcher(), every_s=max(4 * asked.every, asked.returns / 100))
    stack.start()
    stack.wait_for_web()

    killer = Killer(stack, asked.seed, every_s=asked.every)
    mid_night = min(3, asked.kills // 4)
    before = asked.kills - mid_night
    ledger = Ledger(stack.folder / "ledger.jsonl")

    def may_send(place: int) -> bool:
        return place < len(sendings) * (killer.done + 1) / (before + 1)

    load = Load(stack.web, ledger, may_send, asked.seed)
    asking = threading.Thread(target=jobs.ask, daemon=True)
    asking.start()
    clients = load.start(sendings)
    enough = threading.Timer(60 * asked.minutes, lambda: (killer.over.set(), load.over.set()))
    enough.daemon = True
    enough.start()
    killer.kill(before)
    for client in clients:
        client.join(300)
    enough.cancel()
    load.over.set()
    jobs.over.set()
    asking.join(30)
    print(f"{load.sent} of {len(sendings)} sendings and {killer.done} of {before} kills")
    print(f"sent in {time.monotonic() - started:.0f} s; answers: {dict(load.answers)}", flush=True)
    address = stack.environment["DATABASE_URL"]
    # On a busy machine what was asked for under fire takes its time; what is left in the end counts as stuck.
    try:
        wait_until(lambda: not open_work(address), "no return and no job waits", 300 + 60 * asked.minutes)
    except RuntimeError as late:
        print(f"MISSED: {late}", flush=True)

    print(f"all done after {time.monotonic() - started:.0f} s", flush=True)
    calm = last_night(stack, killer, season, asked.kills)
    stack.stop(*stack.names)
    found = compare(address, sendings, ledger.lines())
    chain = stack.manage("check_log")
    different = differences(address, calm)
    return report(
        killer=killer, load=load, jobs=jobs, found=found, chain=chain.stdout + chain.stderr, different=different,
        took_s=time.monotonic() - started,
    )  # fmt: skip


def open_work(address: str) -> list[Any]:
    """Return what is still to do: jobs, and returns that were not screened."""
    return ask(address, OPEN_JOBS) + ask(address, "SELECT uuid FROM surveys_return WHERE state = 'received' LIMIT 3")


def last_night(stack: Stack, killer: Killer, season: Any, kills: int) -> str:
    """Run the last night under fire, and the same night in peace on a copy. Returns the copy's address."""
    from django.db import connection

    from surveys.services.night import ask_for_night

    address = stack.environment["DATABASE_URL"]
    workers = [name for name in stack.names if name.startswith("worker")]
    stack.stop(*stack.names)
    connection.close()  # PostgreSQL has died since it was opened
    job, _ = ask_for_night(season=season, night=LAST_NIGHT)
    connection.close()
    calm = stack.cluster.copy("trapnight", "calm")
    state = f"SELECT state, done, attempts FROM surveys_job WHERE id = {job.pk}"
    stack.start(*(name for name in stack.names if name != "web"))
    for attempt in range(1, 1 + kills - killer.done):
        # The night is under way once more: the children of both workers die, whichever has it.
        wait_until(partial(_in_hand_or_over, address, state, attempt), "the night begins", 180)
        if ask(address, state)[0][0] != "running":
            break
        time.sleep(killer.draw.uniform(0, 0.5))
        for name in workers:
            if stack.kill_child(name, killer.draw.randrange):
                killer.kills["worker child"] += 1
    wait_until(lambda: ask(address, state)[0][0] in ("done", "failed"), "the last night ends", 240)
    done = stack.manage("run_night", "--season", season.code, "--night", LAST_NIGHT.isoformat(), database=calm)
    if "is shown" not in done.stdout:
        raise RuntimeError(f"the calm night: {done.stdout}{done.stderr}")
    print(f"last night: {ask(address, state)[0][2]} attempts", flush=True)
    return calm


def _in_hand_or_over(address: str, question: str, attempt: int) -> bool:
    state, _, attempts = ask(address, question)[0]
    return bool(state in ("done", "failed") or (state == "running" and attempts >= attempt))


def report(
    *, killer: Killer, load: Load, jobs: Jobs, found: Comparison, chain: str, different: list[str], took_s: float
) -> int:
    """Print the figures. Returns how many are not what they should be."""
    whole = "is whole" in chain
    rows: list[tuple[str, Any, Any]] = [
        ("lost acknowledged", len(found.lost), found.lost),
        ("duplicates", len(found.twice), found.twice),
        ("half-written", len(found.half), found.half),
        ("stuck jobs", len(found.stuck), found.stuck),
        ("jobs that failed without saying why", len(found.silent), found.silent),
        ("breaks of the log's chain", 0 if whole else chain.strip(), []),
        ("figures that differ from a calm night", len(different), different),
        ("answers that no client should get", len(load.wrong), load.wrong),
    ]
    print(f"{'kills (SIGKILL)':40}{killer.done}: {dict(killer.kills)}")
    print(f"{'returns stored / acknowledged':40}{found.returns} / {found.acknowledged}")
    print(f"{'nights and exports asked for':40}{jobs.asked}")
    # A job whose worker dies five times is given up, with a sentence on the desk: it may be what kills them.
    print(f"{'of them given up after five beginnings':40}{len(found.given_up)}")
    for name, figure, which in rows:
        print(f"{name:40}{figure}")
        for one in which[:5]:
            print(f"    {one}")
    print(f"{'took':40}{took_s:.0f} s", flush=True)
    return sum(bool(figure) for _, figure, _ in rows)


if __name__ == "__main__":
    main()
