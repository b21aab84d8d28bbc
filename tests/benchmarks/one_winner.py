"""Sixty-four threads decide one held return, a thousand times over: who wins, and does the log tell it so.

``python -m tests.benchmarks.one_winner --rounds 1000 --threads 64`` on a database of its own. Each round begins with a
return that waits; the winner of a round takes his verdict back, so that the next round finds it waiting again. Every
call and its answer is written down and checked as one history, as Elle does for registers (Kingsbury & Alvaro 2020,
VLDB 14:268, the idea only): each version of the return has exactly one event that made it, versions follow each other
without a gap, every winner read the version that he replaced, and nobody who was refused left a trace.
"""

from __future__ import annotations

import argparse
import os
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from time import perf_counter
from typing import Any

os.environ.setdefault("TRAPNIGHT_LARGE_NAME", "trapnight_one_winner")

from tests.benchmarks.large_season import use_large_database


def held_return(threads: int) -> tuple[Any, list[Any]]:
    """Return a return that waits, and a coordinator for every thread."""
    from surveys.models import Return
    from tests.factories import make_coordinator, make_season, make_trap, send_return

    make_season(code=f"winner-{perf_counter():.0f}")
    report = send_return(make_trap(), liquid="soap", screened=True)
    people = [make_coordinator() for _ in range(threads)]
    return Return.objects.get(pk=report.pk), people


def one_round(report: Any, people: list[Any], crowd: ThreadPoolExecutor) -> list[tuple[int, str]]:
    """Let everybody decide the version that waits at the same moment; return who got which answer."""
    from django.db import connection

    from surveys.errors import Refusal
    from surveys.services.review import give_verdict
    from surveys.vocabulary import Decision, VerdictReason

    start, version, decisions = Barrier(len(people)), report.version, (Decision.UPHELD, Decision.DISCOUNTED)

    def decide(number: int) -> tuple[int, str]:
        connection.ensure_connection()
        start.wait()
        try:
            give_verdict(
                by=people[number], uuid=report.uuid, version=version, decision=decisions[number % 2],
                reason=VerdictReason.NOT_EXPLAINED,
            )  # fmt: skip
            return number, "won"
        except Refusal as refusal:
            return number, refusal.code

    return list(crowd.map(decide, range(len(people))))


def check_history(report: Any, winners: list[int]) -> list[str]:
    """Return every way in which the log and the verdicts do not tell one linear history."""
    from surveys.models import Event, Verdict

    told = list(
        Event.objects.filter(subject="return", subject_id=report.pk, verb__in=["verdict given", "verdict undone"])
        .order_by("id")
        .values_list("verb", "actor")
    )
    verdicts = list(Verdict.objects.filter(report=report).order_by("id").values_list("by_id", "report_version"))
    wrong = []
    if [verb for verb, _ in told] != ["verdict given", "verdict undone"] * len(winners):
        wrong.append("verdicts and undos do not take turns in the log")
    if [actor for verb, actor in told if verb == "verdict given"] != winners:
        wrong.append("the log names other winners than those who were told that they won")
    if [by for by, _ in verdicts] != winners:
        wrong.append("the verdicts are not those of the winners")
    versions = [version for _, version in verdicts]
    if versions != list(range(versions[0], versions[0] + 2 * len(versions), 2)):
        wrong.append("versions do not follow each other by two, one for the verdict and one for the undo")
    return wrong


def main() -> None:
    """Play the rounds and print what came of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=1000)
    parser.add_argument("--threads", type=int, default=64)
    asked = parser.parse_args()
    use_large_database(afresh=True)
    from django.conf import settings
    from django.core.management import call_command

    settings.ALLOWED_HOSTS = ["testserver"]
    settings.SECURE_SSL_REDIRECT = False

    from surveys.services.undo import undo_verdict

    call_command("migrate", verbosity=0)
    report, people = held_return(asked.threads)
    answers: Counter[str] = Counter()
    winners, wrong_rounds, started = [], 0, perf_counter()
    with ThreadPoolExecutor(asked.threads) as crowd:
        for _ in range(asked.rounds):
            told = one_round(report, people, crowd)
            answers.update(answer for _, answer in told)
            won = [people[number] for number, answer in told if answer == "won"]
            wrong_rounds += len(won) != 1
            report.refresh_from_db()
            for winner in won[:1]:
                winners.append(winner.pk)
                undo_verdict(by=winner, uuid=report.uuid, version=report.version)
            report.refresh_from_db()
    took = perf_counter() - started
    print(f"{asked.rounds} rounds of {asked.threads} threads in {took:.0f} s: {dict(answers)}")
    print(f"rounds without exactly one winner: {wrong_rounds}")
    wrong = check_history(report, winners)
    print("the log tells one linear history" if not wrong else "\n".join(wrong))
    print(f"different winners: {len(set(winners))}")
    raise SystemExit(bool(wrong or wrong_rounds))


if __name__ == "__main__":
    main()
