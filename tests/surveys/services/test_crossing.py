"""Two who are at work on the same thing at one moment: neither waits for the other in a ring, and nothing slips through."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import timedelta
from typing import Any

import pytest
from django.db import OperationalError, connection, transaction
from django.utils import timezone

from surveys.models import Query, Return, Season, SitePoint, Trap
from surveys.queries.outages import CROSSED, outage_of
from surveys.queries.seasons import lists_of
from surveys.services import erasure, openings, safety, screening_again, seasons, sites
from surveys.services.erasure import erase_account
from surveys.services.events import hold_log
from surveys.services.intake import receive_returns
from surveys.services.openings import SentOpening, set_trap
from surveys.services.safety import write_safety_page
from surveys.services.seasons import close_season
from surveys.services.sent_returns import SentReturn
from surveys.services.sites import add_site
from tests.factories import make_coordinator, make_household, make_season, make_site, make_trap, send_return

pytestmark = pytest.mark.django_db(transaction=True)

LONGEST_S = 20


@pytest.fixture
def beside() -> Any:
    """Do something in a thread with a line to the database of its own."""
    with ThreadPoolExecutor(4) as pool:

        def start(act: Callable[[], Any]) -> Future[Any]:
            def run() -> Any:
                try:
                    return act()
                finally:
                    connection.close()

            return pool.submit(run)

        yield start


@pytest.fixture
def season() -> Season:
    return make_season(year=timezone.now().year)


def store_one(trap: Trap) -> Any:
    """Store a return the long way: its foreign keys are looked at when all else is done."""
    now = timezone.now().replace(microsecond=0)
    sent = SentReturn(uuid.uuid4(), trap.public_id, now - timedelta(hours=24), now, "short_lawn", ())
    return receive_returns(by=trap.site.household.keeper, sent=[sent])


def closing(season: Season, trap: Trap) -> Any:
    return close_season(by=make_coordinator(), code=season.code)


def telling(season: Season, trap: Trap) -> Any:
    return write_safety_page(by=make_coordinator(), region="eastmark", text="Ask first.", on=timezone.localdate())


def setting(season: Season, trap: Trap) -> Any:
    at = timezone.now().replace(microsecond=0) - timedelta(hours=24)
    return set_trap(by=trap.site.household.keeper, sent=SentOpening(uuid.uuid4(), trap.public_id, at, {"rim": "flush"}))


@pytest.mark.parametrize(("module", "act"), [(seasons, closing), (safety, telling), (openings, setting)])
def test_a_return_is_stored_while_somebody_holds_what_it_points_at(
    season: Season, beside: Any, monkeypatch: pytest.MonkeyPatch, module: Any, act: Callable[..., Any]
) -> None:
    trap = make_trap()
    as_ever, stored = module.write_event, []

    def while_held(**given: Any) -> None:
        stored.append(beside(lambda: store_one(trap)).result(LONGEST_S))
        as_ever(**given)

    with monkeypatch.context() as patched:
        patched.setattr(module, "write_event", while_held)
        act(season, trap)
    assert [[one.created for one in receipts] for receipts in stored] == [[True]]
    assert Return.objects.count() == 1


def test_what_two_hold_crosswise_is_told_as_that(season: Season, beside: Any) -> None:
    """The API's words for a deadlock are made here of a real one (PostgreSQL 18 manual, appendix A: 40P01)."""
    both = threading.Barrier(2)

    def cross(first: str, second: str) -> BaseException | None:
        try:
            with transaction.atomic(), connection.cursor() as cursor:
                cursor.execute("SELECT pg_advisory_xact_lock(hashtext(%s))", [first])
                both.wait(LONGEST_S)
                cursor.execute("SELECT pg_advisory_xact_lock(hashtext(%s))", [second])
        except OperationalError as fault:
            return fault
        return None

    faults = [run.result(LONGEST_S) for run in (beside(lambda: cross("a", "b")), beside(lambda: cross("b", "a")))]
    assert [outage_of(fault) for fault in faults if fault is not None] == [CROSSED]


