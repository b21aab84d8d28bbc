"""Live data: what a release would tell, at this moment, page by page.

Outside references: the tables that a release freezes (other statements over the same rows), and values by hand.
"""

from __future__ import annotations

import csv
import threading
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from surveys.models import Account, Catch, Consent, ReleasedSite, Return, Season, Trap
from surveys.queries import live_data
from surveys.queries.live_data import live_page
from surveys.queries.live_filters import LiveFilter, read_filter
from surveys.queries.releases import folder_of
from surveys.queries.seasons import lists_of
from surveys.release_files.tables import COUNTS, RETURNS, Column
from surveys.services.review import give_verdict
from surveys.vocabulary import USABLE_STATES, Decision, ReturnState, VerdictReason
from tests.factories import (
    find_in,
    make_coordinator,
    make_household,
    make_season,
    make_site,
    make_trap,
    send_return,
    verified,
)
from tests.making import make_release_now
from tests.published import publish, withdraw

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(autouse=True)
def fresh_places() -> Iterator[None]:
    """Read the places anew in each test: they are kept for a minute."""
    live_data._live_places.cache_clear()
    yield
    live_data._live_places.cache_clear()


@pytest.fixture
def season() -> Season:
    return make_season()


def garden(region: str = "eastmark", keeper: Account | None = None) -> Trap:
    """Add a garden with a trap, of a household of its own."""
    return make_trap(site=make_site(household=make_household(keeper=keeper), region=region))


def gardens(count: int, region: str = "eastmark") -> list[Return]:
    """Send a return from each of so many gardens; all of them stand."""
    sent = [send_return(garden(region)) for _ in range(count)]
    Return.objects.update(state=ReturnState.STANDING)
    return sent


def walked(season: Season, limit: int = 500, **asked: str) -> list[dict[str, Any]]:
    """Return every item of a walk, page by page."""
    live_data._live_places.cache_clear()
    found: list[dict[str, Any]] = []
    after = None
    while True:
        items, after = live_page(season, LiveFilter(**asked), after, limit)
        found += items
        if after is None:
            return found


def ids(items: list[dict[str, Any]]) -> list[str]:
    return [one["return_id"] for one in items]


def as_frozen(column: Column, value: Any) -> str:
    """Write a value of the API as the released CSV has it (PostgreSQL's own form; true, false, empty for null)."""
    if value is None:
        return ""
    if column.kind == "boolean":
        return "true" if value else "false"
    return f"{value:.17g}" if isinstance(value, float) and value != int(value) else str(value).removesuffix(".0")


def test_each_row_says_what_a_release_says_of_it(season: Season) -> None:
    """A corrected catch, a corrected time, a school's return, a lost trap, one off protocol: column by column."""
    traps = [garden() for _ in range(6)]
    sent = [send_return(trap) for trap in traps]
    sent.append(send_return(traps[0], set_at="2026-05-05T17:07:31+00:00", emptied_at="2026-05-06T17:20:00+00:00"))
    sent.append(send_return(traps[1], set_at="2026-05-05T17:00:00+00:00", emptied_at="2026-05-06T17:00:00+00:00",
                            trap_state="dug_up", habitat=None, temp_min_c=None))  # fmt: skip
    sent.append(send_return(traps[2], set_at="2026-06-05T17:00:00+00:00", emptied_at="2026-06-06T17:00:00+00:00",
                            mouth_mm=160, settled_h=12))  # fmt: skip
    Return.objects.update(state=ReturnState.STANDING)
    Return.objects.filter(pk=sent[3].pk).update(state=ReturnState.QUERIED, reason="ten_times")
    _correct(sent[3])
    released = folder_of(make_release_now(season))
    frozen = rows_of(released / "returns.csv")
    items = walked(season)
    assert len(items) == len(frozen) == 9
    assert all(item["cell"] for item in items)
    for item, row in zip(items, frozen, strict=True):
        shown = {column.name: as_frozen(column, item[column.name]) for column in RETURNS.columns}
        told = {name: str(float(v)) if _is_number(name) and v else v for name, v in row.items()}
        assert {name: str(float(v)) if _is_number(name) and v else v for name, v in shown.items()} == told
    counts = [
        {"return_id": item["return_id"], **{c.name: as_frozen(c, one[c.name]) for c in COUNTS.columns[1:]}}
        for item in items
        for one in item["counts"]
    ]
    assert counts == rows_of(released / "counts.csv")
    findings = [(item["return_id"], code) for item in items for code in item["findings"]]
    assert findings == [(row["return_id"], row["check"]) for row in rows_of(released / "findings.csv")]
    assert any(row["corrected"] == "true" for row in counts)


