"""Opening a season begins a part of the table of counts: whoever stores, reads or opens at that moment loses nothing."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import psycopg
import pytest
from django.db import OperationalError, connection, transaction
from psycopg import errors

from surveys.models import Catch, Return
from surveys.services.packing import pack_catches
from tests.as_app import APP, make_role
from tests.counts_in_parts import ROOM, asked_of, last_key, part_of, parts, parts_as_before
from tests.factories import ApiClient, make_season, make_trap, return_payload, send_return
from tests.journeys.conftest import database_address
from tests.plans import reads_of

pytestmark = pytest.mark.django_db(transaction=True)

#: Answers of a return of ``return_payload``.
ANSWERS = 6


@pytest.fixture(autouse=True)
def _put_back(transactional_db: None) -> Iterator[None]:
    with parts_as_before():
        yield


@pytest.fixture
def other() -> Iterator[psycopg.Connection[Any]]:
    """A second line to the database, of the owner of the tables."""
    with psycopg.connect(database_address()) as line:
        yield line


@pytest.fixture
def impatient() -> Iterator[None]:
    """This test's own line gives up on a lock at once."""
    with connection.cursor() as cursor:
        cursor.execute("SET lock_timeout = '200ms'")
    yield
    connection.close()


def begin() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT begin_counts_of_a_season()")


def store_again(line: Any, report: Return, key: int) -> None:
    """Store a return once more, under a key that was drawn for it, by COPY as many at once are."""
    columns = ", ".join(
        f'"{field.column}"'
        for field in Return._meta.concrete_fields
        if field.column not in ("id", "uuid") and not field.generated
    )
    line.execute(
        f"INSERT INTO surveys_return (id, uuid, {columns}) SELECT {key}, gen_random_uuid(), {columns}"
        f" FROM surveys_return WHERE id = {report.pk}"
    )
    with line.cursor().copy("COPY surveys_catch (report_id, group_id, answer, low, high) FROM STDIN") as copy:
        copy.write_row((key, report.catches.all()[0].group_id, "number", 3, 3))


def drawn(line: Any) -> int:
    """Draw the key of a return."""
    (key,) = line.execute("SELECT nextval('surveys_return_id_seq')").fetchone()
    return int(key)


def test_each_season_has_its_counts_in_a_part_of_its_own() -> None:
    make_season(year=2025)
    trap = make_trap()
    first = send_return(trap, set_at="2025-05-02T17:00:00+00:00", emptied_at="2025-05-03T17:00:00+00:00")
    make_season(year=2026)
    second = send_return(trap)
    assert first.season_id != second.season_id
    assert part_of(second.pk) == f"surveys_catch_{int(part_of(first.pk).rsplit('_')[-1]) + 1}"
    assert second.pk // ROOM == first.pk // ROOM + 1
    assert parts()[-1] != part_of(second.pk), "the part of the next season is there already"


def test_a_late_return_lies_in_the_newest_part_and_is_read_like_any_other() -> None:
    make_season(year=2025)
    trap = make_trap()
    first = send_return(trap, set_at="2025-05-02T17:00:00+00:00", emptied_at="2025-05-03T17:00:00+00:00")
    make_season(year=2026)
    late = send_return(trap, set_at="2025-05-09T17:00:00+00:00", emptied_at="2025-05-10T17:00:00+00:00")
    assert late.season_id == first.season_id
    assert part_of(late.pk) != part_of(first.pk)
    assert Catch.objects.filter(report__season=first.season).count() == 2 * ANSWERS
    assert {one.report_id for one in Catch.objects.filter(report__in=[first.pk, late.pk])} == {first.pk, late.pk}


def test_no_part_is_begun_while_the_newest_one_is_empty() -> None:
    make_season(year=2025)
    before, key = parts(), last_key()
    make_season(year=2026)
    begin()
    assert (parts(), last_key()) == (before, key)


def test_an_opening_that_is_undone_leaves_no_return_without_a_part_and_the_next_one_mends_it() -> None:
    make_season(year=2026)
    trap = make_trap()
    send_return(trap)
    before = parts()
    with transaction.atomic():
        begin()
        begin()
        transaction.set_rollback(True)
    assert parts() == before
    jumped = send_return(trap, set_at="2026-05-05T17:00:00+00:00", emptied_at="2026-05-06T17:00:00+00:00")
    assert part_of(jumped.pk) == before[-1]
    begin()
    assert len(parts()) == len(before) + 1
    begin()
    later = send_return(trap, set_at="2026-05-07T17:00:00+00:00", emptied_at="2026-05-08T17:00:00+00:00")
    assert part_of(later.pk) == parts()[-2] != before[-1]


