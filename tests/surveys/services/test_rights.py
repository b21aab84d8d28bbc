"""The role of the running service: it can do the whole job, and cannot undo what was sent or the log.

What a role may do is asked of PostgreSQL itself (``has_table_privilege``, refusals of real statements); ASVS 5.0.0,
13.2: services run with the least privileges that they need.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Any

import psycopg
import pytest
from django.apps import apps
from django.core.management import CommandError, call_command
from django.db import connection
from psycopg import errors

from surveys.models import Event, IndexValue, Return
from surveys.queries.log import broken_links
from surveys.services.erasure import erase_account
from surveys.services.night import ask_for_night, run_night
from surveys.services.rights import grant_rights
from surveys.services.screening import screen_received
from surveys.table_rights import RIGHTS, WORKED_OUT_OF_A_RETURN
from tests.as_app import APP, make_role
from tests.factories import ApiClient, make_coordinator, make_season, make_trap, return_payload, stored
from tests.journeys.conftest import database_address
from tests.making import make_release_now

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def app() -> Iterator[psycopg.Connection[Any]]:
    """A line on which the service itself has signed in, as its own role and not by giving up another's rights."""
    make_role()
    with psycopg.connect(f"{database_address()} user={APP}", autocommit=True) as line:
        yield line


@pytest.fixture
def as_app() -> Iterator[None]:
    """What this test does through Django, it does with the rights of the service."""
    make_role()
    with connection.cursor() as cursor:
        cursor.execute(f'SET ROLE "{APP}"')
    yield
    connection.close()


def sent() -> Return:
    make_season()
    trap = make_trap()
    payload = return_payload(trap)
    assert ApiClient(trap.site.household.keeper).send("returns", payload).status_code == 201
    return stored(payload)


def test_every_table_has_its_rights() -> None:
    tables = {model._meta.db_table for model in apps.get_models(include_auto_created=True)} | {"django_migrations"}
    assert set(RIGHTS) == tables
    for model in apps.get_models():
        columns = {field.column for field in model._meta.concrete_fields}
        assert set(RIGHTS[model._meta.db_table].update) - {"*"} <= columns, model


def test_what_may_change_of_a_return_is_exactly_what_no_trigger_guards() -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT attname FROM pg_trigger JOIN pg_attribute ON attrelid = tgrelid AND attnum = ANY(tgattr)"
            " WHERE tgname IN ('what_was_sent_is_never_edited', 'what_was_found_is_never_edited')"
        )
        guarded = {name for (name,) in cursor.fetchall()}
    everything = {field.column for field in Return._meta.concrete_fields}
    assert guarded | set(WORKED_OUT_OF_A_RETURN) | {"sender_id", "note"} == everything
    assert guarded & set(WORKED_OUT_OF_A_RETURN) == set()


def test_the_service_does_its_whole_job_with_its_own_rights(as_app: None) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_user, usesuper FROM pg_user WHERE usename = current_user")
        assert cursor.fetchone() == (APP, False)
    season = make_season()
    coordinator = ApiClient(make_coordinator("eastmark"))
    traps = [make_trap() for _ in range(6)]
    wrong = return_payload(traps[0])
    wrong["catch"][4] = {"group": "ground_beetles", "answer": "number", "count": 40}
    for trap in traps[1:]:
        ApiClient(trap.site.household.keeper).send("returns", return_payload(trap))
    ApiClient(traps[0].site.household.keeper).send("returns", wrong)
    screen_received(most=100)
    assert stored(wrong).state == "queried"
    verdict = {"decision": "corrected", "reason": "count_slip"}
    verdict["catch"] = [{"group": "ground_beetles", "answer": "number", "count": 4}]  # type: ignore[assignment]
    tag = coordinator.read(f"queue/{wrong['id']}")["ETag"]
    assert coordinator.send(f"queue/{wrong['id']}/verdicts", verdict, **{"If-Match": tag}).status_code == 201
    assert run_night(job_id=ask_for_night(season=season, night=date(2026, 5, 4))[0].pk) is not None
    assert IndexValue.objects.exists()
    assert make_release_now(season).version == "1.0.0"
    gone = traps[1].site.household.keeper
    assert gone is not None
    erase_account(by=gone, account=gone)
    assert Event.objects.filter(verb="indices published").count() == 1
    assert broken_links() == []


def test_the_service_takes_many_returns_at_once_with_its_own_rights(as_app: None) -> None:
    make_season()
    trap = make_trap()
    nights = [(f"2026-05-{day:02}T17:00:00+00:00", f"2026-05-{day + 1:02}T17:00:00+00:00") for day in range(1, 13)]
    sent = [return_payload(trap, set_at=set_at, emptied_at=emptied_at) for set_at, emptied_at in nights]
    answer = ApiClient(trap.site.household.keeper).send("returns/batch", {"returns": sent})
    assert answer.json()["stored"] == len(sent) == 12, answer.content


