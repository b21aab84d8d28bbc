"""Research is read from a real streaming replica while that keeps up, and from the database itself otherwise."""

from __future__ import annotations

import csv
import inspect
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from django.db import DatabaseError, connection, connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.test.utils import CaptureQueriesContext

from project import env
from surveys.models import Region, Return, Season
from surveys.queries import ground, live_data, replica
from surveys.queries.exports import file_of
from surveys.queries.replica import REPLICA, RESEARCH, may_lag, research_connection
from surveys.services import export_files
from surveys.services.exports import ask_for_export, write_export
from surveys.vocabulary import ExportTable, FileKind
from tests.factories import ApiClient, make_household, make_researcher, make_season, make_site, make_trap, send_return
from tests.operation.standby import Standby

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(scope="module")
def standby(django_db_setup: None, django_db_blocker: Any) -> Iterator[Standby]:
    with django_db_blocker.unblock():
        made = Standby()
    yield made
    made.remove()


@pytest.fixture
def follower(standby: Standby, transactional_db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Standby]:
    """The replica as this installation's, looked at each time; in good order before and after."""
    monkeypatch.setattr(replica, "LOOK_EVERY_S", 0.0)
    monkeypatch.setattr(replica, "AWAY_S", 0.0)
    monkeypatch.setattr(replica._Looks, "latest", None)
    # A test may reach the databases that Django knew when it began; this one comes later.
    guarded = inspect.getclosurevars(BaseDatabaseWrapper.ensure_connection).nonlocals
    monkeypatch.setattr(BaseDatabaseWrapper, "ensure_connection", guarded["real_ensure_connection"])
    live_data._live_places.cache_clear()
    connections.settings[REPLICA] = standby.settings()
    standby.catch_up()
    yield standby
    connections[REPLICA].close()
    del connections[REPLICA]
    del connections.settings[REPLICA]
    live_data._live_places.cache_clear()


@pytest.fixture
def reader(follower: Standby) -> ApiClient:
    """A researcher of a season with five gardens, each of which has sent a return."""
    make_season()
    for _ in range(5):
        send_standing()
    client = ApiClient(make_researcher())
    follower.catch_up()
    return client


def send_standing() -> None:
    """Have a return of a new garden stand."""
    sent = send_return(make_trap(site=make_site(household=make_household())))
    Return.objects.filter(pk=sent.pk).update(state="standing")


@contextmanager
def held_up(standby: Standby) -> Iterator[None]:
    """Let the replica repeat nothing for a while."""
    standby.ask("SELECT pg_wal_replay_pause()::text")
    while standby.ask("SELECT pg_get_wal_replay_pause_state()") != "paused":
        time.sleep(0.02)
    try:
        yield
    finally:
        standby.ask("SELECT pg_wal_replay_resume()::text")


def page(client: ApiClient, address: str = "/api/v1/data/returns?season=test-2026&limit=2") -> tuple[Any, list[str]]:
    """Read a page; return it with the queries that went to the replica, the looks at it left out."""
    with CaptureQueriesContext(connections[REPLICA]) as asked:
        answer = client.get(address)
    assert answer.status_code == 200, answer.content
    return answer, [one["sql"] for one in asked.captured_queries if "pg_last_wal_replay_lsn" not in one["sql"]]


def walk(client: ApiClient, settings: Any, lags: Iterator[float]) -> list[str]:
    """Walk all pages of the live data, each under the next of some limits of lag; return the ids in their order."""
    found, address = [], "/api/v1/data/returns?season=test-2026&limit=2"
    while address:
        settings.READ_LAG_MOST_S = next(lags)
        answer, _ = page(client, address)
        found += [row["return_id"] for row in answer.json()["items"]]
        address = answer.json()["next"]
    return found


def all_ids() -> list[str]:
    return sorted(str(one) for one in Return.objects.values_list("uuid", flat=True))


def test_live_data_come_from_the_replica_and_whose_token_it_is_from_the_database(reader: ApiClient) -> None:
    with CaptureQueriesContext(connection) as database:
        answer, asked = page(reader)
    assert len(answer.json()["items"]) == 2
    assert any("WITH page AS MATERIALIZED" in sql for sql in asked)
    assert not any("surveys_token" in sql for sql in asked)
    assert any("surveys_token" in one["sql"] for one in database.captured_queries)
    assert not any("WITH page AS MATERIALIZED" in one["sql"] for one in database.captured_queries)


