"""The limit through the whole service: one count for an account, exact to the request, under threads too."""

from __future__ import annotations

import re
import threading
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from django.db import connection

from tests.factories import ApiClient, make_account

pytestmark = pytest.mark.django_db

#: Half a minute into a minute, so that no count begins anew while a test runs.
HALF_PAST = 29_629_020 * 60 + 30


@pytest.fixture
def half_past(monkeypatch: pytest.MonkeyPatch, settings: Any) -> None:
    settings.API_REQUESTS_PER_MINUTE = 1000
    monkeypatch.setattr("api.throttling.time.time", lambda: HALF_PAST)


def told(answer: Any) -> tuple[int, int]:
    """Return r and t of draft-ietf-httpapi-ratelimit-headers-10, section 4: how many are left, for how many seconds."""
    assert answer["RateLimit-Policy"] == '"api";q=1000;w=60'
    left, seconds = re.fullmatch(r'"api";r=(\d+);t=(\d+)', answer["RateLimit"]).groups()  # type: ignore[union-attr]
    return int(left), int(seconds)


def test_an_account_takes_its_count_along_to_every_token_and_address(half_past: None) -> None:
    account = make_account()
    for number in range(3):
        answer = ApiClient(account).get("/api/v1/seasons", REMOTE_ADDR=f"192.0.2.{number}")
        assert told(answer) == (999 - number, 30)


def test_exactly_as_many_as_allowed_are_let_through(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.API_REQUESTS_PER_MINUTE = 5
    monkeypatch.setattr("api.throttling.time.time", lambda: HALF_PAST)
    client = ApiClient(make_account())
    answers = [client.read("returns") for _ in range(8)]
    assert [one.status_code for one in answers] == [200] * 5 + [429] * 3
    assert {one["Retry-After"] for one in answers[5:]} == {"30"}
    assert answers[7]["RateLimit"] == '"api";r=0;t=30'
    assert answers[7].json()["type"].endswith("/problems/quota-exceeded/")


@pytest.mark.django_db(transaction=True)
def test_eight_threads_get_exactly_as_many_through_as_are_allowed(
    settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings.API_REQUESTS_PER_MINUTE = 20
    monkeypatch.setattr("api.throttling.time.time", lambda: HALF_PAST)
    account, barrier = make_account(), threading.Barrier(8)
    clients = [ApiClient(account) for _ in range(8)]

    def ask(client: ApiClient) -> list[int]:
        barrier.wait(10)
        try:
            return [client.read("returns").status_code for _ in range(5)]
        finally:
            connection.close()

    with ThreadPoolExecutor(8) as threads:
        statuses = [status for some in threads.map(ask, clients) for status in some]
    assert (statuses.count(200), statuses.count(429)) == (20, 20)
