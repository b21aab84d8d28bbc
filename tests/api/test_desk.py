"""The desk through the API: a part of the queue, leases, taking back, and many at once."""

from __future__ import annotations

from typing import Any

import pytest

from surveys.models import Account, Return, Verdict
from tests.factories import ApiClient, make_coordinator, make_season, make_site, make_trap, send_return

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def coordinator() -> Account:
    make_season()
    return make_coordinator()


@pytest.fixture
def desk(coordinator: Account) -> ApiClient:
    return ApiClient(coordinator)


@pytest.fixture
def soaped(coordinator: Account) -> list[Return]:
    return [sent() for _ in range(3)]


def sent(region: str = "eastmark", **changes: Any) -> Return:
    trap = make_trap(site=make_site(region=region))
    report = send_return(trap, screened=True, **(changes or {"liquid": "soap"}))
    report.refresh_from_db()
    assert report.state == "queried"
    return report


def ids(answer: Any) -> list[str]:
    return [row["id"] for row in answer.json()["items"]]


def test_the_queue_is_narrowed_by_its_parameters(desk: ApiClient, soaped: list[Return]) -> None:
    west = sent("westmark")
    tenfold = sent(catch=[{"group": "ground_beetles", "answer": "number", "count": 40}])
    assert ids(desk.read("queue?region=westmark")) == [str(west.uuid)]
    assert ids(desk.read(f"queue?reason={tenfold.reason}")) == [str(tenfold.uuid)]
    alias = soaped[1].trap.site.household.alias.replace(" ", "%20")
    assert ids(desk.read(f"queue?household={alias}")) == [str(soaped[1].uuid)]
    assert ids(desk.read("queue?days=1")) == []
    assert ids(desk.read("queue?region=nowhere")) == []


@pytest.mark.parametrize("part", ["reason=whim", "days=0", "days=x", "days=-1", "days=1000", "days=%C2%B2", "days=1.5"])
def test_a_part_that_is_none_is_refused(desk: ApiClient, part: str) -> None:
    answer = desk.read(f"queue?{part}")
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["pointer"].endswith(part.split("=", maxsplit=1)[0])


def test_a_lease_keeps_a_colleague_away_until_it_is_given_back(desk: ApiClient, soaped: list[Return]) -> None:
    other, path = ApiClient(make_coordinator("eastmark")), f"queue/{soaped[0].uuid}/lease"
    taken = desk.put(f"/api/v1/{path}")
    assert (taken.status_code, set(taken.json())) == (200, {"id", "until"})
    refused = other.put(f"/api/v1/{path}")
    assert refused.status_code == 409
    assert "another coordinator reads it" in refused.json()["detail"]
    tag = other.read(f"queue/{soaped[0].uuid}")["ETag"]
    verdict = {"decision": "discounted", "reason": "liquid_used"}
    decided = other.send(f"queue/{soaped[0].uuid}/verdicts", verdict, **{"If-Match": tag})
    assert (decided.status_code, Verdict.objects.count()) == (409, 0)
    assert desk.delete(f"/api/v1/{path}").status_code == 204
    assert other.put(f"/api/v1/{path}").status_code == 200


def test_a_verdict_is_taken_back_and_told_so(desk: ApiClient, soaped: list[Return]) -> None:
    path = f"queue/{soaped[0].uuid}"
    verdict = {"decision": "discounted", "reason": "liquid_used"}
    decided = desk.send(f"{path}/verdicts", verdict, **{"If-Match": desk.read(path)["ETag"]})
    undone = desk.send(f"{path}/undo", {"note": "The wrong one."}, **{"If-Match": decided["ETag"]})
    assert (undone.status_code, undone.json()["state"]) == (201, "queried")
    assert undone.json()["verdicts"][0]["undone_at"] is not None
    again = desk.send(f"{path}/undo", {}, **{"If-Match": undone["ETag"]})
    assert again.status_code == 409
    assert "No verdict on this return is in force" in again.json()["detail"]


def test_many_are_decided_with_one_request_or_none_is(desk: ApiClient, soaped: list[Return]) -> None:
    versions = [{"id": str(one.uuid), "version": one.version} for one in soaped]
    wanted = {"returns": versions, "decision": "discounted", "reason": "liquid_used"}
    stale = desk.send("queue/verdicts", {**wanted, "returns": [*versions[:2], {**versions[2], "version": 1}]})
    assert (stale.status_code, Verdict.objects.count()) == (409, 0)
    assert [row["detail"] for row in stale.json()["errors"]] == [str(soaped[2].uuid)]
    done = desk.send("queue/verdicts", wanted)
    assert (done.status_code, done.json()["returns"]) == (201, 3)
    assert set(Return.objects.values_list("state", flat=True)) == {"discounted"}


WRONG_BATCHES = {
    "none": {"returns": []},
    "too many": {"returns": [{"id": "00000000-0000-4000-8000-000000000000", "version": 1}] * 101},
    "no version": {"returns": [{"id": "00000000-0000-4000-8000-000000000000"}]},
    "more than asked for": {
        "returns": [{"id": "00000000-0000-4000-8000-000000000000", "version": 1, "state": "upheld"}]
    },
    "no reason": {"reason": None},
}


@pytest.mark.parametrize("wrong", WRONG_BATCHES.values(), ids=WRONG_BATCHES.keys())
def test_each_wrong_batch_is_refused(desk: ApiClient, soaped: list[Return], wrong: dict[str, Any]) -> None:
    versions = [{"id": str(one.uuid), "version": one.version} for one in soaped]
    wanted = {"returns": versions, "decision": "discounted", "reason": "liquid_used", **wrong}
    answer = desk.send("queue/verdicts", {name: value for name, value in wanted.items() if value is not None})
    assert answer.status_code in (400, 422)
    assert Verdict.objects.count() == 0
