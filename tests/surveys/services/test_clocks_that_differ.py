"""Machines whose clocks are an hour apart: a lease holds for as long as the database says.

That a lease must be judged by one clock, or by a fencing number, is the point of Gray & Cheriton 1989, "Leases", section 5
(doi:10.1145/74850.74870): a clock that runs ahead at one side breaks it. PostgreSQL's manual, 9.9.5, names the clock:
``statement_timestamp()``.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from django.db import connection
from django.utils import timezone

from surveys.errors import Conflict
from surveys.models import Job, Lease, Return
from surveys.queries.jobs import jobs_to_do
from surveys.queries.review import Wanted
from surveys.services.jobs import LostLease, claim_job, finish_job, report_progress
from surveys.services.leases import LEASE, take_next_record, take_record
from surveys.services.night import ask_for_night
from surveys.services.review import refuse_anothers_lease
from surveys.vocabulary import JobState
from tests.factories import make_coordinator, make_season, make_trap, send_return

pytestmark = pytest.mark.django_db(transaction=True)

AN_HOUR = timedelta(hours=1)
_true_now = timezone.now


class Clock:
    """The clock of the machine that is at work at the moment."""

    def __init__(self) -> None:
        self.ahead = timedelta()

    def __call__(self) -> datetime:
        return _true_now() + self.ahead


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    found = Clock()
    monkeypatch.setattr(timezone, "now", found)
    return found


def a_job() -> Job:
    return ask_for_night(season=make_season(), night=date(2026, 5, 20))[0]


def by_the_database(question: str) -> bool:
    with connection.cursor() as cursor:
        cursor.execute(question)
        return bool(cursor.fetchone()[0])


def test_a_worker_whose_clock_is_ahead_does_not_take_a_job_that_is_held(clock: Clock) -> None:
    job = a_job()
    held = claim_job(job_id=job.pk)
    assert held is not None
    clock.ahead = AN_HOUR
    assert jobs_to_do() == []
    assert claim_job(job_id=job.pk) is None
    clock.ahead = timedelta()
    report_progress(job=held, done=0, total=3)
    finish_job(job=held, result={})
    assert Job.objects.get(pk=job.pk).state == JobState.DONE


def test_a_worker_whose_clock_is_ahead_holds_a_job_no_longer_than_others(clock: Clock) -> None:
    job = a_job()
    clock.ahead = AN_HOUR
    held = claim_job(job_id=job.pk)
    assert held is not None
    within = (
        "SELECT lease_until BETWEEN clock_timestamp() AND clock_timestamp() + interval '10 minutes' FROM surveys_job"
    )
    assert by_the_database(within)
    report_progress(job=held, done=0, total=3)
    assert by_the_database(within)


def test_a_worker_whose_clock_is_behind_holds_a_job_as_long_as_others(clock: Clock) -> None:
    job = a_job()
    clock.ahead = -AN_HOUR
    held = claim_job(job_id=job.pk)
    assert held is not None
    report_progress(job=held, done=0, total=3)
    clock.ahead = timedelta()
    assert jobs_to_do() == []
    assert claim_job(job_id=job.pk) is None


def test_a_worker_whose_clock_is_behind_takes_a_job_whose_worker_has_gone(clock: Clock) -> None:
    job = a_job()
    gone = claim_job(job_id=job.pk)
    assert gone is not None
    with connection.cursor() as cursor:
        cursor.execute("UPDATE surveys_job SET lease_until = clock_timestamp() - interval '1 second'")
    clock.ahead = -AN_HOUR
    assert jobs_to_do() == [job.pk]
    taken = claim_job(job_id=job.pk)
    assert taken is not None
    assert taken.fence == gone.fence + 1
    with pytest.raises(LostLease):
        report_progress(job=gone, done=1, total=3)


def a_waiting_return() -> Return:
    make_season()
    report = send_return(make_trap(), liquid="soap", screened=True)
    return Return.objects.get(pk=report.pk)


def test_a_web_server_whose_clock_is_ahead_leaves_the_reader_of_a_return_in_peace(clock: Clock) -> None:
    report = a_waiting_return()
    reader, other = make_coordinator(), make_coordinator()
    assert take_record(by=reader, uuid=report.uuid)
    clock.ahead = AN_HOUR
    assert not take_record(by=other, uuid=report.uuid)
    assert take_next_record(by=other, wanted=Wanted()) is None
    with pytest.raises(Conflict, match="reading this return"):
        refuse_anothers_lease([report], other)
    assert Lease.objects.get().by == reader


def test_a_web_server_whose_clock_is_behind_takes_what_was_left(clock: Clock) -> None:
    report = a_waiting_return()
    reader, other = make_coordinator(), make_coordinator()
    assert take_record(by=reader, uuid=report.uuid)
    Lease.objects.update(taken_at=_true_now() - 2 * LEASE, until=_true_now() - timedelta(seconds=1))
    clock.ahead = -AN_HOUR
    assert take_next_record(by=other, wanted=Wanted()) == report.uuid
    assert Lease.objects.get().by == other
