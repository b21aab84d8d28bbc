"""The ordinary sending goes by one statement, everything else the long way: both leave the same behind."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import psycopg
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from surveys.models import Account, Catch, Event, Finding, KeptAnswer, KnownFinding, Return, Trap
from surveys.permissions import traps_of
from surveys.queries.sending import traps_to_send_for
from surveys.services import intake, known_findings
from surveys.services.once import Once
from tests.factories import ApiClient, make_account, make_season, make_trap, return_payload, stored

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def trap() -> Trap:
    """A household's trap, with a season that is open."""
    known_findings.forget_keys()  # the tables were emptied since the test before
    make_season()
    return make_trap()


@pytest.fixture
def keeper(trap: Trap) -> Account:
    found = trap.site.household.keeper
    assert found is not None
    return found


@pytest.fixture
def client(keeper: Account) -> ApiClient:
    return ApiClient(keeper)


@pytest.fixture
def long_way(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[bool]]:
    """What each try to store at once came to, in order."""
    tried: list[bool] = []
    as_ever = intake.store_at_once

    def noted(**given: Any) -> bool:
        tried.append(as_ever(**given))
        return tried[-1]

    monkeypatch.setattr(intake, "store_at_once", noted)
    return tried


def left_behind(payload: dict[str, Any]) -> dict[str, Any]:
    """Return all that a sending left behind, without what is each one's own."""
    report = stored(payload)
    own = {"id", "uuid", "fingerprint", "received_at", "moved_at", "_state"}
    event = Event.objects.get(verb="return received", subject_id=report.pk)
    kept = KeptAnswer.objects.get(body__id=str(report.uuid))
    return {
        "return": {name: value for name, value in vars(report).items() if name not in own},
        "catches": list(
            Catch.objects.filter(report=report).order_by("id").values_list("group", "answer", "low", "high")
        ),
        "findings": list(
            Finding.objects.filter(report=report).order_by("id").values_list("check_id", "outcome", "marks", "sentence")
        ),
        "event": (event.actor, event.verb, event.subject, event.details, len(event.request_id) > 8),
        "kept": (kept.account_id, kept.route, kept.status, kept.body | {"id": "", "received_at": ""}),
        "moved as it came": report.received_at == report.moved_at,
    }


def test_both_ways_leave_the_same_behind(
    client: ApiClient, trap: Trap, long_way: list[bool], monkeypatch: pytest.MonkeyPatch
) -> None:
    payload = return_payload(trap, note='tab\there, "quoted", back\\slash, ä and \\N', temp_min_c=-1.1, mouth_mm=74.3)
    payload["catch"][0] = {"group": payload["catch"][0]["group"], "answer": "did_not_look"}
    for untold in ("cover", "refuge", "material", "trap_state", "rain", "looks", "depth_mm"):
        payload.pop(untold, None)
    assert client.send("returns", payload).status_code == 201
    assert long_way == [True]
    again = {**payload, "id": str(uuid.uuid4())}
    monkeypatch.setattr(intake, "store_at_once", lambda **given: False)
    assert client.send("returns", again).status_code == 201
    first, second = left_behind(payload), left_behind(again)
    assert first == second
    assert len(first["findings"]) > 5
    assert len(first["catches"]) == len(payload["catch"])


def test_an_ordinary_sending_asks_three_times(client: ApiClient, trap: Trap) -> None:
    assert client.send("returns", return_payload(trap)).status_code == 201  # what is read once, is read
    with CaptureQueriesContext(connection) as asked:
        assert client.send("returns", return_payload(trap)).status_code == 201
    assert len(asked) == 3, [one["sql"] for one in asked]


def test_its_statements_are_planned_once(client: ApiClient, trap: Trap) -> None:
    for _ in range(3):
        assert client.send("returns", return_payload(trap)).status_code == 201
    with connection.cursor() as cursor:
        cursor.execute("SELECT statement, generic_plans + custom_plans FROM pg_prepared_statements")
        prepared = dict(cursor.fetchall())
    used = {name: times for name, times in prepared.items() if "surveys_keptanswer" in name and "surveys_event" in name}
    assert list(used.values()) == [3]
    assert not any("surveys_consent" in statement for statement in prepared)  # Django's own are never prepared


def test_the_same_key_again_hears_the_same_and_stores_nothing(
    client: ApiClient, trap: Trap, long_way: list[bool]
) -> None:
    payload = return_payload(trap)
    first = client.send("returns", payload, key="the-same-key")
    second = client.send("returns", payload, key="the-same-key")
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.json() == second.json()
    assert second["Idempotency-Replayed"] == "true"
    assert long_way == [True, False]
    assert (Return.objects.count(), KeptAnswer.objects.count()) == (1, 1)


def test_the_same_key_is_answered_though_the_trap_is_somebody_elses_now(client: ApiClient, trap: Trap) -> None:
    payload = return_payload(trap)
    first = client.send("returns", payload, key="the-same-key")
    trap.site.household.keeper = make_account()
    trap.site.household.save()
    assert client.send("returns", payload, key="the-same-key").json() == first.json()
    assert client.send("returns", return_payload(trap)).status_code == 422


