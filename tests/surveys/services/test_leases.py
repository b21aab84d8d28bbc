"""Leases: two people never read the same waiting return."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from django.db import connection
from django.utils import timezone

from surveys.errors import Conflict, NotFound
from surveys.models import Event, Lease, Return
from surveys.queries.review import Wanted
from surveys.services.leases import LEASE, give_back_record, take_next_record, take_record
from surveys.services.review import give_verdict
from surveys.vocabulary import Decision, QueryReason, VerdictReason
from tests.factories import make_coordinator, make_season, make_trap, send_return

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def waiting() -> list[Return]:
    """Four returns that wait for the same reason, the oldest first."""
    make_season()
    return [send_return(make_trap(), liquid="soap", screened=True) for _ in range(4)]


def test_the_first_who_opens_a_return_has_it_and_the_second_has_not(waiting: list[Return]) -> None:
    one, other = make_coordinator(), make_coordinator()
    assert take_record(by=one, uuid=waiting[0].uuid)
    assert not take_record(by=other, uuid=waiting[0].uuid)
    assert take_record(by=one, uuid=waiting[0].uuid)


def test_a_lease_that_is_over_is_anybodys(waiting: list[Return]) -> None:
    one, other = make_coordinator(), make_coordinator()
    take_record(by=one, uuid=waiting[0].uuid)
    Lease.objects.update(taken_at=timezone.now() - 2 * LEASE, until=timezone.now() - timedelta(seconds=1))
    assert take_record(by=other, uuid=waiting[0].uuid)
    assert Lease.objects.get().by == other


def test_what_is_given_back_is_anybodys_and_nobody_gives_back_what_is_anothers(waiting: list[Return]) -> None:
    one, other = make_coordinator(), make_coordinator()
    take_record(by=one, uuid=waiting[0].uuid)
    give_back_record(by=other, uuid=waiting[0].uuid)
    assert Lease.objects.get().by == one
    give_back_record(by=one, uuid=waiting[0].uuid)
    assert take_record(by=other, uuid=waiting[0].uuid)


def test_nobody_takes_what_does_not_wait_or_lies_elsewhere(waiting: list[Return]) -> None:
    stands = send_return(make_trap(), screened=True)
    assert stands.state == "received" or not take_record(by=make_coordinator(), uuid=stands.uuid)
    with pytest.raises(NotFound):
        take_record(by=make_coordinator("westmark"), uuid=waiting[0].uuid)
    assert Lease.objects.count() == 0


def test_the_next_one_is_the_most_pressing_that_nobody_reads(waiting: list[Return]) -> None:
    one, other = make_coordinator(), make_coordinator()
    assert take_next_record(by=one, wanted=Wanted()) == waiting[0].uuid
    assert take_next_record(by=other, wanted=Wanted()) == waiting[1].uuid
    # Somebody who asks again is given her own one back.
    assert take_next_record(by=one, wanted=Wanted()) == waiting[0].uuid
    assert take_next_record(by=one, wanted=Wanted(reason=QueryReason.SENT_TWICE)) is None
    assert take_next_record(by=make_coordinator("westmark"), wanted=Wanted()) is None


def test_eight_people_who_come_at_once_get_eight_returns(waiting: list[Return]) -> None:
    more = [send_return(make_trap(), liquid="soap", screened=True) for _ in range(4)]
    people = [make_coordinator() for _ in range(8)]

    def come(person):  # type: ignore[no-untyped-def]
        try:
            return take_next_record(by=person, wanted=Wanted())
        finally:
            connection.close()

    with ThreadPoolExecutor(8) as crowd:
        got = list(crowd.map(come, people))
    assert set(got) == {report.uuid for report in (*waiting, *more)}


def test_a_verdict_on_what_somebody_else_reads_is_refused_and_a_verdict_ends_the_lease(waiting: list[Return]) -> None:
    one, other = make_coordinator(), make_coordinator()
    waiting[0].refresh_from_db()
    take_record(by=one, uuid=waiting[0].uuid)
    said = {"uuid": waiting[0].uuid, "version": waiting[0].version, "decision": Decision.UPHELD}
    with pytest.raises(Conflict) as refused:
        give_verdict(by=other, reason=VerdictReason.PLAUSIBLE_NIGHT, **said)
    assert refused.value.code == "in_other_hands"
    give_verdict(by=one, reason=VerdictReason.PLAUSIBLE_NIGHT, **said)
    assert Lease.objects.count() == 0


def test_a_lease_leaves_no_line_in_the_log(waiting: list[Return]) -> None:
    before = Event.objects.count()
    person = make_coordinator()
    appointed = Event.objects.count()
    take_record(by=person, uuid=waiting[0].uuid)
    give_back_record(by=person, uuid=waiting[0].uuid)
    assert Event.objects.count() == appointed > before
