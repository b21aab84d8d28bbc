"""What guards the counts guards each part of their table, also one that is addressed by its own name."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import psycopg
import pytest
from django.db import IntegrityError, connection, transaction
from django.db.utils import InternalError
from psycopg import errors

from surveys.services.rights import grant_rights
from tests.as_app import APP, make_role
from tests.counts_in_parts import ROOM, asked_of, parts, parts_as_before
from tests.factories import make_season, make_trap, send_return
from tests.journeys.conftest import database_address

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def key_in() -> Iterator[dict[str, int]]:
    """Each part by its name, with the key of a return whose counts are there: an old one, the newest, the one ahead.

    The whole table stands among them.
    """
    with parts_as_before():
        make_season(year=2026)
        trap = make_trap()
        old = send_return(trap)
        make_season(year=2027)
        new = send_return(trap, set_at="2027-05-02T17:00:00+00:00", emptied_at="2027-05-03T17:00:00+00:00")
        *_, in_use, ahead = parts()
        key = int(ahead.rsplit("_")[-1]) * ROOM + 1
        with connection.cursor() as cursor:
            cursor.execute("SET session_replication_role = replica")  # a return that is not there yet
            cursor.execute(
                "INSERT INTO surveys_catch (report_id, group_id, answer, low, high)"
                " SELECT %s, group_id, answer, low, high FROM surveys_catch WHERE report_id = %s LIMIT 1",
                [key, old.pk],
            )
            cursor.execute("SET session_replication_role = origin")
        part = f"surveys_catch_{old.pk // ROOM}"
        assert part != in_use
        yield {"surveys_catch": old.pk, part: old.pk, in_use: new.pk, ahead: key}


def refused(statement: str, *values: object) -> str:
    """Return the words in which the database refuses a statement."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        with pytest.raises((IntegrityError, InternalError)) as refusal, transaction.atomic():
            cursor.execute(statement, list(values))
    return str(refusal.value)


def test_no_count_is_edited_in_any_part_nor_moved_to_another(key_in: dict[str, int]) -> None:
    for table, key in key_in.items():
        assert asked_of(f"SELECT count(*) > 0 FROM {table} WHERE report_id = %s", key) == [(True,)]
        assert "never edited" in refused(f"UPDATE {table} SET low = 7, high = 7 WHERE report_id = %s", key)
        assert "never edited" in refused(f"UPDATE {table} SET report_id = report_id + {ROOM} WHERE report_id = %s", key)


@pytest.mark.parametrize(
    ("answer", "low", "high"),
    [("number", None, None), ("number", 0, 0), ("number", 3, 4), ("none_seen", 1, 1), ("did_not_look", 0, 0),
     ("could_not_tell", 1, 1), ("class", 3, 3), ("class", None, None), ("lots", 1, 1)],
)  # fmt: skip
def test_a_blank_is_never_a_zero_in_any_part(
    key_in: dict[str, int], answer: str, low: int | None, high: int | None
) -> None:
    for table, key in key_in.items():
        words = refused(
            f"INSERT INTO {table} (id, report_id, group_id, answer, low, high)"
            " SELECT 1, %s, max(id), %s, %s, %s FROM surveys_group",
            key, answer, low, high,
        )  # fmt: skip
        assert "a_blank_is_never_a_zero" in words or "a_catch_is_one_of_five_answers" in words, (table, words)


def test_a_group_is_answered_once_in_each_part_and_of_a_return_and_a_group_that_are_there(
    key_in: dict[str, int],
) -> None:
    for table, key in key_in.items():
        insert = f"INSERT INTO {table} (id, report_id, group_id, answer, low, high)"
        again = f"{insert} SELECT 1, report_id, group_id, answer, low, high FROM surveys_catch WHERE report_id = %s"
        assert "duplicate key" in refused(again, key)
        assert "foreign key" in refused(f"{insert} VALUES (1, %s, -1, 'none_seen', 0, 0)", key)
        group = f"{insert} SELECT 1, %s, max(id), 'none_seen', 0, 0 FROM surveys_group"
        assert "foreign key" in refused(group, key + ROOM // 2)


def test_no_count_lies_in_the_part_of_another_season(key_in: dict[str, int]) -> None:
    (_, *tables), keys = key_in, set(key_in.values())
    for table in tables:
        for key in keys - {key_in[table]}:
            insert = f"INSERT INTO {table} (id, report_id, group_id, answer) VALUES (1, %s, -1, 'did_not_look')"
            assert "violates partition constraint" in refused(insert, key)


def test_the_service_reads_and_adds_by_the_name_of_the_whole_table_only(key_in: dict[str, int]) -> None:
    make_role()
    with connection.cursor() as cursor:
        cursor.execute(f'GRANT ALL ON surveys_catch_0 TO "{APP}"')  # somebody was generous
    grant_rights(to=APP)
    with psycopg.connect(f"{database_address()} user={APP}", autocommit=True) as app:
        insert = "INSERT INTO {} (report_id, group_id, answer) SELECT min(id), min(id), 'did_not_look' FROM surveys_return WHERE false"
        for statement in (
            "UPDATE {} SET low = 7, high = 7",
            "DELETE FROM {}",
            "TRUNCATE {}",
            insert,
            "SELECT 1 FROM {}",
        ):
            for table in {*key_in, *parts()}:
                if table == "surveys_catch" and statement in (insert, "SELECT 1 FROM {}"):
                    continue
                with pytest.raises(errors.InsufficientPrivilege):
                    app.execute(statement.format(table))
        counted: Any = app.execute("SELECT count(DISTINCT report_id) FROM surveys_catch").fetchone()
        assert counted == (3,)
        with pytest.raises(errors.CheckViolation):  # the right is there; a return is not named
            app.execute(insert.format("surveys_catch"))