def _is_number(name: str) -> bool:
    return next(one.kind for one in RETURNS.columns if one.name == name) in ("number", "integer")


def _correct(report: Return) -> None:
    report.refresh_from_db()
    group = next(one for one in lists_of(report.season).groups if one.code == "woodlice")
    from surveys.services.sent_returns import SentAnswer, bounded
    from surveys.vocabulary import AnswerKind

    give_verdict(
        by=verified(make_coordinator()), uuid=report.uuid, version=report.version, decision=Decision.CORRECTED,
        reason=VerdictReason.COUNT_SLIP, note="", answers=[bounded(SentAnswer(group.code, AnswerKind.NUMBER, count=1))],
        columns={"set_at": datetime(2026, 5, 2, 16, tzinfo=UTC)},
    )  # fmt: skip


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_row_by_hand(season: Season) -> None:
    """The payload of the factories: 24 hours, quarter-hour times, six answers, a class of 4 to 7 springtails."""
    gardens(4)
    sent = send_return(garden(), set_at="2026-05-02T17:08:00+00:00", emptied_at="2026-05-03T17:52:31+00:00")
    Return.objects.update(state=ReturnState.STANDING)
    item = next(one for one in walked(season) if one["return_id"] == str(sent.uuid))
    assert (item["set_at"], item["emptied_at"]) == ("2026-05-02T17:15:00Z", "2026-05-03T18:00:00Z")
    assert item["exposure_hours"] == 24.75  # 24 h 44 min 31 s, to a quarter of an hour
    assert item["trap_nights"] == 24.75 / 24
    assert (item["region"], item["habitat"], item["window"], item["night"]) == (
        "eastmark", "short_lawn", "spring", "2026-05-02",
    )  # fmt: skip
    assert (item["school"], item["first_return"], item["fresh"]) == (False, True, False)
    assert item["counts"][-1] == {
        "group": "woodlice", "answer": "number", "count_min": 3, "count_max": 3, "detected": True, "corrected": False,
        "sent_answer": None, "sent_count_min": None, "sent_count_max": None,
    }  # fmt: skip
    springtails = next(one for one in item["counts"] if one["group"] == "springtails")
    assert (springtails["answer"], springtails["count_min"], springtails["count_max"]) == ("class", 4, 7)
    assert [one["group"] for one in item["counts"]] == sorted(one["group"] for one in item["counts"])


STATES = st.lists(st.sampled_from(list(ReturnState)), min_size=7, max_size=7)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(states=STATES, agreed=st.lists(st.booleans(), min_size=7, max_size=7))
def test_only_usable_returns_that_were_agreed_to_are_told(
    season: Season, states: list[ReturnState], agreed: list[bool]
) -> None:
    """k = 5 gardens (METHODS.md, section 12) of those that remain, whatever the mixture."""
    Return.objects.exists() or gardens(7)
    sent = list(Return.objects.select_related("trap__site__household").order_by("id"))
    for report, state, yes in zip(sent, states, agreed, strict=True):
        Return.objects.filter(pk=report.pk).update(state=state)
        consents = Consent.objects.filter(account=report.trap.site.household.keeper)
        consents.update(withdrawn_at=None if yes else timezone.now())
    usable = {
        str(one.uuid) for one, state, yes in zip(sent, states, agreed, strict=True) if yes and state in USABLE_STATES
    }
    assert set(ids(walked(season))) == (usable if len(usable) >= 5 else set())


def test_who_takes_the_agreement_back_is_gone_at_once_and_the_others_stay(season: Season) -> None:
    """Six agreed and one does not any more: the region still has five gardens, and none of them is that one."""
    sent = gardens(6)
    keeper = sent[0].trap.site.household.keeper
    assert str(sent[0].uuid) in ids(walked(season))
    Consent.objects.filter(account=keeper).update(withdrawn_at=timezone.now())
    assert set(ids(walked(season))) == {str(one.uuid) for one in sent[1:]}