#: Statements that no bug and no intruder may run as the service. ``{}``: a return that is there.
REFUSED = [
    "DROP TABLE surveys_return",
    "ALTER TABLE surveys_return ADD COLUMN child text",
    "ALTER TABLE surveys_event DISABLE TRIGGER the_log_only_grows",
    "DROP TRIGGER the_log_only_grows ON surveys_event",
    "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NEW; END'",
    "CREATE TABLE mine (id int)",
    "CREATE SCHEMA mine",
    "CREATE ROLE another SUPERUSER",
    "TRUNCATE surveys_event",
    "TRUNCATE surveys_return CASCADE",
    "UPDATE surveys_event SET verb = 'nothing happened'",
    "DELETE FROM surveys_event",
    "DELETE FROM surveys_return",
    "UPDATE surveys_return SET mouth_mm = 80",
    "UPDATE surveys_catch SET low = 7, high = 7",
    "DELETE FROM surveys_catch",
    "TRUNCATE surveys_catch",
    "ALTER TABLE surveys_catch DETACH PARTITION surveys_catch_0",
    "CREATE OR REPLACE FUNCTION begin_counts_of_a_season() RETURNS void LANGUAGE sql AS 'SELECT 1'",
    "SELECT setval('surveys_return_id_seq', 1)",
    "UPDATE surveys_correction SET value = '0'",
    "DELETE FROM surveys_verdict",
    "DELETE FROM surveys_erasure",
    "DELETE FROM surveys_releasedsite",
    "UPDATE surveys_release SET manifest = '{}'",
    "DELETE FROM surveys_release",
    "INSERT INTO django_migrations (app, name, applied) VALUES ('surveys', '9999', now())",
    "SET session_replication_role = replica",
    "SET ROLE postgres",
    "COPY surveys_account TO PROGRAM 'cat'",
    "SELECT pg_read_file('/etc/hostname')",
    "ALTER DATABASE current SET fsync = off",
]


def test_the_service_cannot_undo_what_was_sent_nor_the_log(app: psycopg.Connection[Any]) -> None:
    """Plainly, and with the setting that opens a test's tables to the owner."""
    done = []
    for before in ("SELECT 1", "SET trapnight.wiping = 'test'"):
        app.execute(before)
        for statement in REFUSED:
            try:
                app.execute(statement.replace("DATABASE current", f'DATABASE "{connection.settings_dict["NAME"]}"'))
            except errors.InsufficientPrivilege:
                continue
            done.append((before, statement))
    assert done == []


def test_even_a_role_that_may_delete_cannot_wipe_a_database_that_is_no_test() -> None:
    """The setting of tests is open to everybody; what it opens is not.

    The guards as this database holds them stand over a table of that name in one that is called otherwise.
    """
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_get_functiondef('refuse_change'::regproc)")
        (function,) = cursor.fetchone()
        cursor.execute(
            "SELECT pg_get_triggerdef(oid) FROM pg_trigger"
            " WHERE tgrelid = 'surveys_event'::regclass AND NOT tgisinternal AND tgfoid = 'refuse_change'::regproc"
        )
        guards = [row[0] for row in cursor]
    assert len(guards) == 2  # each row, and the table as a whole
    with psycopg.connect(database_address("postgres"), autocommit=True) as server:
        server.execute("DROP DATABASE IF EXISTS trapnight_for_a_moment")
        server.execute("CREATE DATABASE trapnight_for_a_moment")
        try:
            with psycopg.connect(database_address("trapnight_for_a_moment"), autocommit=True) as owner:
                owner.execute("CREATE TABLE surveys_event AS SELECT 1 AS id")
                for made in (function, *guards):
                    owner.execute(made)
                owner.execute("SET trapnight.wiping = 'test'")
                for statement in ("DELETE FROM surveys_event", "TRUNCATE surveys_event"):
                    with pytest.raises(errors.RestrictViolation, match="only grows"):
                        owner.execute(statement)
                assert owner.execute("SELECT count(*) FROM surveys_event").fetchone() == (1,)
        finally:
            server.execute("DROP DATABASE trapnight_for_a_moment")


def test_the_command_gives_exactly_what_the_list_says(app: psycopg.Connection[Any]) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f'GRANT DELETE, TRUNCATE ON surveys_event TO "{APP}"')  # somebody was generous
    call_command("grant_rights", to=APP, verbosity=0)
    asked = "SELECT has_table_privilege(%s, 'SELECT'), has_table_privilege(%s, 'INSERT'), has_table_privilege(%s, 'UPDATE'), has_table_privilege(%s, 'DELETE'), has_table_privilege(%s, 'TRUNCATE, REFERENCES, TRIGGER')"
    for table, rights in RIGHTS.items():
        held = app.execute(asked, [table] * 5).fetchone()
        assert held == (True, rights.insert, rights.update == ("*",), rights.delete, False), table


def test_a_role_that_is_not_there_or_too_strong_is_refused_in_words() -> None:
    with pytest.raises(CommandError, match="has no role 'nobody_of_tests'"):
        call_command("grant_rights", to="nobody_of_tests")
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_user")
        owner = cursor.fetchone()[0]
    with pytest.raises(CommandError, match=r"is a superuser; it may create roles"):
        call_command("grant_rights", to=owner)
    make_role()
    with connection.cursor() as cursor:
        cursor.execute("GRANT pg_write_all_data TO " + APP)
    try:
        with pytest.raises(CommandError, match="is a member of another role"):
            call_command("grant_rights", to=APP)
    finally:
        with connection.cursor() as cursor:
            cursor.execute("REVOKE pg_write_all_data FROM " + APP)


def test_giving_rights_is_in_the_log() -> None:
    make_role()
    before = Event.objects.filter(verb="rights granted").count()
    assert grant_rights(to=APP) == len(RIGHTS)
    assert Event.objects.filter(verb="rights granted").count() == before + 1
