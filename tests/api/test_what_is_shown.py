"""What each answer holds, to the last name, and what a stranger sees of it: nothing.

The sets of names are written out here by hand (OWASP API3:2023, property level). A new name fails until it is meant.
"""

from __future__ import annotations

import json
import re
import uuid
from typing import Any

import pytest

from surveys.models import Return, SitePoint
from tests.factories import ApiClient, make_trap, return_payload, stored
from tests.pages import World

pytestmark = pytest.mark.django_db

RETURN = {
    "id", "state", "standing", "version", "season", "region", "trap", "night", "received_at", "exposure_hours",
    "trap_nights", "reported", "catch", "findings", "why_it_waits", "questions", "amends", "amended_by",
}  # fmt: skip
QUEUED = {
    "id", "version", "season", "region", "household", "night", "urgent", "probability", "damage", "rank", "reason",
    "sentence",
}  # fmt: skip
RECORD = QUEUED | {"state", "standing", "reported", "catch", "findings", "queries", "questions", "verdicts"}
CATCH = {"group", "answer", "count_min", "count_max", "corrected"}
FINDING = {"check_id", "outcome", "marks", "sentence"}
QUERY = {"kind", "reason", "probability", "sentence", "evidence"}
VERDICT = {"decision", "reason", "note", "decided_at", "version", "undone_at"}
SITE = {"id", "household", "alias", "number", "region", "latitude", "longitude", "cell", "traps"}
SEASON = {
    "code", "title", "organiser", "state", "protocol", "opens_on", "closes_on", "time_zone", "licence", "licence_url",
}  # fmt: skip
#: What could tell who somebody is or where exactly they live.
PERSONAL = re.compile(
    r"@|email|keeper|sender|latitude|longitude|password|account|fingerprint|request_id", re.IGNORECASE
)


@pytest.fixture
def world() -> World:
    return World()


def as_role(world: World, role: str) -> ApiClient:
    return ApiClient(world.people[role])


def test_a_return_as_its_sender_reads_it(world: World) -> None:
    owner = as_role(world, "owner")
    read = owner.read(f"returns/{world.report.uuid}").json()
    assert set(read) == RETURN
    assert {frozenset(one) for one in read["catch"]} == {frozenset(CATCH)}
    assert {frozenset(one) for one in read["findings"]} == {frozenset(FINDING)}
    assert {frozenset(one) for one in read["why_it_waits"]} == {frozenset({"reason", "sentence"})}
    assert owner.read("returns").json()["items"] == [read]
    new = owner.send("returns", return_payload(make_trap(site=world.site)))
    assert (new.status_code, set(new.json())) == (201, RETURN)


def test_what_was_reported_is_what_was_sent_and_no_more(world: World) -> None:
    payload = return_payload(make_trap(site=world.site), note="Under the old pear.")
    as_role(world, "owner").send("returns", payload)
    shown = as_role(world, "owner").read(f"returns/{payload['id']}").json()["reported"]
    assert shown == {name: value for name, value in payload.items() if name not in ("id", "trap", "catch")}


def test_why_a_return_waits_is_told_without_the_evidence_or_the_odds(world: World) -> None:
    """Evidence speaks of other gardens, and odds invite to send what passes."""
    text = json.dumps(as_role(world, "owner").read(f"returns/{world.report.uuid}").json()["why_it_waits"])
    for word in ("evidence", "probability", "rank", "damage"):
        assert word not in text


def test_the_queue_and_a_record_as_their_coordinator_reads_them(world: World) -> None:
    desk = as_role(world, "coordinator")
    (row,) = desk.read("queue").json()["items"]
    assert set(row) == QUEUED
    record = desk.read(f"queue/{world.report.uuid}")
    assert set(record.json()) == RECORD
    assert {name: record.json()[name] for name in QUEUED} == row
    assert {frozenset(one) for one in record.json()["queries"]} == {frozenset(QUERY)}
    verdict = {"decision": "discounted", "reason": "liquid_used", "note": "Soap in the cup."}
    decided = desk.send(f"queue/{world.report.uuid}/verdicts", verdict, **{"If-Match": record["ETag"]})
    assert (decided.status_code, set(decided.json())) == (201, RECORD)
    assert [set(one) for one in decided.json()["verdicts"]] == [VERDICT]
    assert decided["ETag"] != record["ETag"]


