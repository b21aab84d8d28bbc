"""The comparison finds what it is there to find: each kind of damage is done by hand and must be named."""

from __future__ import annotations

import random
from typing import Any

import pytest
from django.db import connection

from surveys.services.screening import screen_received
from tests.factories import ApiClient, make_season
from tests.faults.comparing import Comparison, compare
from tests.faults.sending import Gardener, Sending, make_gardeners, make_sendings
from tests.journeys.conftest import database_address

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def told() -> tuple[list[Sending], list[dict[str, Any]]]:
    """Return what was sent and the ledger of it."""
    make_season()
    (gardener,) = make_gardeners(1)
    sendings = [one for one in make_sendings([gardener], 40, random.Random(2)) if one.path == "returns"][:3]
    return sendings, [post(gardener, one) for one in sendings]


def post(gardener: Gardener, sending: Sending) -> dict[str, Any]:
    client = ApiClient()
    headers = {"Authorization": f"Bearer {gardener.token}"}
    answer = client.send(sending.path, sending.body, key=sending.key, **headers)
    assert answer.status_code == 201
    screen_received(most=10)
    return {"key": sending.key, "body": answer.json()}


def damaged(told: tuple[list[Sending], list[dict[str, Any]]], *statements: str) -> Comparison:
    """Return the comparison after somebody has written into the tables past all guards."""
    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        for one in statements:
            cursor.execute(one)
        cursor.execute("SET session_replication_role = origin")
    return compare(database_address(), *told)


FIRST = "(SELECT min(id) FROM surveys_return)"


def test_what_is_whole_is_found_whole(told: Any) -> None:
    found = damaged(told)
    assert (found.returns, found.acknowledged) == (3, 3)
    assert [*found.lost, *found.twice, *found.half, *found.stuck, *found.given_up] == []


def test_a_lost_return_is_found(told: Any) -> None:
    found = damaged(told, f"DELETE FROM surveys_return WHERE id = {FIRST}")
    assert found.lost == [told[0][0].returns[0]["id"]]


def test_a_lost_answer_is_found(told: Any) -> None:
    found = damaged(told, "DELETE FROM surveys_keptanswer WHERE id = (SELECT min(id) FROM surveys_keptanswer)")
    assert [one.split()[0] for one in found.lost] == ["answer"]


@pytest.mark.parametrize(
    ("damage", "word"),
    [
        (f"DELETE FROM surveys_catch WHERE report_id = {FIRST} AND answer = 'class'", "catch"),
        (f"UPDATE surveys_catch SET low = low + 1, high = high + 1 WHERE report_id = {FIRST} AND answer = 'number'", "catch"),
        (f"DELETE FROM surveys_event WHERE verb = 'return received' AND subject_id = {FIRST}", "0 events"),
        (f"INSERT INTO surveys_finding (report_id, check_id, outcome, marks, sentence) VALUES ({FIRST}, 'x', 'note', '{{}}', 'x')", "findings"),
        (f"UPDATE surveys_return SET known_findings = known_findings[2:] WHERE id = {FIRST}", "findings"),
    ],
    ids=["a group is gone", "a count is another", "no event", "a finding too many", "a finding too few"],
)  # fmt: skip
def test_a_torn_return_is_found(told: Any, damage: str, word: str) -> None:
    found = damaged(told, damage)
    assert len(found.half) == 1
    assert word in found.half[0]


def test_a_return_that_nobody_sent_is_found(told: Any) -> None:
    sendings, ledger = told
    assert len(compare(database_address(), sendings[1:], ledger[1:]).twice) == 1


def test_a_return_and_a_job_that_wait_for_ever_are_found(told: Any) -> None:
    found = damaged(
        told, f"UPDATE surveys_return SET state = 'received' WHERE id = {FIRST}",
        "INSERT INTO surveys_job (public_id, kind, key, state, attempts, fence, done, total, parameters, result, problem,"
        " created_at) VALUES (gen_random_uuid(), 'night', 'k', 'queued', 0, 0, 0, 0, '{}', '{}', '', now())",
    )  # fmt: skip
    assert sorted(one.split()[0] for one in found.stuck) == ["night", "return"]


@pytest.mark.parametrize(
    ("attempts", "problem", "silent"), [(5, "It was begun 5 times.", 0), (5, "", 1), (2, "It was begun 2 times.", 1)]
)
def test_a_job_that_was_given_up_must_have_been_tried_and_say_why(
    told: Any, attempts: int, problem: str, silent: int
) -> None:
    found = damaged(
        told,
        "INSERT INTO surveys_job (public_id, kind, key, state, attempts, fence, done, total, parameters, result, problem,"
        f" created_at) VALUES (gen_random_uuid(), 'night', 'k', 'failed', {attempts}, 0, 0, 0, '{{}}', '{{}}', '{problem}',"
        " now())",
    )
    assert (len(found.given_up), len(found.silent), found.stuck) == (1, silent, [])


def test_half_a_batch_is_found() -> None:
    make_season()
    (gardener,) = make_gardeners(1)
    batch = next(one for one in make_sendings([gardener], 400, random.Random(2)) if one.path == "returns/batch")
    answer = ApiClient().send(batch.path, batch.body, key=batch.key, Authorization=f"Bearer {gardener.token}")
    assert answer.json()["stored"] == len(batch.returns)
    whole = compare(database_address(), [batch], [{"key": batch.key}])
    assert (whole.half, whole.acknowledged) == ([], len(batch.returns))
    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        cursor.execute(f"DELETE FROM surveys_return WHERE id = {FIRST}")
        cursor.execute("SET session_replication_role = origin")
    torn = compare(database_address(), [batch], [{"key": batch.key}])
    assert (len(torn.half), len(torn.lost)) == (1, 1)