def test_agreeing_to_another_licence_is_not_agreeing_to_this_one(season: Season) -> None:
    gardens(6)
    Consent.objects.update(licence="CC0-1.0")
    assert walked(season) == []


def test_a_region_of_four_gardens_is_withheld_and_one_of_five_is_not(season: Season) -> None:
    gardens(5, region="eastmark")
    gardens(4, region="westmark")
    assert {one["region"] for one in walked(season)} == {"eastmark"}


def test_a_cell_is_named_only_where_a_published_release_has_told_it(season: Season) -> None:
    """Who reads before and after a garden joins would else learn from a cell of its own which garden it is."""
    sent = gardens(6)
    assert {one["cell"] for one in walked(season)} == {None}
    bare = walked(season)[0]
    assert (bare["cell_latitude"], bare["cell_longitude"], bare["cell_uncertainty_m"]) == (None, None, None)
    assert bare["region"] == "eastmark"
    release = publish({})
    told, site = sent[0], sent[0].trap.site
    ReleasedSite.objects.create(public_id=site.public_id, release=release, region=site.region, cell_code=site.cell_code)
    cells = {one["return_id"]: one["cell"] for one in walked(season)}
    assert cells == {str(one.uuid): site.cell_code if one == told else None for one in sent}
    withdraw(release)
    assert {one["cell"] for one in walked(season)} == {None}


def test_a_region_of_four_gardens_stays_away(season: Season) -> None:
    """k = 5: METHODS.md, section 12."""
    gardens(4)
    assert walked(season) == []


def test_one_household_with_five_gardens_counts_as_one(season: Season) -> None:
    household = make_household()
    for _ in range(5):
        send_return(make_trap(site=make_site(household=household)))
    Return.objects.update(state=ReturnState.STANDING)
    assert walked(season) == []


def test_a_season_tells_of_itself_alone(season: Season) -> None:
    sent = gardens(5)
    earlier = make_season(year=2025)
    for report in sent:
        send_return(report.trap, set_at="2025-05-02T17:00:00+00:00", emptied_at="2025-05-03T17:00:00+00:00")
    Return.objects.update(state=ReturnState.STANDING)
    assert {one["season"] for one in walked(season)} == {"test-2026"}
    assert {one["season"] for one in walked(earlier)} == {"test-2025"}


def test_only_the_first_return_that_enters_an_index_is_a_senders_first(season: Season) -> None:
    """The first was off protocol, so the second is the first that counts; the third is none."""
    gardens(4)
    trap = garden()
    nights = [send_return(trap, set_at=f"2026-05-{day:02}T17:00:00+00:00", emptied_at=f"2026-05-{day + 1:02}T17:00:00+00:00")
              for day in (4, 6, 8)]  # fmt: skip
    Return.objects.update(state=ReturnState.STANDING)
    Return.objects.filter(pk=nights[0].pk).update(standing="off_protocol")
    found = {one["return_id"]: one["first_return"] for one in walked(season)}
    assert [found[str(one.uuid)] for one in nights] == [False, True, False]
    Return.objects.filter(pk=nights[1].pk).update(state=ReturnState.WITHDRAWN)
    found = {one["return_id"]: one["first_return"] for one in walked(season)}
    assert [found.get(str(one.uuid)) for one in nights] == [False, None, True]


# --- filters ------------------------------------------------------------------------------------------


@pytest.fixture
def mixed(season: Season) -> dict[str, Return]:
    """Ten gardens in two regions; some returns differ from the rest in one thing."""
    sent = gardens(5, "eastmark") + gardens(5, "westmark")
    for one in sent:
        find_in(one)
    off, lost, bare, late = sent[0], sent[1], sent[2], sent[3]
    Return.objects.filter(pk=off.pk).update(standing="off_protocol", state="upheld")
    Return.objects.filter(pk=lost.pk).update(trap_nights=None)
    find_in(late, ("rain", "note"))
    Catch.objects.filter(report=bare, group__code="spiders").delete()
    other = send_return(make_trap(site=sent[5].trap.site, habitat="hedge_base"),
                        set_at="2026-06-20T17:00:00+00:00", emptied_at="2026-06-21T17:00:00+00:00")  # fmt: skip
    Return.objects.filter(pk=other.pk).update(state=ReturnState.STANDING)
    find_in(other)
    return {"off": off, "lost": lost, "bare": bare, "late": late, "other": other}