def test_a_coordinator_reads_of_a_household_its_alias_and_no_more(world: World) -> None:
    desk = as_role(world, "coordinator")
    point = SitePoint.objects.get(site=world.site)
    for path in ("queue", f"queue/{world.report.uuid}"):
        text = desk.read(path).content.decode()
        assert world.site.household.alias in text
        assert not PERSONAL.search(text), PERSONAL.search(text)
        assert str(world.site.household.keeper.email) not in text
        assert str(point.latitude) not in text
        assert str(point.longitude) not in text


def test_a_site_as_its_keeper_reads_it(world: World) -> None:
    owner = as_role(world, "owner")
    (site,) = owner.read("sites").json()["items"]
    assert set(site) == SITE
    assert {frozenset(one) for one in site["traps"]} == {frozenset({"id", "number", "habitat"})}
    body = {"household": site["household"], "latitude": 51.25, "longitude": -17.25}
    new = owner.send("sites", body)
    assert (new.status_code, set(new.json())) == (201, SITE)
    trap = owner.send(f"sites/{new.json()['id']}/traps", {"habitat": "hedge_base"})
    assert (trap.status_code, set(trap.json())) == (201, {"id", "number", "habitat"})


def test_what_anybody_reads_of_a_season(world: World) -> None:
    listed = ApiClient().read("seasons").json()
    assert set(listed) == {"items", "next"}
    assert {frozenset(one) for one in listed["items"]} == {frozenset(SEASON)}
    whole = ApiClient().read("seasons/test-2026").json()
    assert set(whole) == SEASON | {"groups", "habitats", "regions", "windows"}
    assert {frozenset(one) for one in whole["groups"]} == {
        frozenset({"code", "name", "latin", "taxon_rank", "how_to_tell"})
    }
    assert {frozenset(one) for one in whole["habitats"]} == {frozenset({"code", "label", "weight"})}
    assert {frozenset(one) for one in whole["regions"]} == {frozenset({"code", "name", "boundary"})}
    assert {frozenset(one) for one in whole["windows"]} == {frozenset({"code", "name", "first_day", "last_day"})}


@pytest.mark.parametrize("role", ["stranger", "teacher", "researcher", "operator", "coordinator", "other coordinator"])
def test_somebody_elses_return_site_and_household_are_not_there(world: World, role: str) -> None:
    """Object level (OWASP API1:2023). What is foreign and what never was are answered in the same words."""
    visitor, never = as_role(world, role), uuid.uuid4()
    pairs = [
        (visitor.read(f"returns/{world.report.uuid}"), visitor.read(f"returns/{never}")),
        (
            visitor.post(f"/api/v1/returns/{world.report.uuid}/withdrawal", headers={"If-Match": '"x"'}),
            visitor.post(f"/api/v1/returns/{never}/withdrawal", headers={"If-Match": '"x"'}),
        ),
        (
            visitor.send(f"sites/{world.site.public_id}/traps", {"habitat": "short_lawn"}),
            visitor.send(f"sites/{never}/traps", {"habitat": "short_lawn"}),
        ),
        tuple(
            visitor.send("sites", {"household": str(one), "latitude": 51.5, "longitude": -17.5})
            for one in (world.site.household.public_id, never)
        ),
    ]
    for foreign, missing in pairs:
        assert foreign.status_code == missing.status_code == 404
        assert foreign.json()["detail"] == missing.json()["detail"]
    assert visitor.read("returns").json()["items"] == []
    assert str(world.site.public_id) not in visitor.read("sites").content.decode()
    assert Return.objects.get(pk=world.report.pk).state == "queried"
    assert world.site.traps.count() == 2


def test_a_return_for_somebody_elses_trap_is_refused_as_for_one_that_never_was(world: World) -> None:
    stranger = as_role(world, "stranger")
    foreign = return_payload(world.report.trap)
    never = foreign | {"id": str(uuid.uuid4()), "trap": str(uuid.uuid4())}
    rows = [stranger.send("returns", one).json()["errors"][0] for one in (foreign, never)]
    assert [row["code"] for row in rows] == ["unknown_trap", "unknown_trap"]
    assert rows[0]["detail"].replace(foreign["trap"], "") == rows[1]["detail"].replace(never["trap"], "")


