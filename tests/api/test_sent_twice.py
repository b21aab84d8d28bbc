"""Sending twice does no harm: keys, the sender's own id, and eight senders at one instant."""

from __future__ import annotations

import json
import threading
import uuid
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from django.db import connection

from surveys.models import Catch, Event, KeptAnswer, Return
from tests.factories import ApiClient, make_season, make_trap, return_payload

pytestmark = pytest.mark.django_db
THREADS = 8


@pytest.fixture
def trap() -> Any:
    make_season()
    return make_trap()


@pytest.fixture
def sender(trap: Any) -> ApiClient:
    return ApiClient(trap.site.household.keeper)


def problem_of(answer: Any) -> str:
    """Return the last word of a problem's type."""
    assert answer["Content-Type"] == "application/problem+json", answer.content[:300]
    return str(answer.json()["type"].rstrip("/").rsplit("/", 1)[1])


def all_at_once(call: Callable[[int], Any]) -> list[Any]:
    """Return what ``THREADS`` threads heard that all let go at one instant, each on a connection of its own."""
    barrier = threading.Barrier(THREADS)

    def go(number: int) -> Any:
        barrier.wait(10)
        try:
            return call(number)
        finally:
            connection.close()

    with ThreadPoolExecutor(THREADS) as threads:
        return list(threads.map(go, range(THREADS)))


def test_a_replay_is_the_answer_of_then_and_not_of_now(sender: ApiClient, trap: Any) -> None:
    """draft-ietf-httpapi-idempotency-key-header, section 2.6: the result of the previously completed operation."""
    payload = return_payload(trap)
    first = sender.send("returns", payload, key="k")
    tag = sender.read(f"returns/{payload['id']}")["ETag"]
    sender.post(f"/api/v1/returns/{payload['id']}/withdrawal", headers={"If-Match": tag})
    again = sender.send("returns", payload, key="k")
    assert (again.status_code, again.json()["state"]) == (201, "received")
    assert again.json() == first.json()
    assert (first.get("Idempotency-Replayed"), again["Idempotency-Replayed"]) == (None, "true")
    assert again["Location"] == first["Location"] == f"/api/v1/returns/{payload['id']}"


def test_a_body_in_another_order_and_spacing_is_the_same_request(sender: ApiClient, trap: Any) -> None:
    payload = return_payload(trap)
    turned = dict(reversed(payload.items()))
    first = sender.send("returns", payload, key="k")
    again = sender.post(
        "/api/v1/returns", json.dumps(turned, indent=3), content_type="application/json",
        headers={"Idempotency-Key": '"k"'},
    )  # fmt: skip
    assert again.json() == first.json()


@pytest.mark.parametrize("change", [{"mouth_mm": 76}, {"note": "a"}, {"rim": None}, {"mouth_mm": 75.0}])
def test_any_change_of_the_body_is_another_request(sender: ApiClient, trap: Any, change: dict[str, Any]) -> None:
    payload = return_payload(trap)
    assert sender.send("returns", payload, key="k").status_code == 201
    changed = {name: value for name, value in (payload | change).items() if value is not None}
    answer = sender.send("returns", changed, key="k")
    assert (answer.status_code, problem_of(answer)) == (422, "key-reused")
    assert Return.objects.count() == 1


def test_a_key_belongs_to_one_account_and_one_address(sender: ApiClient, trap: Any) -> None:
    other = make_trap()
    assert sender.send("returns", return_payload(trap), key="k").status_code == 201
    assert sender.send("returns/batch", {"returns": [return_payload(trap)]}, key="k").status_code == 200
    assert ApiClient(other.site.household.keeper).send("returns", return_payload(other), key="k").status_code == 201
    assert Return.objects.count() == 3


def test_a_bare_uuid_and_one_in_quotes_are_the_same_key(sender: ApiClient, trap: Any) -> None:
    payload, key = return_payload(trap), str(uuid.uuid4())
    sender.send("returns", payload, key=key)
    bare = sender.post(
        "/api/v1/returns", json.dumps(payload), content_type="application/json", headers={"Idempotency-Key": key}
    )
    assert bare["Idempotency-Replayed"] == "true"


@pytest.mark.parametrize(
    "key", ["", " ", "bare", "'single'", '"open', 'open"', '"a" "b"', '"tab\there"', '"é"', '""', f'"{"x" * 201}"']
)
def test_a_key_that_is_no_string_of_the_standard_is_refused(sender: ApiClient, trap: Any, key: str) -> None:
    """RFC 8941, section 3.3.3: in double quotes, printable ASCII."""
    answer = sender.post(
        "/api/v1/returns", json.dumps(return_payload(trap)), content_type="application/json",
        headers={"Idempotency-Key": key},
    )  # fmt: skip
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["code"] in ("key_missing", "key_unreadable")
    assert Return.objects.count() == 0


def test_a_refusal_uses_up_no_key(sender: ApiClient, trap: Any) -> None:
    """What was faulty is mended and sent again under its key: nothing was done under it yet."""
    payload = return_payload(trap, habitat="moon")
    assert sender.send("returns", payload, key="k").status_code == 422
    assert KeptAnswer.objects.count() == 0
    assert sender.send("returns", payload | {"habitat": "short_lawn"}, key="k").status_code == 201