def test_a_key_that_is_in_use_at_this_moment_is_told_so(client: ApiClient, trap: Trap, keeper: Account) -> None:
    once = Once(keeper, "send_return", "held", "")
    with psycopg.connect(**connection.get_connection_params()) as other:
        other.execute("SELECT pg_advisory_xact_lock(%s)", [once.lock_number])
        answer = client.send("returns", return_payload(trap), key="held")
    assert (answer.status_code, answer.json()["type"].split("/")[-2]) == (409, "still-running"), answer.content
    assert Return.objects.count() == 0
    assert client.send("returns", return_payload(trap), key="held").status_code == 201


def test_an_id_that_says_something_else_is_refused_and_leaves_nothing(client: ApiClient, trap: Trap) -> None:
    payload = return_payload(trap)
    assert client.send("returns", payload).status_code == 201
    events = Event.objects.count()
    assert client.send("returns", {**payload, "rim": "above"}).status_code == 409
    assert (Return.objects.count(), KeptAnswer.objects.count(), Event.objects.count()) == (1, 1, events)


def test_of_many_at_once_with_one_id_one_is_stored(trap: Trap, keeper: Account) -> None:
    payload = return_payload(trap)

    def send(_: int) -> int:
        try:
            return int(ApiClient(keeper).send("returns", payload).status_code)
        finally:
            connection.close()

    with ThreadPoolExecutor(8) as crowd:
        answers = list(crowd.map(send, range(16)))
    assert sorted(answers) == [200] * 15 + [201]
    assert (Return.objects.count(), Event.objects.filter(verb="return received").count()) == (1, 1)
    assert KeptAnswer.objects.count() == 16


def test_a_finding_that_is_remembered_and_gone_is_made_known_again(
    client: ApiClient, trap: Trap, long_way: list[bool], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As after a restart of the database from an older copy, while this process lives on."""
    payload, again, third = (return_payload(trap) for _ in range(3))
    assert client.send("returns", payload).status_code == 201
    for found in known_findings._keys:
        monkeypatch.setitem(known_findings._keys, found, known_findings._keys[found] + 1_000_000)
    assert client.send("returns", again).status_code == 201
    assert client.send("returns", third).status_code == 201
    assert long_way == [True, False, True]
    told = [
        list(Finding.objects.filter(report=stored(one)).order_by("id").values_list("check_id", "sentence"))
        for one in (payload, again, third)
    ]
    assert told[0] == told[1] == told[2]
    assert told[0]


def test_what_many_find_at_once_is_known_once() -> None:
    found = [
        known_findings.StoredFinding("rain", known_findings.Outcome.NOTE, (), f"It rained {n} mm.") for n in range(40)
    ]

    def learn(turn: int) -> dict[Any, int]:
        try:
            known_findings.forget_keys()
            return known_findings.keys_of(found[:: -1 if turn % 2 else 1])
        finally:
            connection.close()

    with ThreadPoolExecutor(8) as crowd:
        answers = list(crowd.map(learn, range(32)))
    assert all(answer == answers[0] for answer in answers)
    assert KnownFinding.objects.count() == 40
    assert known_findings.are_known(answers[0].values())
    assert not known_findings.are_known([*answers[0].values(), 0])


def test_what_another_thread_forgets_is_still_told(monkeypatch: pytest.MonkeyPatch) -> None:
    found = known_findings.StoredFinding("rain", known_findings.Outcome.NOTE, (), "It rained.")
    known_findings.forget_keys()
    as_ever = known_findings._read

    def forgetful(findings: Any) -> Any:
        read = as_ever(findings)
        known_findings.forget_keys()
        return read

    monkeypatch.setattr(known_findings, "_read", forgetful)
    assert set(known_findings.keys_of([found])) == {found}


def test_no_more_are_remembered_than_there_is_room_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(known_findings, "MOST_REMEMBERED", 10)
    known_findings.forget_keys()
    for start in range(0, 60, 6):
        found = [
            known_findings.StoredFinding(
                "rain", known_findings.Outcome.NOTE, ("welfare",), f"It rained {start + n} mm."
            )
            for n in range(6)
        ]
        assert set(known_findings.keys_of(found)) == set(found)
        assert len(known_findings._keys) <= 16


def test_traps_to_send_for_are_ones_own() -> None:
    season = make_season()
    traps = [make_trap() for _ in range(3)]
    for trap in traps:
        keeper = trap.site.household.keeper
        assert keeper is not None
        found = traps_to_send_for(keeper, [one.public_id for one in traps])
        assert {one.trap for one in found.values()} == set(traps_of(keeper))
        place = found[trap.public_id]
        assert (place.trap.site, place.trap.site.point, place.trap.site.region) == (
            trap.site, trap.site.point, trap.site.region,
        )  # fmt: skip
        assert vars(place.trap.site.point)["latitude"] == trap.site.point.latitude
        assert (place.seasons, place.stands_open) == ((season,), False)
        assert place.trap.site.region.boundary == trap.site.region.boundary  # read when it is asked for
