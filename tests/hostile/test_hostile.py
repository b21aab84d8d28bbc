"""A share of ``python -m tests.hostile``: no 5xx, no status that nothing describes, no body unlike its description."""

from __future__ import annotations

import logging
from collections.abc import Iterator

import pytest
from django.core.handlers.wsgi import WSGIHandler

from tests.hostile.judging import Judge
from tests.hostile.playing import play
from tests.hostile.sending import Answer, Wire

REQUESTS = 600


@pytest.fixture
def quiet() -> Iterator[None]:
    logging.disable(logging.ERROR)
    yield
    logging.disable(logging.NOTSET)


@pytest.mark.django_db(transaction=True)  # each request ends with its line to the database, as in service
def test_six_hundred_hostile_requests_are_answered_as_described(quiet: None) -> None:
    judge = play(WSGIHandler(), requests=REQUESTS, seed=7, judge=Judge())
    assert judge.sent >= REQUESTS
    assert judge.clean, "\n".join(line for found in judge.faults.values() for line in found[:5])
    # They reach in, rather than stop at the door.
    assert {200, 400, 401, 403, 404, 405} <= set(judge.statuses)


GOOD = [("X-Request-Id", "abcdef12"), ("X-Content-Type-Options", "nosniff"), ("Content-Type", "application/json")]


@pytest.mark.parametrize(
    ("path", "status", "body", "more", "kind"),
    [
        ("/", 500, b"", [], "5xx"),
        ("/", 418, b"", [], "undocumented status"),
        ("/api/v1/returns", 202, b"{}", [], "undocumented status"),
        ("/api/v1/seasons", 200, b'{"items": 7}', [], "schema"),
        ("/api/v1/seasons", 404, b"{}", [], "schema"),
        ("/", 404, b'File "/srv/x.py"', [], "leak"),
        ("/", 200, b"", [("Injected", "yes")], "leak"),
        ("/", 302, b"", [("Location", "https://evil.example/")], "leak"),
    ],
)
def test_the_judge_finds_what_is_wrong(
    path: str, status: int, body: bytes, more: list[tuple[str, str]], kind: str
) -> None:
    judge = Judge()
    judge.look(Wire("tried", "GET", path), Answer(status, [*more, *GOOD], body))
    assert {name for name, found in judge.faults.items() if found} == {kind}


def test_the_judge_has_nothing_to_say_of_a_good_answer() -> None:
    judge = Judge()
    judge.look(Wire("tried", "GET", "/"), Answer(200, GOOD, b""))
    assert judge.clean