def test_a_failure_uses_up_no_key_and_stores_nothing(
    sender: ApiClient, trap: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    payload = return_payload(trap)
    before = Event.objects.count()
    with monkeypatch.context() as breaking:
        breaking.setattr("surveys.services.intake.write_event", lambda **_: 1 / 0)
        assert sender.send("returns", payload, key="k").status_code == 500
    assert (Return.objects.count(), Catch.objects.count(), KeptAnswer.objects.count()) == (0, 0, 0)
    assert Event.objects.count() == before
    assert sender.send("returns", payload, key="k").status_code == 201


def test_the_same_id_under_another_key_is_already_here(sender: ApiClient, trap: Any) -> None:
    payload = return_payload(trap)
    first, second = sender.send("returns", payload, key="one"), sender.send("returns", payload, key="two")
    assert (first.status_code, second.status_code) == (201, 200)
    assert second.json()["id"] == payload["id"]
    assert "Idempotency-Replayed" not in second
    assert Return.objects.count() == 1


@pytest.mark.parametrize(
    "change", [{"rim": "above"}, {"note": "other"}, {"catch": []}, {"emptied_at": "2026-05-03T17:00:01+00:00"}]
)
def test_the_same_id_with_other_content_is_a_conflict(sender: ApiClient, trap: Any, change: dict[str, Any]) -> None:
    payload = return_payload(trap)
    kept = sender.send("returns", payload).json()
    answer = sender.send("returns", payload | change)
    assert (answer.status_code, problem_of(answer)) == (409, "conflict")
    assert Return.objects.count() == 1
    assert sender.read(f"returns/{payload['id']}").json()["reported"].keys() == kept["reported"].keys()


def test_the_same_moment_in_another_offset_is_the_same_return(sender: ApiClient, trap: Any) -> None:
    payload = return_payload(trap)
    sender.send("returns", payload)
    shifted = {"set_at": "2026-05-02T18:00:00+01:00", "emptied_at": "2026-05-03T16:00:00-01:00"}
    assert sender.send("returns", payload | shifted).status_code == 200


def test_somebody_elses_id_tells_nothing_about_their_return(sender: ApiClient, trap: Any) -> None:
    payload = return_payload(trap)
    sender.send("returns", payload)
    other = make_trap()
    stranger = ApiClient(other.site.household.keeper)
    answer = stranger.send("returns", return_payload(other, id=payload["id"]))
    assert answer.status_code == 409
    assert str(trap.public_id) not in answer.content.decode()
    assert "received" not in answer.content.decode()


def test_a_return_reads_the_same_when_it_is_new_and_when_it_is_read(sender: ApiClient, trap: Any) -> None:
    payload = return_payload(trap, set_at="2026-05-02T18:00:00+01:00", emptied_at="2026-05-03T18:00:00+01:00")
    new = sender.send("returns", payload).json()
    assert sender.read(f"returns/{payload['id']}").json() == new


@pytest.mark.django_db(transaction=True)
def test_eight_senders_of_one_request_store_one_return(sender: ApiClient, trap: Any) -> None:
    account, payload = trap.site.household.keeper, return_payload(trap)
    clients = [ApiClient(account) for _ in range(THREADS)]
    answers = all_at_once(lambda number: clients[number].send("returns", payload, key="k"))
    statuses = Counter(answer.status_code for answer in answers)
    assert set(statuses) <= {201, 409}, statuses
    assert statuses[201] >= 1
    for answer in answers:
        if answer.status_code == 409:
            assert problem_of(answer) == "still-running"
            assert int(answer["Retry-After"]) >= 1
    bodies = [answer.json() for answer in answers if answer.status_code == 201]
    assert all(body == bodies[0] for body in bodies)
    assert (Return.objects.count(), KeptAnswer.objects.count()) == (1, 1)


@pytest.mark.django_db(transaction=True)
def test_eight_senders_of_one_id_under_eight_keys_store_one_return(sender: ApiClient, trap: Any) -> None:
    account, payload = trap.site.household.keeper, return_payload(trap)
    clients = [ApiClient(account) for _ in range(THREADS)]
    answers = all_at_once(lambda number: clients[number].send("returns", payload, key=f"k{number}"))
    statuses = Counter(answer.status_code for answer in answers)
    assert statuses == {201: 1, 200: THREADS - 1}, [answer.content[:200] for answer in answers]
    assert Return.objects.count() == 1
    assert Event.objects.filter(verb="return received").count() == 1


@pytest.mark.django_db(transaction=True)
def test_eight_sendings_of_the_same_returns_in_turned_order_store_each_once(sender: ApiClient, trap: Any) -> None:
    account, many = trap.site.household.keeper, [return_payload(trap) for _ in range(10)]
    clients = [ApiClient(account) for _ in range(THREADS)]
    answers = all_at_once(
        lambda number: clients[number].send(
            "returns/batch", {"returns": many if number % 2 else many[::-1]}, key=f"k{number}"
        )
    )
    assert {answer.status_code for answer in answers} == {200}, [answer.content[:300] for answer in answers]
    assert sum(answer.json()["stored"] for answer in answers) == len(many)
    assert Return.objects.count() == len(many)


@pytest.mark.django_db(transaction=True)
def test_eight_takings_back_with_one_version_take_it_back_once(sender: ApiClient, trap: Any) -> None:
    """RFC 9110, section 13.1.1: a version that was read is good for one write."""
    account, payload = trap.site.household.keeper, return_payload(trap)
    sender.send("returns", payload)
    tag = sender.read(f"returns/{payload['id']}")["ETag"]
    clients = [ApiClient(account) for _ in range(THREADS)]
    path = f"/api/v1/returns/{payload['id']}/withdrawal"
    answers = all_at_once(lambda number: clients[number].post(path, headers={"If-Match": tag}))
    statuses = Counter(answer.status_code for answer in answers)
    assert statuses[200] == 1
    assert set(statuses) <= {200, 409, 412}
    assert Return.objects.get().version == 2
