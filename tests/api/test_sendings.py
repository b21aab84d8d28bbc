"""Many returns in one sending: each answered for itself, or all of them or none."""

from __future__ import annotations

import json
import uuid
from typing import Any

import pytest

from surveys.models import Catch, Event, KeptAnswer, Return
from tests.factories import ApiClient, make_season, make_trap, return_payload

pytestmark = pytest.mark.django_db

ROW = {"index", "status", "id", "state", "detail", "errors"}


@pytest.fixture
def trap() -> Any:
    make_season()
    return make_trap()


@pytest.fixture
def sender(trap: Any) -> ApiClient:
    return ApiClient(trap.site.household.keeper)


def counts(answer: Any) -> tuple[int, int, int]:
    """Return how many were stored, already here and refused, after holding the rows against them."""
    body = answer.json()
    assert set(body) == {"stored", "already_here", "refused", "rows"}
    statuses = [row["status"] for row in body["rows"]]
    told = tuple(body[word] for word in ("stored", "already_here", "refused"))
    assert told == tuple(statuses.count(word) for word in ("stored", "already_here", "refused"))
    assert [row["index"] for row in body["rows"]] == list(range(len(statuses)))
    assert all(set(row) == ROW for row in body["rows"])
    assert all((row["errors"] != [] or row["detail"] != "") == (row["status"] == "refused") for row in body["rows"])
    return told  # type: ignore[return-value]


def test_each_row_says_what_became_of_it(sender: ApiClient, trap: Any) -> None:
    """200 only where every row went in, else 422 with counts: this API's own rule, common practice has several."""
    here = return_payload(trap)
    sender.send("returns", here)
    stranger = make_trap()
    rows: list[Any] = [
        return_payload(trap), here, here | {"rim": "above"}, return_payload(stranger), return_payload(trap, rim="odd"),
        return_payload(trap, habitat="moon"), "not an object", None, return_payload(trap) | {"state": "standing"},
        return_payload(trap),
    ]  # fmt: skip
    answer = sender.send("returns/batch", {"returns": rows})
    assert answer.status_code == 422
    assert answer["Content-Type"] == "application/json"
    assert counts(answer) == (2, 1, 7)
    pointers = [[fault["pointer"] for fault in row["errors"]] for row in answer.json()["rows"]]
    assert pointers == [[], [], [""], ["/trap"], ["/rim"], ["/habitat"], [""], [""], ["/state"], []]
    assert {str(found) for found in Return.objects.values_list("uuid", flat=True)} == {
        rows[0]["id"], here["id"], rows[9]["id"],
    }  # fmt: skip


def test_a_sending_of_good_returns_is_one_event_and_as_many_rows(sender: ApiClient, trap: Any) -> None:
    many = [return_payload(trap) for _ in range(12)]
    before = Event.objects.count()
    answer = sender.send("returns/batch", {"returns": many})
    assert (answer.status_code, counts(answer)) == (200, (12, 0, 0))
    assert [row["id"] for row in answer.json()["rows"]] == [one["id"] for one in many]
    assert Catch.objects.count() == sum(len(one["catch"]) for one in many)
    assert Event.objects.count() == before + 1


def test_a_sending_under_its_key_is_answered_once(sender: ApiClient, trap: Any) -> None:
    body = {"returns": [return_payload(trap), return_payload(trap, habitat="moon")]}
    first = sender.send("returns/batch", body, key="k")
    again = sender.send("returns/batch", body, key="k")
    assert (first.status_code, again.status_code) == (422, 422)
    assert again.json() == first.json()
    assert again["Idempotency-Replayed"] == "true"
    other = sender.send("returns/batch", {"returns": body["returns"][:1]}, key="k")
    assert (other.status_code, other["Content-Type"]) == (422, "application/problem+json")
    assert Return.objects.count() == 1


@pytest.mark.parametrize("bad", [{"habitat": "moon"}, {"rim": "odd"}, {"trap": str(uuid.UUID(int=7))}])
@pytest.mark.parametrize("place", [0, 2])
def test_together_stores_nothing_when_one_is_refused(
    sender: ApiClient, trap: Any, bad: dict[str, Any], place: int
) -> None:
    many = [return_payload(trap) for _ in range(2)]
    many.insert(place, return_payload(trap) | bad)
    before = Event.objects.count()
    answer = sender.send("returns/batch", {"returns": many, "together": True})
    assert (answer.status_code, counts(answer)) == (422, (0, 0, 3))
    assert (Return.objects.count(), Catch.objects.count(), Event.objects.count()) == (0, 0, before)
    guilty = [row["index"] for row in answer.json()["rows"] if any(one["pointer"] for one in row["errors"])]
    assert guilty == [place]


def test_together_that_was_refused_can_be_mended_under_the_same_returns(sender: ApiClient, trap: Any) -> None:
    good, bad = return_payload(trap), return_payload(trap, habitat="moon")
    assert sender.send("returns/batch", {"returns": [good, bad], "together": True}).status_code == 422
    mended = sender.send("returns/batch", {"returns": [good, bad | {"habitat": "other"}], "together": True})
    assert (mended.status_code, counts(mended)) == (200, (2, 0, 0))


@pytest.mark.parametrize(
    ("body", "pointer", "words"),
    [
        ({}, "/returns", "missing"), ({"returns": None}, "/returns", "null"), ({"returns": {}}, "/returns", "not a list"),
        ({"returns": "all"}, "/returns", "not a list"), ({"returns": []}, "/returns", "at least one"),
        ({"returns": [{}] * 501}, "/returns", "in parts"),
        ({"returns": [{}], "together": "yes"}, "/together", "neither true nor false"),
        ({"returns": [{}], "together": 1}, "/together", "neither true nor false"),
        ({"returns": [{}], "togethr": True}, "/togethr", "Did you mean 'together'?"),
    ],
)  # fmt: skip
def test_a_sending_that_cannot_be_read_is_refused_whole(
    sender: ApiClient, body: dict[str, Any], pointer: str, words: str
) -> None:
    answer = sender.send("returns/batch", body)
    assert answer.status_code == 400
    (row,) = answer.json()["errors"]
    assert row["pointer"] == pointer
    assert words in row["detail"]
    assert (Return.objects.count(), KeptAnswer.objects.count()) == (0, 0)


def test_five_hundred_returns_go_in_at_once(sender: ApiClient, trap: Any) -> None:
    small = [return_payload(trap, catch=[{"group": "spiders", "answer": "none_seen"}]) for _ in range(500)]
    answer = sender.send("returns/batch", {"returns": small})
    assert (answer.status_code, counts(answer)) == (200, (500, 0, 0))
    assert Return.objects.count() == 500


@pytest.mark.parametrize(
    "catch", [[0] * 90_000, [{"g": 1, "a": 2}] * 45_000, [{"group": "x", "answer": "number"}] * 29_000]
)
def test_a_catch_of_thousands_is_refused_in_one_sentence(sender: ApiClient, trap: Any, catch: list[Any]) -> None:
    """A mebibyte of answers cost three to seven seconds of work before there was a limit to their number."""
    payload = return_payload(trap, catch=catch)
    assert len(json.dumps(payload)) < 1024 * 1024
    answer = sender.send("returns", payload)
    assert answer.status_code == 400
    (row,) = answer.json()["errors"]
    assert row["pointer"] == "/catch"
    assert "more than 100 answers" in row["detail"]