def test_a_record_of_another_region_is_not_there_and_takes_no_verdict(world: World) -> None:
    other = as_role(world, "other coordinator")
    tag = as_role(world, "coordinator").read(f"queue/{world.report.uuid}")["ETag"]
    assert other.read(f"queue/{world.report.uuid}").status_code == 404
    verdict = {"decision": "upheld", "reason": "sender_confirmed"}
    answer = other.send(f"queue/{world.report.uuid}/verdicts", verdict, **{"If-Match": tag})
    assert answer.status_code == 404
    assert other.read("queue").json()["items"] == []
    assert Return.objects.get(pk=world.report.pk).version == world.report.version


#: Everything about a stored return that its sender does not choose.
NOT_CHOSEN = sorted(
    {field.name for field in Return._meta.concrete_fields}
    - {"uuid", "trap", "set_at", "emptied_at", "habitat", "note"}
    - {"time_precision", "mouth_mm", "depth_mm", "material", "wall", "colour", "nesting", "rim", "rim_gap", "cover"}
    - {"cover_kind", "cover_gap_mm", "cover_width_mm", "guard", "guard_hole_mm", "refuge", "liquid", "water_mm"}
    - {"drain_holes", "settled_h", "hole_reuse", "disturbance", "pesticide", "looks", "traps_open", "spacing_m"}
    - {"traps_pooled", "ground_cover", "vegetation", "temp_min_c", "temp_max_c", "temp_source", "rain", "wind"}
    - {"ground", "trap_state", "counted_in", "looked_for_all", "remains_seen", "vertebrate_seen", "release", "closing"}
)


def test_nothing_that_is_not_asked_for_can_be_sent_along(world: World) -> None:
    """Mass assignment, one name at a time: refused by name, and nothing is stored. ``id`` is the sender's own."""
    owner, trap = as_role(world, "owner"), make_trap(site=world.site)
    before = Return.objects.count()
    names = {*NOT_CHOSEN, "uuid", "habitat_id", "trap_id", "season_id", "sender_id", "report", "verdicts"} - {"id"}
    assert {"state", "standing", "version", "sender", "season", "rank", "urgent", "trap_nights"} <= names
    for name in sorted(names):
        answer = owner.send("returns", return_payload(trap) | {name: 1})
        assert answer.status_code == 400, name
        assert [row["pointer"] for row in answer.json()["errors"]] == [f"/{name}"]
    assert Return.objects.count() == before


@pytest.mark.parametrize(
    ("path", "extra"),
    [
        ("sites", {"region": "westmark"}), ("sites", {"number": 9}), ("sites", {"cell": "A1"}), ("sites", {"id": "x"}),
        ("traps", {"number": 9}), ("traps", {"site": "x"}), ("tokens", {"user": 1}), ("tokens", {"expiry": None}),
        ("verdicts", {"version": 9}), ("verdicts", {"by": 1}), ("verdicts", {"state": "upheld"}),
    ],
)  # fmt: skip
def test_nor_at_any_other_address(world: World, path: str, extra: dict[str, Any]) -> None:
    household, desk = str(world.site.household.public_id), as_role(world, "coordinator")
    tag = desk.read(f"queue/{world.report.uuid}")["ETag"]
    good: dict[str, tuple[ApiClient, str, dict[str, Any]]] = {
        "sites": (as_role(world, "owner"), "sites", {"household": household, "latitude": 51.5, "longitude": -17.5}),
        "traps": (as_role(world, "owner"), f"sites/{world.site.public_id}/traps", {"habitat": "other"}),
        "tokens": (ApiClient(), "tokens", {"email": "a@test.example", "password": "long enough"}),
        "verdicts": (desk, f"queue/{world.report.uuid}/verdicts", {"decision": "discounted", "reason": "liquid_used"}),
    }
    client, address, body = good[path]
    answer = client.send(address, body | extra, **{"If-Match": tag})
    assert answer.status_code == 400
    assert [row["code"] for row in answer.json()["errors"]] == ["unknown_field"]
    assert stored({"id": world.report.uuid}).state == "queried"
