"""What the database itself refuses, asked in plain SQL: the last line of defence."""

from __future__ import annotations

import hashlib
import json

import pytest
from django.db import IntegrityError, connection, transaction
from django.db.utils import InternalError

from surveys.models import Catch, Event, Return
from surveys.queries.log import broken_links
from tests.factories import ApiClient, make_season, make_trap, return_payload, stored

pytestmark = pytest.mark.django_db


@pytest.fixture
def report() -> Return:
    make_season()
    trap = make_trap()
    payload = return_payload(trap)
    ApiClient(trap.site.household.keeper).send("returns", payload)
    return stored(payload)


def refused(statement: str, *values: object) -> str:
    """Return the words in which the database refuses a statement."""
    with pytest.raises((IntegrityError, InternalError)) as refusal, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement, list(values))
    return str(refusal.value)


@pytest.mark.parametrize(
    "column", ["mouth_mm = 80", "set_at = now()", "liquid = 'soap'", "note = 'changed'", "uuid = gen_random_uuid()"]
)
def test_what_was_sent_is_never_edited(report: Return, column: str) -> None:
    assert "never edited" in refused(f"UPDATE surveys_return SET {column} WHERE id = %s", report.pk)


def test_a_catch_is_never_edited(report: Return) -> None:
    assert "never edited" in refused("UPDATE surveys_catch SET low = 7, high = 7 WHERE report_id = %s", report.pk)


@pytest.mark.parametrize(
    ("answer", "low", "high"),
    [("number", None, None), ("number", 0, 0), ("number", 3, 4), ("none_seen", 1, 1), ("did_not_look", 0, 0),
     ("could_not_tell", 1, 1), ("class", 3, 3), ("class", None, None), ("lots", 1, 1)],
)  # fmt: skip
def test_a_blank_is_never_a_zero(report: Return, answer: str, low: int | None, high: int | None) -> None:
    Catch.objects.filter(report=report).first()
    words = refused(
        "INSERT INTO surveys_catch (report_id, group_id, answer, low, high)"
        " SELECT %s, max(id) + 0, %s, %s, %s FROM surveys_group",
        report.pk, answer, low, high,
    )  # fmt: skip
    assert "a_blank_is_never_a_zero" in words or "a_catch_is_one_of_five_answers" in words


def test_a_return_cannot_be_in_an_unknown_state(report: Return) -> None:
    assert "a_return_is_in_a_known_state" in refused(
        "UPDATE surveys_return SET state = 'lost' WHERE id = %s", report.pk
    )


def test_the_log_only_grows(report: Return) -> None:
    assert "only grows" in refused("UPDATE surveys_event SET verb = 'nothing happened'")
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL trapnight.wiping = 'no'")
    assert "only grows" in refused("DELETE FROM surveys_event")
    assert "only grows" in refused("TRUNCATE surveys_event")


def test_the_chain_holds_and_shows_where_it_was_broken(report: Return) -> None:
    assert broken_links() == []
    victim = Event.objects.order_by("id")[2]
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE surveys_event DISABLE TRIGGER the_log_only_grows")
        cursor.execute("UPDATE surveys_event SET verb = 'nothing happened' WHERE id = %s", [victim.pk])
        cursor.execute("ALTER TABLE surveys_event ENABLE TRIGGER the_log_only_grows")
    assert broken_links() == [victim.pk]


def test_a_link_is_the_sha256_of_what_it_says(report: Return) -> None:
    """Outside check: the first link worked out with Python's hashlib from the row as it reads."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT previous, id, to_char(at AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS.US'), actor, verb, subject,"
            " subject_id, details::text, request_id, digest FROM surveys_event ORDER BY id LIMIT 1"
        )
        *parts, digest = cursor.fetchone()
    written = "\x1f".join("-" if part is None else str(part) for part in parts)
    assert hashlib.sha256(written.encode()).hexdigest() == digest


def test_no_event_carries_a_name_an_address_or_a_place(report: Return) -> None:
    text = json.dumps(list(Event.objects.values_list("verb", "details", "request_id")))
    for secret in (report.trap.site.household.alias, report.sender.email if report.sender else "", "51.5", "-17.5"):
        assert secret not in text
