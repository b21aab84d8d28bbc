"""Leases: who reads a waiting return at the moment, so that two people never work on the same one.

A lease changes nothing about a return and ends by itself, so it leaves no line in the log. It begins and ends by the
database's clock, as those of several web servers may differ.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import UUID

from django.db import connection, transaction

from surveys.errors import NotFound
from surveys.models import Account, Lease, Return
from surveys.permissions import returns_in_care_of
from surveys.queries.clock import database_now
from surveys.queries.review import QUEUE_ORDER, Wanted, queued
from surveys.vocabulary import ReturnState

#: Long enough to read, look something up and decide; a forgotten tab is free again after it. Own choice.
LEASE = timedelta(minutes=15)

# One statement, so that of two people who come at once one has it and the other sees so.
_TAKE = """
INSERT INTO surveys_lease (report_id, by_id, taken_at, until) VALUES (%(report)s, %(by)s, %(now)s, %(until)s)
ON CONFLICT (report_id) DO UPDATE SET
    by_id = excluded.by_id, until = excluded.until,
    taken_at = CASE WHEN surveys_lease.by_id = excluded.by_id THEN surveys_lease.taken_at ELSE excluded.taken_at END
WHERE surveys_lease.by_id = excluded.by_id OR surveys_lease.until <= excluded.taken_at
RETURNING report_id
"""


def take_record(*, by: Account, uuid: UUID) -> bool:
    """Take a waiting return of one's own regions to read, or hold it longer. Returns whether one has it.

    False where somebody else reads it, and where it does not wait any more.
    """
    with transaction.atomic(durable=True):
        report = returns_in_care_of(by).filter(uuid=uuid).only("id", "state").first()
        if report is None:
            raise NotFound("There is no return with this id in your regions.")
        return report.state == ReturnState.QUERIED and _take(report, by, database_now())


def take_next_record(*, by: Account, wanted: Wanted) -> UUID | None:
    """Take the most pressing return that waits and that nobody else reads. Returns its id, None where there is none."""
    with transaction.atomic(durable=True):
        now = database_now()
        free = queued(by, wanted).exclude(pk__in=Lease.objects.filter(until__gt=now).exclude(by=by).values("report"))
        # What somebody takes at this very moment is locked, and passed over. Where his lease was written after this
        # looked and before it locked, the next look sees it.
        locking = free.select_for_update(no_key=True, skip_locked=True, of=("self",)).order_by(*QUEUE_ORDER)
        while (report := locking.first()) is not None:
            if _take(report, by, now):
                return report.uuid
    return None


def give_back_record(*, by: Account, uuid: UUID) -> None:
    """Leave a return for later, or for somebody else; doing it twice changes nothing."""
    with transaction.atomic(durable=True):
        report = returns_in_care_of(by).filter(uuid=uuid).only("id").first()
        if report is None:
            raise NotFound("There is no return with this id in your regions.")
        Lease.objects.filter(report=report, by=by).delete()


def _take(report: Return, by: Account, now: datetime) -> bool:
    with connection.cursor() as cursor:
        cursor.execute(_TAKE, {"report": report.pk, "by": by.pk, "now": now, "until": now + LEASE})
        return cursor.fetchone() is not None