def test_a_site_that_is_added_during_an_erasure_is_forgotten_with_the_others(
    season: Season, beside: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    household = make_household()
    keeper, at_its_end, go_on = household.keeper, threading.Event(), threading.Event()
    assert keeper is not None
    as_ever = sites.write_event

    def waits(**given: Any) -> None:
        at_its_end.set()
        assert go_on.wait(LONGEST_S)
        as_ever(**given)

    monkeypatch.setattr(sites, "write_event", waits)
    adding = beside(lambda: add_site(by=keeper, household=household, latitude=51.5123, longitude=-17.5432, fine=True))
    assert at_its_end.wait(LONGEST_S)
    erasing = beside(lambda: erase_account(account=keeper, by=keeper))
    with pytest.raises(TimeoutError):
        erasing.result(0.5)  # it waits for the site
    go_on.set()
    adding.result(LONGEST_S)
    erasing.result(LONGEST_S)
    point = SitePoint.objects.get()
    assert (point.latitude, point.longitude) == (51.55, -17.55)
    household.refresh_from_db()
    assert household.keeper is None


def test_an_erasure_and_a_return_of_the_same_sender_do_not_wait_in_a_ring(
    season: Season, beside: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The return has the log, and will ask for its sender at the end; the erasure leaves the sender alone till then."""
    trap = make_trap()
    keeper = trap.site.household.keeper
    assert keeper is not None
    has_the_log, asks_for_it = threading.Event(), threading.Event()
    as_ever = erasure.hold_log

    def hold() -> None:
        asks_for_it.set()
        as_ever()

    monkeypatch.setattr(erasure, "hold_log", hold)

    def store() -> Any:
        with transaction.atomic(), connection.cursor() as cursor:
            hold_log()
            has_the_log.set()
            assert asks_for_it.wait(LONGEST_S)
            cursor.execute("SELECT 1 FROM surveys_account WHERE id = %s FOR KEY SHARE", [keeper.pk])
        return "stored"

    storing = beside(store)
    assert has_the_log.wait(LONGEST_S)
    erasing = beside(lambda: erase_account(account=keeper, by=keeper))
    assert storing.result(LONGEST_S) == "stored"
    erasing.result(LONGEST_S)


def test_a_night_that_waited_for_an_erasure_reads_no_place_from_before_it(
    beside: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    season = make_season(review_budget=0.5)
    site = make_site(household=make_household())
    send_return(make_trap(site=site))
    Return.objects.update(state="standing", urgent=True, rank=1.0)
    Query.objects.all().delete()
    keeper = site.household.keeper
    assert keeper is not None
    fine = SitePoint.objects.get().latitude
    at_its_end, go_on, read = threading.Event(), threading.Event(), []
    as_ever, cases = erasure.write_event, screening_again.screening_cases

    def waits(**given: Any) -> None:
        at_its_end.set()
        assert go_on.wait(LONGEST_S)
        as_ever(**given)

    def looks(rows: Any, **given: Any) -> Any:
        read.extend(row.trap.site.point.latitude for row in rows)
        return cases(rows, **given)

    monkeypatch.setattr(erasure, "write_event", waits)
    monkeypatch.setattr(screening_again, "screening_cases", looks)
    erasing = beside(lambda: erase_account(account=keeper, by=keeper))
    assert at_its_end.wait(LONGEST_S)
    night = beside(lambda: screening_again._hold_within_budget(lists_of(season), 0, 1, lambda told: None))
    with pytest.raises(TimeoutError):
        night.result(0.5)  # it waits for the return
    go_on.set()
    erasing.result(LONGEST_S)
    night.result(LONGEST_S)
    assert read == [SitePoint.objects.get().latitude]
    assert read != [fine]