def test_two_openings_in_one_transaction_jump_once(other: psycopg.Connection[Any]) -> None:
    """What the second would jump on to is seen by nobody else yet, and may be undone."""
    make_season(year=2026)
    trap = make_trap()
    report, seen = send_return(trap), parts()
    other.execute("SELECT begin_counts_of_a_season()")
    key = drawn(other)
    store_again(other, report, key)
    other.execute("SELECT begin_counts_of_a_season()")
    other.rollback()
    assert parts() == seen
    assert drawn(other) == key + 1
    later = send_return(trap, set_at="2026-05-07T17:00:00+00:00", emptied_at="2026-05-08T17:00:00+00:00")
    assert part_of(later.pk) == seen[-1]


def test_a_return_whose_key_was_drawn_before_the_opening_finds_its_part(other: psycopg.Connection[Any]) -> None:
    """Many at once draw their keys first and are written by COPY after: any opening may come between."""
    make_season(year=2026)
    trap = make_trap()
    stored = send_return(trap)
    key = drawn(other)
    for year in (2027, 2028):
        make_season(year=year)
        send_return(trap, set_at=f"{year}-05-02T17:00:00+00:00", emptied_at=f"{year}-05-03T17:00:00+00:00")
    store_again(other, stored, key)
    other.commit()
    assert part_of(key) == part_of(stored.pk)


def test_returns_are_stored_singly_and_many_at_once_while_seasons_are_opened() -> None:
    """Four senders and five openings; each opening waits until returns have come in that were begun after the last.

    Each sender may go on twice for an opening. Of five sendings that end after it, one at least was begun after it, as
    four are at work at most; the rest of them goes on beside the next opening.
    """
    make_season(year=2026)
    senders, rounds, openings, at_once = 4, 12, 5, 12
    traps = [make_trap() for _ in range(senders)]
    clients = [ApiClient(trap.site.household.keeper) for trap in traps]
    came_in, first = threading.Semaphore(0), len(parts()) - 2
    may_go_on = [threading.Semaphore(0) for _ in range(senders)]

    def payloads(number: int, turn: int) -> list[dict[str, Any]]:
        return [
            return_payload(traps[number], set_at=f"2026-{4 + n % 2:02}-{1 + turn:02}T{n:02}:00:00+00:00", emptied_at=f"2026-{4 + n % 2:02}-{2 + turn:02}T{n:02}:00:00+00:00")
            for n in range(at_once if number % 2 else 1)
        ]  # fmt: skip

    def send(number: int) -> list[int]:
        try:
            found = []
            for turn in range(rounds):
                assert may_go_on[number].acquire(timeout=60)
                bodies = payloads(number, turn)
                if number % 2:
                    answer = clients[number].send("returns/batch", {"returns": bodies})
                    found.append(answer.status_code if answer.json()["stored"] == at_once else 0)
                else:
                    found.append(clients[number].send("returns", bodies[0]).status_code)
                came_in.release()
            return found
        finally:
            connection.close()

    def go_on(turns: int) -> None:
        for one in may_go_on:
            one.release(turns)

    with ThreadPoolExecutor(senders) as threads:
        heard = [threads.submit(send, number) for number in range(senders)]
        for year in range(2027, 2027 + openings):
            while came_in.acquire(blocking=False):
                pass
            go_on(2)
            for _ in range(senders + 1):
                assert came_in.acquire(timeout=60)
            make_season(year=year)
        go_on(rounds - 2 * openings)
        statuses = {status for one in heard for status in one.result(120)}
    assert statuses <= {200, 201}
    assert Return.objects.count() == rounds * (2 + 2 * at_once)
    assert Catch.objects.count() == ANSWERS * Return.objects.count()
    placed = asked_of(
        "SELECT DISTINCT c.tableoid::regclass::text, r.id / %s, count(*) OVER (PARTITION BY r.id)"
        " FROM surveys_return r JOIN surveys_catch c ON c.report_id = r.id",
        ROOM,
    )
    assert {(f"surveys_catch_{number}", number, ANSWERS) for _, number, _ in placed} == set(placed)
    assert {number for _, number, _ in placed} >= {first + turn for turn in range(openings)}
    assert len(parts()) == first + openings + 2


def test_who_reads_all_counts_in_one_snapshot_holds_no_opening_up(
    other: psycopg.Connection[Any], impatient: None
) -> None:
    make_season(year=2026)
    send_return(make_trap())
    before = len(parts())
    other.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
    assert other.execute("SELECT count(*) FROM surveys_catch").fetchone() == (ANSWERS,)
    make_season(year=2027)
    assert len(parts()) == before + 1
    assert other.execute("SELECT count(*) FROM surveys_catch").fetchone() == (ANSWERS,)