@pytest.mark.parametrize(
    ("asked", "named", "number"),
    [
        ({}, None, 11),
        ({"region": "eastmark"}, None, 5),
        ({"habitat": "hedge_base"}, "other", 1),
        ({"group": "spiders"}, None, 10),
        ({"night_from": "2026-06-01"}, "other", 1),
        ({"night_to": "2026-06-01"}, None, 10),
        ({"night_from": "2026-06-20", "night_to": "2026-06-20"}, "other", 1),
        ({"finding": "rain"}, "late", 1),
        ({"standing": "off_protocol"}, "off", 1),
        ({"state": "upheld"}, "off", 1),
        ({"left_out": "off_protocol"}, "off", 1),
        ({"left_out": "no_effort"}, "lost", 1),
        ({"left_out": "no"}, None, 9),
        ({"region": "westmark", "standing": "off_protocol"}, None, 0),
    ],
    ids=str,
)
def test_each_filter_leaves_what_fits(
    season: Season, mixed: dict[str, Return], asked: dict[str, str], named: str | None, number: int
) -> None:
    found = ids(walked(season, **asked))
    assert len(found) == number
    if named is not None:
        assert found == [str(mixed[named].uuid)]


def test_a_group_is_told_alone(season: Season, mixed: dict[str, Return]) -> None:
    items = walked(season, group="spiders")
    assert str(mixed["bare"].uuid) not in ids(items)
    assert {tuple(one["group"] for one in item["counts"]) for item in items} == {("spiders",)}


def test_a_filter_never_changes_what_is_told_of_a_row(season: Season, mixed: dict[str, Return]) -> None:
    """Places are settled from the whole season: asking for one region or one night opens no smaller cell."""
    whole = {one["return_id"]: one for one in walked(season)}
    for asked in ({"region": "eastmark"}, {"night_from": "2026-06-01"}, {"standing": "off_protocol"}):
        for item in walked(season, **asked):
            assert item == whole[item["return_id"]]


@pytest.mark.parametrize(
    ("asked", "code"),
    [
        ({"region": "moon"}, "unknown_word"),
        ({"habitat": "sea"}, "unknown_word"),
        ({"group": "whales"}, "unknown_word"),
        ({"finding": "mood"}, "unknown_word"),
        ({"standing": "sitting"}, "unknown_word"),
        ({"left_out": "yes"}, "unknown_word"),
        ({"state": "withdrawn"}, "unknown_word"),
        ({"state": "queried"}, "unknown_word"),
        ({"region": "eastmark\0"}, "unknown_word"),
        ({"night_from": "2026-13-01"}, "not_a_day"),
        ({"night_to": "20260501"}, "not_a_day"),
        ({"night_to": "2026-W18-6"}, "not_a_day"),
        ({"night_to": "٢٠٢٦-٠٥-٠١"}, "not_a_day"),
        ({"night_from": "2026-06-02", "night_to": "2026-06-01"}, "nights_swapped"),
    ],
    ids=str,
)
def test_each_wrong_filter_is_refused_alone_and_in_words(season: Season, asked: dict[str, str], code: str) -> None:
    _, faults = read_filter(lists_of(season), asked)
    assert [one.code for one in faults] == [code]
    assert faults[0].pointer.strip("/") in asked
    assert faults[0].sentence.endswith(".")


def test_every_wrong_filter_is_told_at_once(season: Season) -> None:
    _, faults = read_filter(lists_of(season), {"region": "moon", "group": "whales", "night_from": "soon"})
    assert [one.pointer for one in faults] == ["/region", "/group", "/night_from"]


# --- pages --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("limit", [1, 2, 3, 7, 8])
def test_a_walk_meets_each_return_once_in_the_order_of_ids(season: Season, limit: int) -> None:
    """Outside reference: Python's own sort of the ids as bytes."""
    sent = gardens(7)
    assert ids(walked(season, limit)) == [str(one) for one in sorted((one.uuid for one in sent), key=lambda u: u.bytes)]