def test_open_pages_of_research_come_from_it_and_nothing_about_a_person(reader: ApiClient) -> None:
    collections = [f"/ogc/collections/{name}/items" for name in ("regions", "cells", "index-values")]
    tables = {f"surveys_{name}" for name in RESEARCH}
    for address in ("/ogc/collections", *collections, "/seasons/test-2026/"):
        ground._ground.cache_clear()
        _, asked = page(reader, address)
        assert asked, address
        for sql in asked:
            assert sql.partition(' FROM "')[2].partition('"')[0] in tables, sql


def test_what_is_for_one_person_never_comes_from_it(reader: ApiClient) -> None:
    for address in ("/api/v1/returns", "/api/v1/exports", "/api/v1/seasons", "/releases/", "/data/", "/"):
        assert page(reader, address)[1] == [], address


def test_an_export_is_read_from_it(reader: ApiClient, follower: Standby, monkeypatch: pytest.MonkeyPatch) -> None:
    read_from: list[str] = []

    def noted() -> Any:
        read_from.append(research_connection().alias)
        return research_connection()

    monkeypatch.setattr(export_files, "research_connection", noted)
    assert exported(follower) == 5
    assert read_from == [REPLICA]


def exported(follower: Standby) -> int:
    """Ask for an export, write it, and return how many returns are in it."""
    asked = ask_for_export(
        by=make_researcher(), season_code="test-2026", table=ExportTable.RETURNS, kind=FileKind.CSV, filters={}
    )
    follower.catch_up()
    export = write_export(job_id=asked.job_id)  # type: ignore[union-attr]
    assert export is not None
    with file_of(export).open() as file:
        return len(list(csv.DictReader(file)))


def test_an_export_whose_replica_breaks_off_is_written_anew_from_the_database(
    reader: ApiClient, follower: Standby, monkeypatch: pytest.MonkeyPatch
) -> None:
    read_from: list[str] = []
    copied = export_files._copied
    monkeypatch.setattr(export_files, "_copied", lambda *given: broken_once(copied, read_from, follower, *given))
    assert exported(follower) == 5
    assert read_from == [str(follower.folder), connection.settings_dict["HOST"]]


def broken_once(copied: Any, read_from: list[str], follower: Standby, cursor: Any, *given: Any) -> Iterator[bytes]:
    """Yield the rows; the first time the replica ends its line after one of them."""
    read_from.append(cursor.db.settings_dict["HOST"])
    rows = copied(cursor, *given)
    yield next(rows)
    if len(read_from) == 1:
        follower.ask("SELECT bool_or(pg_terminate_backend(pid)) FROM pg_stat_activity WHERE datname LIKE 'test%'")
        rows.close()
        cursor.execute("SELECT 1")
    yield from rows


def test_one_that_lags_is_passed_over_until_it_has_caught_up(
    reader: ApiClient, follower: Standby, settings: Any
) -> None:
    address = "/api/v1/data/returns?season=test-2026"
    with held_up(follower):
        send_standing()
        settings.READ_LAG_MOST_S = 3600
        late, asked = page(reader, address)
        assert asked
        assert len(late.json()["items"]) == 5  # as it was a moment ago, which is allowed here
        settings.READ_LAG_MOST_S = 1
        time.sleep(1.2)
        fresh, asked = page(reader, address)
        assert asked == []
        assert len(fresh.json()["items"]) == 6
    follower.catch_up()
    again, asked = page(reader, address)
    assert asked
    assert again.json()["items"] == fresh.json()["items"]


def test_one_that_has_repeated_all_is_fresh_however_long_nobody_wrote(
    reader: ApiClient, follower: Standby, settings: Any
) -> None:
    settings.READ_LAG_MOST_S = 1
    time.sleep(1.5)
    follower.catch_up()
    assert page(reader)[1]


def test_a_walk_over_both_misses_and_repeats_nothing(reader: ApiClient, follower: Standby, settings: Any) -> None:
    """Page for page from the database, then from a replica that is older: only a later state may follow."""
    before = all_ids()
    assert walk(reader, settings, iter([0, 3600] * 10)) == before
    with held_up(follower):
        for _ in range(6):
            send_standing()
        there = all_ids()
        # The first page is the database's. The replica may lag an hour, but has not come as far as that page.
        assert walk(reader, settings, iter([0] + [3600] * 20)) == there
        # A walk that begins on it may go on in the database, which is later: old rows are all there, each once.
        begun_late = walk(reader, settings, iter([3600, 0] * 20))
    assert begun_late == sorted(set(begun_late))
    assert set(before) <= set(begun_late) <= set(there)


def test_one_that_is_away_is_passed_over_and_comes_back(reader: ApiClient, follower: Standby) -> None:
    assert page(reader)[1]
    follower.stop()
    try:
        answer, asked = page(reader)
        assert asked == []
        assert len(answer.json()["items"]) == 2
        assert reader.get("/health/ready").json()["replica"]["read"] is False
    finally:
        follower.start()
    follower.catch_up()
    assert page(reader)[1]


