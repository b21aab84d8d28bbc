"""When to look at a trap: the sun by astral's own functions, the rest by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from astral import Observer
from astral.sun import sunrise, sunset
from hypothesis import given
from hypothesis import strategies as st

from surveys.methods.looks import APART, planned_looks

MERROW = (51.5, -18.0)
ICELAND = ZoneInfo("Atlantic/Reykjavik")  # no summer time; the zone of the Merrow Isles
MINUTE = timedelta(minutes=1)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize("day", ["2026-05-02", "2026-07-15", "2026-10-20"])
def test_an_afternoon_setting_is_looked_at_at_its_first_sunset(day: str) -> None:
    looks = planned_looks(at(f"{day}T16:00"), *MERROW, ICELAND)
    expected = sunset(Observer(*MERROW), at(day).date())  # outside: astral, which uses its own search
    assert looks.dusk is not None
    assert abs(looks.dusk - expected) < 2 * MINUTE


def test_an_autumn_morning_look_is_at_sunrise() -> None:
    looks = planned_looks(at("2026-10-20T14:00"), *MERROW, ICELAND)
    expected = sunrise(Observer(*MERROW), at("2026-10-21").date())
    assert looks.dawn is not None
    assert abs(looks.dawn - expected) < 2 * MINUTE


def test_nobody_is_woken_at_a_midsummer_sunrise() -> None:
    # Sunrise is at 04:55 by astral; 14 h after setting is 07:00, so six o'clock counts.
    assert planned_looks(at("2026-06-20T17:00"), *MERROW, ICELAND).dawn == at("2026-06-21T06:00")


def test_fourteen_hours_after_setting_come_before_six_o_clock() -> None:
    # Set at 15:20: fourteen hours later is 05:20, after the sunrise at 04:55 (astral).
    assert planned_looks(at("2026-06-20T15:20"), *MERROW, ICELAND).dawn == at("2026-06-21T05:20")


def test_a_trap_that_is_set_at_night_is_not_looked_at_just_before_it_is_emptied() -> None:
    # Sunset on 3 May is at 20:38 (astral): less than an hour before 24 h are over.
    looks = planned_looks(at("2026-05-02T21:30"), *MERROW, ICELAND)
    assert looks.dusk is None
    assert looks.dawn is not None


def test_emptying_is_at_24_hours_and_late_are_26_and_30() -> None:
    looks = planned_looks(at("2026-05-02T16:00"), *MERROW, ICELAND)
    assert (looks.empty, looks.overdue) == (at("2026-05-03T16:00"), at("2026-05-03T18:00"))
    assert looks.overdue_for_long == at("2026-05-03T22:00")


@pytest.mark.parametrize(("month", "zone"), [("2026-06-21", "Europe/Oslo"), ("2026-12-21", "Europe/Oslo")])
def test_where_the_sun_does_not_set_or_rise_the_clock_decides(month: str, zone: str) -> None:
    oslo = ZoneInfo(zone)
    set_at = datetime.fromisoformat(f"{month}T15:00").replace(tzinfo=oslo)
    looks = planned_looks(set_at, 70.0, 25.0, oslo)
    assert looks.dusk is not None
    assert looks.dawn is not None
    assert looks.dusk.astimezone(oslo).strftime("%H:%M") == "22:00"
    assert looks.dawn.astimezone(oslo).strftime("%H:%M") == "06:00"


@given(
    st.datetimes(datetime(2020, 1, 1), datetime(2035, 12, 31), timezones=st.just(UTC)),
    st.floats(-89, 89),
    st.floats(-180, 180),
    st.sampled_from(["UTC", "Atlantic/Reykjavik", "Europe/Berlin", "Pacific/Auckland", "America/Anchorage"]),
)
def test_looks_lie_between_setting_and_emptying_wherever_and_whenever(
    set_at: datetime, latitude: float, longitude: float, zone: str
) -> None:
    looks = planned_looks(set_at, latitude, longitude, ZoneInfo(zone))
    for look in (looks.dusk, looks.dawn):
        assert look is None or set_at + APART <= look <= looks.empty - APART
