"""Alive and ready: what the one who runs the service is told."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.utils import timezone

from surveys.models import Event, Job
from surveys.queries import health as queries
from surveys.vocabulary import JobKind, JobState

pytestmark = pytest.mark.django_db(transaction=True)


def test_alive_asks_nothing_of_the_database(django_assert_num_queries) -> None:
    with django_assert_num_queries(0):
        answer = Client().get("/health/live")
    assert answer.status_code == 200
    assert answer.json() == {"alive": True}


def sign_of_life(*, seconds_ago: float = 5) -> None:
    """Write down what a worker leaves when it has finished the small job of each minute."""
    seen = timezone.now() - timedelta(seconds=seconds_ago)
    Job.objects.create(kind=JobKind.CANARY, key=str(seconds_ago), state=JobState.DONE, finished_at=seen)


def faulty(answer: Any) -> list[str]:
    return [check["name"] for check in answer.json()["checks"] if not check["fine"]]


def test_a_service_with_all_its_parts_is_ready() -> None:
    sign_of_life()
    answer = Client().get("/health/ready")
    assert answer.status_code == 200, answer.content
    assert answer.json()["ready"] is True
    assert {check["name"] for check in answer.json()["checks"]} == {
        "database", "migrations", "cache", "worker", "kept files",
    }  # fmt: skip
    assert all(check["sentence"].endswith(".") and not check["problem"] for check in answer.json()["checks"])
    assert answer["Cache-Control"] == "no-store"


def test_a_database_that_may_lose_confirmed_writes_is_not_ready() -> None:
    """PostgreSQL 18 manual, "Write Ahead Log": with one of these off an answered commit may be lost."""
    sign_of_life()
    with connection.cursor() as cursor:
        cursor.execute("SET synchronous_commit = off")
    try:
        assert queries.settings_that_lose_writes() == ["synchronous_commit"]
        answer = Client().get("/health/ready")
    finally:
        with connection.cursor() as cursor:
            cursor.execute("RESET synchronous_commit")
    assert answer.status_code == 503
    assert "synchronous_commit" in answer.json()["checks"][0]["problem"]


def test_a_missing_migration_is_not_ready() -> None:
    sign_of_life()
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE django_migrations SET name = 'hidden' WHERE app = 'knox' AND name LIKE '0009%' RETURNING id"
        )
        (row,) = cursor.fetchone()
    try:
        missing = queries.migrations_to_apply()
        answer = Client().get("/health/ready")
    finally:
        with connection.cursor() as cursor:
            cursor.execute("UPDATE django_migrations SET name = '0009_extend_authtoken_field' WHERE id = %s", [row])
    assert missing == ["knox.0009_extend_authtoken_field"]
    assert answer.status_code == 503
    assert [check["name"] for check in answer.json()["checks"] if not check["fine"]] == ["migrations"]


def test_a_cache_that_is_away_is_told_and_hides_nothing_else(settings) -> None:
    sign_of_life()
    settings.CACHES = {
        "default": {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": "redis://127.0.0.1:1/0"}
    }
    answer = Client().get("/health/ready")
    assert answer.status_code == 503
    assert [check["name"] for check in answer.json()["checks"] if not check["fine"]] == ["cache"]


def test_the_last_sign_of_life_of_a_worker_is_told_in_seconds() -> None:
    assert Client().get("/health/ready").json()["worker_last_seen_s"] is None
    sign_of_life(seconds_ago=90)
    told = Client().get("/health/ready").json()["worker_last_seen_s"]
    assert 90 <= told <= 120


def test_a_worker_that_is_silent_for_three_minutes_is_told() -> None:
    """K6 of the reliability notes: a canary each minute, red after three minutes without one."""
    assert faulty(Client().get("/health/ready")) == ["worker"], "none was ever seen"
    sign_of_life(seconds_ago=200)
    answer = Client().get("/health/ready")
    assert (answer.status_code, faulty(answer)) == (503, ["worker"])
    sign_of_life(seconds_ago=100)
    assert Client().get("/health/ready").status_code == 200


@pytest.mark.parametrize(("lease_s", "fine"), [(60, True), (-1, False)])
def test_a_worker_at_a_long_job_is_alive_while_it_renews_its_lease(lease_s: int, fine: bool) -> None:
    Job.objects.create(
        kind=JobKind.NIGHT, key="a", state=JobState.RUNNING, lease_until=timezone.now() + timedelta(seconds=lease_s)
    )
    assert (faulty(Client().get("/health/ready")) == []) is fine


def test_what_the_worker_does_each_minute_is_seen() -> None:
    from surveys.tasks import show_sign_of_life

    show_sign_of_life()
    assert Client().get("/health/ready").status_code == 200
    assert not Event.objects.exists(), "the log only grows, and this comes each minute for years"


def test_a_full_disk_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    sign_of_life()
    monkeypatch.setattr("surveys.web.health.LEAST_FREE_BYTES", 10**18)
    answer = Client().get("/health/ready")
    assert faulty(answer) == ["kept files"]
    assert "MB are free" in answer.content.decode()


def test_nothing_secret_is_told(settings) -> None:
    told = Client().get("/health/ready").content.decode()
    for secret in (
        settings.SECRET_KEY,
        str(settings.RELEASES_FOLDER),
        settings.REDIS_URL,
        connection.settings_dict["HOST"],
    ):
        assert secret
        assert secret not in told


def test_health_is_the_same_without_tls(settings) -> None:
    settings.SECURE_SSL_REDIRECT = True
    assert Client().get("/health/live").status_code == 200
