"""Alive and ready: what the one who runs the service is told."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.utils import timezone

from surveys.models import Job
from surveys.queries import health as queries
from surveys.vocabulary import JobKind, JobState

pytestmark = pytest.mark.django_db(transaction=True)


def test_alive_asks_nothing_of_the_database(django_assert_num_queries) -> None:
    with django_assert_num_queries(0):
        answer = Client().get("/health/live")
    assert answer.status_code == 200
    assert answer.json() == {"alive": True}


def test_a_service_with_database_cache_and_tables_is_ready() -> None:
    answer = Client().get("/health/ready")
    assert answer.status_code == 200, answer.content
    assert answer.json()["ready"] is True
    assert {check["name"] for check in answer.json()["checks"]} == {"database", "migrations", "cache"}
    assert answer["Cache-Control"] == "no-store"


def test_a_database_that_may_lose_confirmed_writes_is_not_ready() -> None:
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
    settings.CACHES = {
        "default": {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": "redis://127.0.0.1:1/0"}
    }
    answer = Client().get("/health/ready")
    assert answer.status_code == 503
    assert [check["name"] for check in answer.json()["checks"] if not check["fine"]] == ["cache"]


def test_the_last_sign_of_life_of_a_worker_is_told_in_seconds() -> None:
    assert Client().get("/health/ready").json()["worker_last_seen_s"] is None
    seen = timezone.now() - timedelta(seconds=90)
    Job.objects.create(kind=JobKind.CANARY, key="a", state=JobState.DONE, finished_at=seen)
    told = Client().get("/health/ready").json()["worker_last_seen_s"]
    assert 90 <= told <= 120


def test_health_is_the_same_without_tls(settings) -> None:
    settings.SECURE_SSL_REDIRECT = True
    assert Client().get("/health/live").status_code == 200