def test_an_opening_waits_for_who_stores_no_longer_than_it_may_and_leaves_nothing_behind(
    other: psycopg.Connection[Any], impatient: None
) -> None:
    make_season(year=2026)
    report = send_return(make_trap())
    before, key = parts(), last_key()
    other.execute("UPDATE surveys_return SET rank = rank WHERE id = %s", [report.pk])
    with pytest.raises(OperationalError) as refusal:
        make_season(year=2027)
    assert isinstance(refusal.value.__cause__, errors.LockNotAvailable)
    assert (parts(), last_key()) == (before, key)
    other.rollback()
    make_season(year=2027)
    assert len(parts()) == len(before) + 1


def test_the_service_begins_a_part_without_the_right_to_make_a_table() -> None:
    make_role()
    make_season(year=2026)
    report = send_return(make_trap())
    before = parts()
    with psycopg.connect(f"{database_address()} user={APP}", autocommit=True) as app:
        with pytest.raises(errors.InsufficientPrivilege):
            app.execute("CREATE TABLE surveys_catch_99 PARTITION OF surveys_catch FOR VALUES FROM (99) TO (100)")
        # What a caller lays in the way of the function is passed over.
        for name in ("surveys_catch", "pg_inherits", "pg_class"):
            app.execute(f"CREATE TEMPORARY TABLE {name} (report_id bigint, relname text, inhrelid oid, inhparent oid)")
        app.execute("SET search_path = pg_temp, public")
        app.execute("SELECT public.begin_counts_of_a_season()")
        assert len(parts()) == len(before) + 1
        assert last_key() // ROOM == report.pk // ROOM + 1
        app.execute("SELECT public.measure_counts()")
        with pytest.raises(errors.InsufficientPrivilege):
            app.execute("SELECT setval('public.surveys_return_id_seq', 1)")
        owner = "SELECT count(DISTINCT relowner) FROM pg_catalog.pg_class WHERE relname LIKE 'surveys_catch%' AND relnamespace = 'public'::regnamespace"
        assert app.execute(owner).fetchone() == (1,)
    asked = "SELECT bool_or(has_function_privilege('public', oid, 'EXECUTE')) FROM pg_proc WHERE proname IN ('begin_counts_of_a_season', 'measure_counts')"
    assert asked_of(asked) == [(False,)]


def test_counts_of_several_seasons_are_read_through_an_index_of_each_part() -> None:
    """Enough rows in two parts that reading one whole would cost more; no clock."""
    make_season(year=2026)
    trap = make_trap()
    reports = [send_return(trap)]
    make_season(year=2027)
    reports.append(send_return(trap, set_at="2027-05-02T17:00:00+00:00", emptied_at="2027-05-03T17:00:00+00:00"))
    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        for report in reports:
            cursor.execute(
                "INSERT INTO surveys_catch (report_id, group_id, answer, low, high) SELECT %s + n, group_id, answer, low, high"
                " FROM surveys_catch, generate_series(1, 2000) n WHERE report_id = %s", [report.pk, report.pk],
            )  # fmt: skip
        cursor.execute("SET session_replication_role = origin")
        cursor.execute("ANALYZE surveys_catch")
    both = [part_of(report.pk).removeprefix("surveys_") for report in reports]
    assert both[0] != both[1]
    keys = [report.pk for report in reports]
    ((packs,),) = asked_of("SELECT prosrc FROM pg_proc WHERE proname = 'pack_answers'")
    packing = re.sub(r"\breport\b", str(keys[1]), str(packs)).replace("(groups)", "(ARRAY[1, 2])")
    of_one = f"SELECT low, high FROM surveys_catch WHERE report_id = {keys[1]}"
    for asked in (packing, of_one):
        assert {read.table for read in reads_of(asked) if read.table.startswith("catch")} == {both[1]}, asked
    of_two = f"SELECT * FROM surveys_catch WHERE report_id = ANY(ARRAY{keys})"
    assert [read.table for read in reads_of(of_two)] == both
    for asked in (packing, of_one, of_two):
        reads = [read for read in reads_of(asked) if read.table]
        assert {read.way for read in reads} <= {"Index Scan", "Index Only Scan", "Bitmap Heap Scan"}, reads
        assert sum(read.rows for read in reads) <= 2 * ANSWERS, reads


def test_all_parts_together_are_measured_once_a_night_has_packed_something() -> None:
    """What PostgreSQL knows of the table as a whole (``inherited``) is in its catalogue."""
    season = make_season()
    send_return(make_trap(), screened=True)
    Return.objects.update(state="standing")
    known = "SELECT count(*) FROM pg_stats WHERE tablename = 'surveys_catch' AND inherited AND attname = 'report_id'"
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM pg_statistic WHERE starelid = 'surveys_catch'::regclass")
    assert asked_of(known) == [(0,)]
    assert pack_catches(season=season, still_ours=lambda: None) == 1
    assert asked_of(known) == [(1,)]