@pytest.mark.parametrize("looked_at", [1, 2, 3, 5, 100])
@pytest.mark.parametrize("limit", [1, 2, 5])
def test_a_page_that_looked_at_enough_returns_is_short_and_the_next_goes_on(
    season: Season, monkeypatch: pytest.MonkeyPatch, looked_at: int, limit: int
) -> None:
    sent = gardens(7)
    wanted = sorted((one.uuid for one in sent), key=lambda u: u.bytes)[-1]
    Return.objects.filter(uuid=wanted).update(standing="off_protocol")
    monkeypatch.setattr(live_data, "MOST_LOOKED_AT", looked_at)
    assert ids(walked(season, limit, standing="off_protocol")) == [str(wanted)]
    assert len(ids(walked(season, limit))) == 7
    first, after = live_page(season, LiveFilter(standing="off_protocol"), None, limit)
    assert (len(first), after is None) == ((1, True) if looked_at >= 8 else (0, False))


def test_an_empty_season_has_one_empty_page(season: Season) -> None:
    assert live_page(season, LiveFilter(), None, 50) == ([], None)


def test_the_id_of_all_zeros_is_an_id_like_any_other(season: Season) -> None:
    gardens(4)
    send_return(garden(), id="00000000-0000-0000-0000-000000000000")
    Return.objects.update(state=ReturnState.STANDING)
    assert len(walked(season, 1)) == 5


@pytest.mark.parametrize("asked", [{}, {"group": "spiders", "left_out": "no", "night_from": "2026-05-01"}], ids=str)
def test_a_page_costs_one_query_once_the_places_are_known(
    season: Season, django_assert_num_queries: Any, asked: dict[str, str]
) -> None:
    gardens(6)
    with django_assert_num_queries(2):
        _, after = live_page(season, LiveFilter(**asked), None, 2)
    for limit in (1, 5):
        with django_assert_num_queries(1):
            live_page(season, LiveFilter(**asked), after, limit)


def test_places_are_settled_once_a_minute(season: Season, monkeypatch: pytest.MonkeyPatch) -> None:
    now = {"s": 60_000_000.0}
    monkeypatch.setattr(live_data, "time_now", lambda: now["s"])
    sent = gardens(5)
    assert len(live_page(season, LiveFilter(), None, 50)[0]) == 5
    Return.objects.filter(pk=sent[0].pk).update(state=ReturnState.WITHDRAWN)
    now["s"] += 59
    assert len(live_page(season, LiveFilter(), None, 50)[0]) == 4  # what was taken back is gone at once
    now["s"] += 1
    assert live_page(season, LiveFilter(), None, 50)[0] == []


def test_a_page_is_entered_through_the_index_of_usable_returns(season: Season) -> None:
    gardens(5)
    parameters = live_data.parameters_of(season, LiveFilter(), live_data.live_places(season))
    with connection.cursor() as cursor:
        cursor.execute("SET enable_seqscan = off")
        try:
            statement = live_data._page_statement(LiveFilter(), begins=False)
            values = {**parameters, "after": uuid.UUID(int=1), "rows": 51, "looked_at": 5_000}
            cursor.execute(f"EXPLAIN {statement}", values)
            plan = "\n".join(row[0] for row in cursor.fetchall())
        finally:
            cursor.execute("RESET enable_seqscan")
    assert "usable_returns_by_id" in plan


def test_a_walk_while_others_send_and_take_back_misses_and_repeats_nothing(season: Season) -> None:
    """Two threads insert and withdraw while a third walks; what was there all the time is met exactly once."""
    there = {str(one.uuid) for one in gardens(24)}
    pattern = Return.objects.order_by("id").first()
    assert pattern is not None
    stop, faults, inserted = threading.Event(), [], []

    def disturb() -> None:
        try:
            while not stop.is_set():
                new = Return.objects.get(pk=pattern.pk)
                new.pk, new.uuid = None, uuid.uuid4()
                new.set_at += timedelta(seconds=len(inserted))
                new.save(force_insert=True)
                inserted.append(new.pk)
                if len(inserted) % 3 == 0:
                    Return.objects.filter(pk=inserted[-2]).update(state=ReturnState.WITHDRAWN)
        except Exception as fault:
            faults.append(fault)
        finally:
            connection.close()

    threads = [threading.Thread(target=disturb) for _ in range(2)]
    for thread in threads:
        thread.start()
    try:
        walks = [ids(walked(season, 3)) for _ in range(6)]
    finally:
        stop.set()
        for thread in threads:
            thread.join()
    assert faults == []
    assert len(inserted) > 20
    for walk in walks:
        assert len(walk) == len(set(walk))
        assert there <= set(walk)
        assert walk == sorted(walk)
