"""Catches packed into one value a return, the columns read straight from PostgreSQL, and the frame they make."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
import pytest
from django.db import connection

from surveys.methods.season_frame import LevelRows
from surveys.models import PackedCatch, Return, Season
from surveys.queries.columns import copied_blocks, row_type
from surveys.queries.season_returns import catch_frame, read_season
from surveys.queries.seasons import lists_of
from surveys.services.packing import pack_catches
from surveys.services.screening import screen_received
from surveys.vocabulary import HouseholdKind
from tests.factories import ApiClient, make_household, make_season, make_site, make_trap, return_payload, stored

pytestmark = pytest.mark.django_db(transaction=True)

CATCH = [
    {"group": "woodlice", "answer": "number", "count": 3},
    {"group": "millipedes", "answer": "none_seen"},
    {"group": "centipedes", "answer": "did_not_look"},
    {"group": "spiders", "answer": "could_not_tell"},
    {"group": "ground_beetles", "answer": "class", "class": "c128up"},
    {"group": "springtails", "answer": "class", "class": "c4to7"},
]
#: The catch above by hand, in the season's order of groups: -2 unanswered, -1 open above.
LOW, HIGH = [3, 0, -2, -2, 128, 4], [3, 0, -2, -2, -1, 7]


def send(season: Season, **changes: Any) -> Return:
    """Send one return from a new household and let it be screened."""
    household = make_household(kind=changes.pop("kind", HouseholdKind.HOUSEHOLD))
    trap = make_trap(site=make_site(household=household))
    payload = return_payload(trap, **{"catch": CATCH, **changes})
    assert ApiClient(household.keeper).send("returns", payload).status_code == 201
    screen_received(most=10)
    Return.objects.filter(uuid=payload["id"]).update(state="standing")
    return stored(payload)


def test_a_frame_says_what_was_sent_whether_packed_or_not() -> None:
    season = make_season()
    send(season)
    for packed in (0, 1):
        assert PackedCatch.objects.count() == packed
        frame = catch_frame(lists_of(season))
        assert frame.low[:, 0].tolist() == LOW
        assert frame.high[:, 0].tolist() == HIGH
        pack_catches(season=season, still_ours=lambda: None)


def test_packing_twice_packs_nothing_more_and_a_new_return_is_added() -> None:
    season = make_season()
    send(season)
    assert pack_catches(season=season, still_ours=lambda: None) == 1
    assert pack_catches(season=season, still_ours=lambda: None) == 0
    send(season)
    assert pack_catches(season=season, still_ours=lambda: None) == 1
    assert len(catch_frame(lists_of(season))) == 2


def test_values_packed_in_another_order_of_groups_are_not_used_and_packed_anew() -> None:
    season = make_season()
    send(season)
    pack_catches(season=season, still_ours=lambda: None)
    PackedCatch.objects.update(order_key=1, answers=bytes(8))
    assert catch_frame(lists_of(season)).low[:, 0].tolist() == LOW
    assert pack_catches(season=season, still_ours=lambda: None) == 1
    assert PackedCatch.objects.get().order_key != 1


def test_a_frame_knows_effort_settling_temperature_school_and_first_return() -> None:
    season = make_season()
    first = send(season, settled_h=0)
    school = send(season, kind=HouseholdKind.SCHOOL, settled_h=None, temp_max_c=None)
    frame = catch_frame(lists_of(season))
    at = {int(number): position for position, number in enumerate(frame.report)}
    one, two = at[first.pk], at[school.pk]
    assert frame.trap_nights[one] == pytest.approx(1.0)  # 24 h
    assert frame.rim_ratio[one] == pytest.approx(1.0)  # 75 mm
    assert (frame.settling[one], frame.settling[two]) == (1, -1)
    assert (frame.temp_max_c[one], frame.temp_min_c[one]) == (17.0, 9.0)
    assert np.isnan(frame.temp_max_c[two])
    assert frame.school.tolist() == [n == two for n in range(2)]
    assert frame.first_return.all()


def test_the_hash_of_a_snapshot_is_over_uuid_and_version_in_order() -> None:
    season = make_season()
    rows = [send(season) for _ in range(3)]
    listed = sorted((row.uuid.bytes, row.version) for row in Return.objects.all())
    by_hand = hashlib.sha256(b"".join(name + version.to_bytes(4, "big") for name, version in listed))
    assert read_season(lists_of(season))[1:] == (by_hand.hexdigest(), len(rows))


def test_the_rows_of_a_group_leave_out_who_did_not_look() -> None:
    season = make_season()
    send(season)
    send(season, catch=[{**CATCH[0], "count": 5}, *CATCH[1:]])
    lists = lists_of(season)
    rows = LevelRows(catch_frame(lists), lists.by_code)
    assert sorted(rows.of_group(0, rim_exponent=1).low.tolist()) == [3, 5]
    assert rows.of_group(2, rim_exponent=1).low.tolist() == []
    assert "school" in rows.terms.left_out


def test_a_season_without_returns_has_an_empty_frame() -> None:
    season = make_season()
    frame, digest, usable = read_season(lists_of(season))
    assert (len(frame), usable) == (0, 0)
    assert frame.low.shape == (6, 0)
    assert digest == hashlib.sha256(b"").hexdigest()


def test_columns_come_back_as_they_are_in_many_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("surveys.queries.columns.BLOCK_BYTES", 100)
    row = row_type([("number", ">i8"), ("half", ">f8")])
    sql = "SELECT n::bigint, n / 2.0::float8 FROM generate_series(1, 1000) n"
    blocks = list(copied_blocks(sql, {}, row))
    assert len(blocks) > 10
    numbers = np.concatenate([block["number"] for block in blocks])
    np.testing.assert_array_equal(numbers, np.arange(1, 1001))
    np.testing.assert_allclose(np.concatenate([block["half"] for block in blocks]), np.arange(1, 1001) / 2)


@pytest.mark.parametrize("sql", ["SELECT 1::bigint, NULL::float8", "SELECT 1::bigint", "SELECT 1::bigint, 'longer'"])
def test_rows_of_another_length_are_refused(sql: str) -> None:
    with pytest.raises(ValueError, match="another length than 26 bytes"):
        list(copied_blocks(sql, {}, row_type([("number", ">i8"), ("half", ">f8")])))
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
        assert cursor.fetchone() == (1,)
