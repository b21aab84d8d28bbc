"""Settings of traps, amendments and questions over HTTP."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from surveys.models import Event, Opening, Question, Return
from surveys.services.screening import screen_received
from tests.factories import (
    ApiClient,
    make_coordinator,
    make_household,
    make_season,
    make_site,
    make_trap,
    return_payload,
    stored,
)

pytestmark = pytest.mark.django_db


def hours_ago(hours: float) -> str:
    return (datetime.now(UTC) - timedelta(hours=hours)).replace(microsecond=0).isoformat()


class Ground:
    """One household with one trap, its client, and a coordinator of its region."""

    def __init__(self) -> None:
        make_season()
        self.trap = make_trap()
        self.client = ApiClient(self.trap.site.household.keeper)
        self.stranger = ApiClient(make_household().keeper)
        self.coordinator = ApiClient(make_coordinator("eastmark"))

    def setting(self, **changes: Any) -> dict[str, Any]:
        payload = {
            "id": str(uuid.uuid4()), "trap": str(self.trap.public_id), "set_at": hours_ago(24), "mouth_mm": 75,
            "rim": "flush", "cover": "present", "liquid": "nothing",
        }  # fmt: skip
        payload.update(changes)
        return {name: value for name, value in payload.items() if value is not None}


@pytest.fixture
def ground() -> Ground:
    return Ground()


def test_a_trap_is_set_looked_at_and_ended_by_its_return(ground: Ground) -> None:
    setting = ground.setting()
    answer = ground.client.send("openings", setting)
    assert answer.status_code == 201
    assert answer.json()["reported"] == {"mouth_mm": 75.0, "rim": "flush", "cover": "present", "liquid": "nothing"}
    look = ground.client.send(f"openings/{setting['id']}/looks", {"look": "dawn", "at": hours_ago(0.2)})
    assert look.status_code == 200
    assert look.json()["looked_at_dawn"] is not None
    report = return_payload(ground.trap, opening=setting["id"], set_at=setting["set_at"], emptied_at=hours_ago(0.1))
    assert ground.client.send("returns", report).status_code == 201
    ended = ground.client.read(f"openings/{setting['id']}").json()
    assert (ended["ending"], ended["return_id"]) == ("emptied", report["id"])
    assert ground.client.read("openings").json() == {"items": [], "next": None}


def test_the_same_setting_sent_twice_is_one_and_says_so(ground: Ground) -> None:
    setting = ground.setting()
    assert [ground.client.send("openings", setting).status_code for _ in range(2)] == [201, 200]
    assert Opening.objects.count() == 1


def test_another_setting_under_the_same_id_is_a_conflict(ground: Ground) -> None:
    setting = ground.setting()
    ground.client.send("openings", setting)
    answer = ground.client.send("openings", {**setting, "rim": "deep"})
    assert answer.status_code == 409
    assert "says something else" in answer.json()["detail"]


def test_a_trap_that_is_open_is_not_set_again(ground: Ground) -> None:
    ground.client.send("openings", ground.setting())
    answer = ground.client.send("openings", ground.setting())
    assert answer.status_code == 409
    assert "open since" in answer.json()["detail"]


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"trap": str(uuid.uuid4())}, "/trap"),
        ({"set_at": "2026-05-02T17:00:00"}, "/set_at"),
        ({"set_at": hours_ago(-3)}, "/set_at"),
        ({"rim": "wobbly"}, "/rim"),
        ({"mouth_mm": "75"}, "/mouth_mm"),
        ({"mouth_mm": 0}, "/mouth_mm"),
        ({"rain": "dry"}, "/rain"),
        ({"id": "one"}, "/id"),
    ],
)
def test_each_wrong_value_is_named_and_nothing_is_stored(ground: Ground, change: Any, pointer: str) -> None:
    answer = ground.client.send("openings", ground.setting(**change))
    assert answer.status_code in (400, 422)
    assert [fault["pointer"].lstrip("#") for fault in answer.json()["errors"]] == [pointer]
    assert not Opening.objects.exists()


def test_a_setting_is_called_off_once(ground: Ground) -> None:
    setting = ground.setting()
    ground.client.send("openings", setting)
    ending = {"ending": "called_off", "at": hours_ago(1)}
    answers = [ground.client.send(f"openings/{setting['id']}/ending", ending) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [200, 200]
    assert Event.objects.filter(verb="trap called off").count() == 1
    emptied = ground.client.send(f"openings/{setting['id']}/ending", {"ending": "emptied", "at": hours_ago(1)})
    assert emptied.status_code == 400


def test_nobody_else_sees_or_touches_a_setting(ground: Ground) -> None:
    setting = ground.setting()
    ground.client.send("openings", setting)
    path = f"openings/{setting['id']}"
    for who in (ground.stranger, ground.coordinator):
        assert who.read(path).status_code == 404
        assert who.send(f"{path}/looks", {"look": "dusk", "at": hours_ago(1)}).status_code == 404
        assert who.send(f"{path}/ending", {"ending": "lost", "at": hours_ago(1)}).status_code == 404
        assert who.read("openings").json()["items"] == []
    assert ApiClient().read(path).status_code == 401


def test_an_amendment_takes_the_place_of_what_was_sent(ground: Ground) -> None:
    first = return_payload(ground.trap)
    ground.client.send("returns", first)
    second = return_payload(ground.trap, amends=first["id"], rain="light")
    answer = ground.client.send("returns", second)
    assert answer.status_code == 201
    assert answer.json()["amends"] == first["id"]
    before = ground.client.read(f"returns/{first['id']}").json()
    assert (before["state"], before["amended_by"]) == ("withdrawn", second["id"])
    third = ground.client.send("returns", return_payload(ground.trap, amends=first["id"]))
    assert third.status_code == 409
    assert "changed this return before" in third.json()["detail"]
    assert Return.objects.count() == 2


def test_somebody_elses_return_cannot_be_amended(ground: Ground) -> None:
    first = return_payload(ground.trap)
    ground.client.send("returns", first)
    other = make_trap(site=make_site())
    answer = ApiClient(other.site.household.keeper).send("returns", return_payload(other, amends=first["id"]))
    assert answer.status_code == 404
    assert stored(first).state == "received"


def test_a_sending_of_many_knows_no_amendment(ground: Ground) -> None:
    first = return_payload(ground.trap)
    ground.client.send("returns", first)
    answer = ground.client.send("returns/batch", {"returns": [return_payload(ground.trap, amends=first["id"])]})
    assert answer.json()["refused"] == 1
    assert stored(first).state == "received"


def test_a_question_is_asked_and_answered_once(ground: Ground) -> None:
    report = return_payload(ground.trap, liquid="soap")
    ground.client.send("returns", report)
    screen_received(most=10)
    asked = ground.coordinator.send(f"queue/{report['id']}/questions", {"text": "Was there soap in the cup?"})
    assert asked.status_code == 201
    path = f"returns/{report['id']}/questions/{asked.json()['number']}/answer"
    assert ground.stranger.send(path, {"text": "no"}).status_code == 404
    assert ground.client.send(path, {"text": ""}).status_code == 400
    answered = ground.client.send(path, {"text": "No, only rain."})
    assert answered.json()["answer"] == "No, only rain."
    assert ground.client.send(path, {"text": "Well, some."}).status_code == 409
    shown = ground.client.read(f"returns/{report['id']}").json()["questions"]
    assert [(one["text"], one["answer"]) for one in shown] == [("Was there soap in the cup?", "No, only rain.")]
    assert Question.objects.count() == 1


def test_only_the_coordinator_in_charge_asks(ground: Ground) -> None:
    report = return_payload(ground.trap, liquid="soap")
    ground.client.send("returns", report)
    screen_received(most=10)
    path, body = f"queue/{report['id']}/questions", {"text": "Was there soap?"}
    assert ApiClient(make_coordinator("westmark")).send(path, body).status_code == 404
    assert ground.client.send(path, body).status_code == 403
    assert not Question.objects.exists()
