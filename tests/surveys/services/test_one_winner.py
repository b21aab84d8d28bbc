"""Many who decide one held return at once: one verdict each round, and a log that tells one history.

``tests.benchmarks.one_winner`` plays the same a thousand times with sixty-four threads.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connections

from surveys.models import Verdict
from surveys.services.undo import undo_verdict
from tests.benchmarks.one_winner import check_history, held_return, one_round

pytestmark = pytest.mark.django_db(transaction=True)

THREADS, ROUNDS = 12, 4


def test_each_round_has_one_winner_and_the_log_is_linear() -> None:
    report, people = held_return(THREADS)
    winners = []
    with ThreadPoolExecutor(THREADS) as crowd:
        for _ in range(ROUNDS):
            told = one_round(report, people, crowd)
            (winner,) = [people[number] for number, answer in told if answer == "won"]
            assert {answer for _, answer in told} == {"won", "stale"}
            winners.append(winner.pk)
            report.refresh_from_db()
            undo_verdict(by=winner, uuid=report.uuid, version=report.version)
            report.refresh_from_db()
        list(crowd.map(lambda _: connections.close_all(), range(4 * THREADS)))
    assert check_history(report, winners) == []


def test_a_history_with_a_verdict_that_nobody_was_told_of_is_found() -> None:
    report, people = held_return(2)
    Verdict.objects.create(
        report=report, by=people[0], decision="upheld", reason="not_explained", report_version=report.version
    )
    assert len(check_history(report, [])) >= 1
