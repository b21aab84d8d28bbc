"""What anybody reads of changes and of groups seen: names written out, sentences for codes, versions, nothing else."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from surveys.methods.change_words import SENTENCES
from tests.factories import ApiClient, make_coordinator, make_household, make_researcher, make_season
from tests.several_seasons import catch_of, make_doubling, make_gardens, run_once, send_year

pytestmark = pytest.mark.django_db(transaction=True)

RUN = {
    "night", "published_at", "method_version", "protocol_version", "code_version", "seed", "snapshot_event",
    "snapshot_hash", "counts",
}  # fmt: skip
CHANGES = {"season", "statement", "unit", "confidence", "run", "earlier", "groups", "values"}
CHANGE = {
    "region", "group", "window", "adjusted", "code", "sentence", "ratio", "low", "high", "p_value", "p_adjusted",
    "revisited_sites", "effective_sites", "more_sites_needed",
}  # fmt: skip
SEEN = {
    "season", "statement", "unit", "confidence", "run", "groups", "groups_left_out", "base_effort", "base_coverage",
    "values",
}  # fmt: skip
REGION = {
    "region", "label", "groups_seen", "sites", "site_nights", "left_out", "codes", "sentences", "figures",
}  # fmt: skip
FIGURES = {"seen_once", "seen_twice", "coverage", "chao2", "observed", "asymptotic", "at_effort", "at_coverage"}
WORDS_THAT_A_CATCH_DOES_NOT_CARRY = re.compile(r"abundance|population|biodiversity|per m²", re.IGNORECASE)


def read(what: str, **headers: str) -> Any:
    return ApiClient().read(f"seasons/test-2026/{what}", **headers)


def one_of(values: list[dict[str, Any]], **named: Any) -> dict[str, Any]:
    (found,) = (one for one in values if all(one[name] == value for name, value in named.items()))
    return found


def test_changes_are_read_by_anybody_with_words_and_run() -> None:
    make_doubling()
    answer = read("changes")
    assert answer.status_code == 200
    body = answer.json()
    assert set(body) == CHANGES
    assert set(body["run"]) == RUN
    assert {frozenset(one) for one in body["values"]} == {frozenset(CHANGE)}
    assert len(body["values"]) == 2 * 3 * 6 * 2  # regions, windows, groups, as caught and adjusted
    for words in ("Activity-density", "each compared with itself", "volunteers, who choose themselves"):
        assert words in body["statement"]
    assert [one["season"] for one in body["earlier"]] == ["test-2025"]
    assert [set(one) for one in body["earlier"]] == [{"season", "returns", "snapshot_hash"}]
    woodlice = one_of(body["groups"], group="woodlice")
    assert woodlice["base"] == ["test-2025"]
    assert woodlice["temperature_sentence"].startswith("48 of 48 returns came with a temperature")

    place = {"region": "eastmark", "group": "woodlice", "window": "spring"}
    raw, adjusted = (one_of(body["values"], adjusted=adjusted, **place) for adjusted in (False, True))
    assert raw["code"] == adjusted["code"] == "shown"
    assert raw["low"] < 2 < raw["high"]
    assert raw["p_value"] <= raw["p_adjusted"] < 0.05
    empty = one_of(body["values"], adjusted=False, **{**place, "region": "westmark"})
    assert (empty["code"], empty["ratio"], empty["p_adjusted"]) == ("no_returns", None, None)
    assert empty["sentence"] == SENTENCES["no_returns"]
    assert not WORDS_THAT_A_CATCH_DOES_NOT_CARRY.search(json.dumps(body))

    # Every role reads the same, and whoever has it already is told so.
    for account in (make_household().keeper, make_coordinator(), make_researcher()):
        assert ApiClient(account).read("seasons/test-2026/changes").json() == body
    tag = answer["ETag"]
    assert read("changes", **{"If-None-Match": tag}).status_code == 304
    assert read("groups-seen", **{"If-None-Match": tag}).status_code == 200


def test_a_first_season_has_an_answer_without_changes() -> None:
    run_once(make_season())
    body = read("changes").json()
    assert (body["values"], body["groups"], body["earlier"]) == ([], [], [])


def test_before_the_first_night_both_are_not_there_and_say_when_they_will_be() -> None:
    make_season()
    for what in ("changes", "groups-seen"):
        answer = read(what)
        assert answer.status_code == 404
        assert answer.json()["detail"].endswith("Ask again after the next night.")


def test_groups_seen_are_read_by_anybody_with_words_and_run() -> None:
    season = make_season()
    send_year(make_gardens(10), 2026, lambda n: catch_of(woodlice=1, spiders=n % 2))
    send_year(make_gardens(3, region="westmark"), 2026, lambda _: catch_of(woodlice=1))
    run_once(season)
    answer = read("groups-seen")
    assert answer.status_code == 200
    body = answer.json()
    assert set(body) == SEEN
    assert set(body["run"]) == RUN
    assert {frozenset(one) for one in body["values"]} == {frozenset(REGION)}
    assert "says nothing about species" in body["statement"]
    assert "Volunteers choose their own gardens" in body["statement"]
    east, west = body["values"]
    assert (east["region"], east["label"], east["groups_seen"], east["site_nights"]) == ("eastmark", "shown", 2, 20)
    assert set(east["figures"]) == FIGURES
    assert len(east["figures"]["at_effort"]["hill"]) == 3
    assert (west["label"], west["figures"], west["codes"]) == ("too_few", None, ["few_sites"])
    assert west["sentences"] == ["Too few sites answered the whole list: 3 of the 10 needed."]
    assert body["base_effort"] == 40
    assert not WORDS_THAT_A_CATCH_DOES_NOT_CARRY.search(json.dumps(body))
    assert read("groups-seen", **{"If-None-Match": answer["ETag"]}).status_code == 304


def test_a_new_night_has_a_new_version() -> None:
    season = make_season()
    tags = []
    for _ in range(2):
        run_once(season)
        tags.append((read("changes")["ETag"], read("groups-seen")["ETag"]))
    assert len({tag for both in tags for tag in both}) == 4
