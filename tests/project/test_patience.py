"""The database ends what takes too long: soon for pages, late for jobs, and nothing is half-written.

ASVS 5.0.0 and OWASP API4:2023 ask for limits on what one request may use; the names of the settings are those of the
PostgreSQL manual ("Client Connection Defaults").
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import psycopg
import pytest
from django.core.exceptions import ImproperlyConfigured
from django.db import connection

from project import env, patience
from project.patience import PATIENCE, Program, options_of
from surveys.models import Event, KeptAnswer, Return
from tests.factories import ROOT, ApiClient, client_of, make_season, make_trap, return_payload
from tests.journeys.conftest import database_address, environment

NAMES = ("statement_timeout", "lock_timeout", "idle_in_transaction_session_timeout", "jit")


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("program", "held"),
    [
        (Program.WEB, ("5s", "4s", "30s", "off")),
        (Program.WORK, ("15min", "2min", "15min", "on")),
        (Program.MIGRATE, ("0", "5s", "0", "on")),
    ],
)
def test_the_server_holds_each_program_to_its_patience(program: Program, held: tuple[str, ...]) -> None:
    with psycopg.connect(database_address(), options=options_of(program)) as line:
        assert tuple(line.execute(f"SHOW {name}").fetchone()[0] for name in NAMES) == held  # type: ignore[index]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("start", "held"),
    [("from project.wsgi import application", "5s"), ("import django; django.setup()", "15min")],
)
def test_the_web_server_is_known_by_the_file_that_it_loads(start: str, held: str) -> None:
    ask = "from django.db import connection as c; q = c.cursor(); q.execute('SHOW statement_timeout'); print(q.fetchone()[0])"
    answer = subprocess.run(
        [sys.executable, "-c", f"{start}; {ask}"], cwd=ROOT, env=environment(database_address(), broker=6) | {"PATH": ""},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert answer.stdout.split() == [held], answer.stderr


def test_what_no_program_is_stops_the_start_with_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(patience.NAME, "webb")
    with pytest.raises(ImproperlyConfigured, match="must be one of web, work, migrate"):
        patience.program()


def test_options_of_the_address_come_last_and_so_win(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DATABASE_URL", "postgresql:///trapnight?options=-c%20statement_timeout%3D9s")
    options = env.database(options=options_of(Program.WEB))["OPTIONS"]["options"]
    assert options.startswith("-c statement_timeout=5s")
    assert options.endswith("-c statement_timeout=9s")


def test_a_page_waits_less_than_the_server_in_front_and_a_job_less_than_celery() -> None:
    from project.processes import WEB
    from project.settings import base

    assert PATIENCE[Program.WEB].statement_s < int(WEB[WEB.index("--timeout") + 1])
    assert PATIENCE[Program.WORK].statement_s <= base.CELERY_TASK_SOFT_TIME_LIMIT
    for held in PATIENCE.values():
        assert held.statement_s == 0 or held.lock_s < held.statement_s


def test_no_task_outlasts_the_patience_of_the_broker() -> None:
    """Measured on celery 5.7: a task that is longer than the visibility timeout runs twice at once."""
    from project.celery import app
    from project.settings import base

    app.loader.import_default_modules()
    own = {name: task for name, task in app.tasks.items() if name.startswith("surveys.")}
    assert len(own) > 8
    patience = base.CELERY_BROKER_TRANSPORT_OPTIONS["visibility_timeout"]
    for name, task in own.items():
        soft = task.soft_time_limit or base.CELERY_TASK_SOFT_TIME_LIMIT
        hard = task.time_limit or base.CELERY_TASK_TIME_LIMIT
        assert soft < hard < patience, name
    # A night of a million returns takes one processor two hours, and is begun five times at most.
    assert own["surveys.tasks.run_night"].soft_time_limit * 5 > 2 * 3600
    assert own["surveys.tasks.resume_job"].soft_time_limit == own["surveys.tasks.run_night"].soft_time_limit


@pytest.fixture
def hurried(transactional_db: None) -> Iterator[None]:
    """This test's own line gives up at once, on queries and on locks."""
    yield
    connection.close()


def hurry(setting: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f"SET {setting} = '200ms'")


@contextmanager
def holding(statement: str) -> Iterator[None]:
    """Somebody else holds what ``statement`` takes."""
    with psycopg.connect(database_address()) as other:
        other.execute(statement)
        yield
        other.rollback()


LOG_LOCK = "SELECT pg_advisory_xact_lock(hashtext('surveys_event'))"
RETURNS_LOCK = "LOCK TABLE surveys_return IN ACCESS EXCLUSIVE MODE"


@pytest.mark.parametrize("setting", ["lock_timeout", "statement_timeout"])
def test_a_return_that_waits_too_long_is_answered_503_and_leaves_nothing(hurried: None, setting: str) -> None:
    make_season()
    trap = make_trap()
    client, payload = ApiClient(trap.site.household.keeper), return_payload(trap)
    before = Event.objects.count()
    with holding(LOG_LOCK):
        hurry(setting)
        answer = client.send("returns", payload, key="one-key-for-both-tries")
    problem = answer.json()
    assert (answer.status_code, answer["Content-Type"]) == (503, "application/problem+json")
    assert (problem["type"].split("/")[-2], answer["Retry-After"]) == ("unavailable", "5")
    assert "took longer" in problem["detail"]
    assert not any(word in answer.content.decode() for word in ("timeout", "SELECT", "surveys_"))
    connection.close()
    assert (Return.objects.count(), KeptAnswer.objects.count(), Event.objects.count()) == (0, 0, before)
    again = client.send("returns", payload, key="one-key-for-both-tries")
    assert (again.status_code, Return.objects.count()) == (201, 1)


@pytest.mark.parametrize("setting", ["lock_timeout", "statement_timeout"])
def test_a_page_that_takes_too_long_says_so_plainly(hurried: None, setting: str) -> None:
    make_season()
    browser = client_of(make_trap().site.household.keeper)
    browser.raise_request_exception = False
    with holding(RETURNS_LOCK):
        hurry(setting)
        page = browser.get("/my/returns/")
    text = page.content.decode()
    assert (page.status_code, page["Retry-After"]) == (503, "5")
    assert "This took us too long, so we stopped it. What you typed is not saved yet." in text
    assert not any(word in text for word in ("timeout", "SELECT", "surveys_"))


def test_a_page_outside_every_view_of_the_api_is_a_problem_too(hurried: None) -> None:
    """The OGC collections answer through their own code, and the token through a view's."""
    make_season()
    client = ApiClient(make_trap().site.household.keeper)
    with holding("LOCK TABLE surveys_token IN ACCESS EXCLUSIVE MODE"):
        hurry("lock_timeout")
        answer = client.read("returns")
    assert (answer.status_code, answer["Content-Type"]) == (503, "application/problem+json")
