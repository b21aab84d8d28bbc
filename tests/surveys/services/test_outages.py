"""While the database takes nothing in: readers are let in, and screening blames no return for it.

Codes of states: PostgreSQL's manual, appendix A (25006 read only, 53100 disk full).
"""

from __future__ import annotations

from typing import Any

import psycopg
import pytest
from django.db import OperationalError, connection
from django.test import Client

from surveys.models import Query, Token
from surveys.services import screening
from tests.factories import PASSWORD, ApiClient, make_household, make_season, make_trap, return_payload, stored

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def reading_only() -> Any:
    """Switch the line of this test to reading, once what it needs is there."""

    def switch(state: str) -> None:
        with connection.cursor() as cursor:
            cursor.execute(f"SET default_transaction_read_only = {state}")

    yield lambda: switch("on")
    switch("off")


def test_a_token_opens_a_database_that_only_reads(reading_only: Any) -> None:
    """The first use of an hour is noted, and the note is all that a reader would have to write."""
    client = ApiClient(make_household().keeper)
    reading_only()
    assert client.read("returns").status_code == 200
    assert Token.objects.get().last_used_at is None


def test_a_return_is_refused_in_words_that_say_when_to_come_back(reading_only: Any) -> None:
    make_season()
    trap = make_trap()
    client = ApiClient(trap.site.household.keeper)
    payload = return_payload(trap)
    reading_only()
    answer = client.send("returns", payload)
    assert (answer.status_code, answer["Content-Type"]) == (503, "application/problem+json")
    assert "takes nothing in" in answer.json()["detail"]
    assert int(answer["Retry-After"]) > 0


def test_a_page_that_writes_says_so(reading_only: Any) -> None:
    email, browser = make_household().keeper.email, Client(raise_request_exception=False)
    reading_only()
    page = browser.post("/sign-in", {"email": email, "password": PASSWORD})
    assert (page.status_code, int(page["Retry-After"]) > 0) == (503, True)
    assert b"we cannot save things" in page.content
    assert browser.get("/").status_code == 200


def test_a_full_disk_sends_no_return_to_a_person(monkeypatch: pytest.MonkeyPatch) -> None:
    make_season()
    trap = make_trap()
    client = ApiClient(trap.site.household.keeper)
    payloads = [
        return_payload(trap, set_at=f"2026-05-0{day}T17:00:00Z", emptied_at=f"2026-05-0{day + 1}T17:00:00Z")
        for day in (2, 5)
    ]
    for payload in payloads:
        assert client.send("returns", payload).status_code == 201

    def full(cases: Any) -> Any:
        fault = OperationalError("could not extend file")
        fault.__cause__ = psycopg.errors.DiskFull()
        raise fault

    with monkeypatch.context() as patched:
        patched.setattr(screening, "screen_cases", full)
        with pytest.raises(OperationalError):
            screening.screen_received(most=10)
    assert [stored(one).state for one in payloads] == ["received", "received"]
    assert not Query.objects.exists()
    assert screening.screen_received(most=10) == 2
    assert not Query.objects.filter(reason="not_screened").exists()