def test_a_read_in_whose_middle_it_goes_away_is_done_anew_from_the_database(
    reader: ApiClient, follower: Standby
) -> None:
    asked: list[str] = []

    @may_lag
    def regions() -> int:
        asked.append(research_connection().alias)
        if asked == [REPLICA]:
            follower.ask("SELECT bool_or(pg_terminate_backend(pid)) FROM pg_stat_activity WHERE datname LIKE 'test%'")
        return Region.objects.count()

    assert regions() == 2
    assert asked == [REPLICA, "default"]


def test_a_query_that_takes_too_long_is_not_asked_twice(reader: ApiClient) -> None:
    asked: list[str] = []

    @may_lag
    def slow() -> None:
        asked.append(research_connection().alias)
        with research_connection().cursor() as cursor:
            cursor.execute("SET statement_timeout = '20ms'")
            cursor.execute("SELECT pg_sleep(1)")

    with pytest.raises(DatabaseError, match="statement timeout"):
        slow()
    assert asked == [REPLICA]
    connections[REPLICA].close()


def test_nothing_is_ever_written_to_it(reader: ApiClient, follower: Standby) -> None:
    @may_lag
    def renamed() -> str:
        season = Season.objects.get(code="test-2026")
        assert season._state.db == REPLICA
        season.contact = "new@test.example"
        season.save(update_fields=["contact"])
        return str(season._state.db)

    with CaptureQueriesContext(connections[REPLICA]) as asked, pytest.raises(DatabaseError, match="frozen"):
        renamed()  # the trigger of the database itself refuses it: it was asked, and no other
    assert not any(one["sql"].startswith(("UPDATE", "INSERT", "DELETE")) for one in asked.captured_queries)
    with pytest.raises(DatabaseError, match="read-only"), connections[REPLICA].cursor() as cursor:
        cursor.execute("DELETE FROM surveys_news")


def test_readiness_and_measures_tell_its_lag(reader: ApiClient, follower: Standby, settings: Any) -> None:
    told = reader.get("/health/ready").json()["replica"]
    assert told["read"] is True
    assert told["lag_s"] == 0
    assert "trapnight_replica_read 1.0" in reader.get("/metrics").content.decode()
    with held_up(follower):
        send_standing()
        settings.READ_LAG_MOST_S = 0
        time.sleep(0.2)
        told = reader.get("/health/ready").json()["replica"]
        assert told["read"] is False
        assert told["lag_s"] > 0.1
        assert "Research is read from the database meanwhile." in told["sentence"]
        lines = reader.get("/metrics").content.decode().splitlines()
    assert "trapnight_replica_read 0.0" in lines
    (lag,) = [line for line in lines if line.startswith("trapnight_replica_lag_seconds ")]
    assert float(lag.split()[1]) > 0.1


def test_a_copy_of_another_database_is_passed_over(reader: ApiClient, follower: Standby) -> None:
    """An address that was mistyped, or copied from a place where things are tried out, would answer with its data."""
    own = connections.settings[REPLICA]
    connections[REPLICA].close()
    del connections[REPLICA]
    connections.settings[REPLICA] = {**own, "NAME": "postgres"}
    try:
        found = replica.replica_now()
        assert found is not None
        assert found.why == "It is a copy of another database. Name one of this database."
        answer, asked = page(reader)
        assert (len(answer.json()["items"]), asked) == (2, [])
    finally:
        connections[REPLICA].close()
        del connections[REPLICA]
        connections.settings[REPLICA] = own
    _, asked = page(reader)
    assert asked


def test_one_that_was_promoted_is_no_replica_any_more(reader: ApiClient, follower: Standby) -> None:
    follower.promote()
    assert page(reader)[1] == []
    assert "takes writes of its own" in reader.get("/health/ready").json()["replica"]["sentence"]


def test_its_address_is_read_as_the_database_s_and_one_that_is_away_is_soon_given_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("READ_DATABASE_URL", "postgresql://reader@replica.example:5433/trapnight")
    found = env.replica(options="-c jit=off")
    assert (found["HOST"], found["PORT"], found["NAME"]) == ("replica.example", "5433", "trapnight")
    assert found["OPTIONS"]["options"] == "-c default_transaction_read_only=on -c jit=off"
    assert found["OPTIONS"]["connect_timeout"] == 2
    monkeypatch.setenv("READ_DATABASE_URL", "postgresql://replica.example/trapnight?connect_timeout=7")
    assert env.replica()["OPTIONS"]["connect_timeout"] == "7"
