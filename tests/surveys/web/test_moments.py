"""Days and times as families type them. Expected values are arithmetic by hand; clock changes are named beside."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from surveys.web.moments import Frame, read_clock, read_moment, read_month, read_whole

REYKJAVIK = Frame(ZoneInfo("Atlantic/Reykjavik"), 2025, 2027)
LISBON = Frame(ZoneInfo("Europe/Lisbon"), 2025, 2027)


def read(frame: Frame = REYKJAVIK, **boxes: str) -> tuple[datetime | None, dict[str, str]]:
    """Read 2 May 2026, 17:30 with some boxes changed."""
    typed = {"day": "2", "month": "5", "year": "2026", "time": "17:30", **boxes}
    faults: dict[str, str] = {}
    moment = read_moment(
        {f"set_{part}": value for part, value in typed.items()}, "set", "opened the trap", frame, faults
    )
    return moment, faults


@pytest.mark.parametrize("month", ["5", "05", "May", "may", " MAY ", "May."])
def test_a_month_may_be_a_number_or_a_name(month: str) -> None:
    assert read(month=month) == (datetime(2026, 5, 2, 17, 30, tzinfo=REYKJAVIK.zone), {})


@pytest.mark.parametrize(
    ("typed", "month"), [("sep", 9), ("Sept", 9), ("september", 9), ("12", 12), ("Jun", 6), ("july", 7)]
)
def test_a_month_may_be_its_first_letters(typed: str, month: int) -> None:
    assert read_month(typed) == month


@pytest.mark.parametrize("typed", ["", "0", "13", "ma", "ju", "mayday", "²", "x"])
def test_what_is_no_month_is_none(typed: str) -> None:
    assert read_month(typed) is None


@pytest.mark.parametrize(
    ("typed", "clock"),
    [
        ("17:30", (17, 30)), ("17.30", (17, 30)), ("1730", (17, 30)), ("17h30", (17, 30)), ("17", (17, 0)),
        ("5.30 pm", (17, 30)), ("5:30PM", (17, 30)), ("5 p.m.", (17, 0)), ("5am", (5, 0)), ("0:15", (0, 15)),
        ("12 am", (0, 0)), ("12pm", (12, 0)), ("23:59", (23, 59)), ("530", (5, 30)),
    ],
)  # fmt: skip
def test_a_time_may_be_typed_in_many_ways(typed: str, clock: tuple[int, int]) -> None:
    # 12 am is midnight and 12 pm is noon: common practice, no source.
    assert read_clock(typed) == clock


@pytest.mark.parametrize("typed", ["", "24:00", "17:60", "13 pm", "0 am", "noon", "17:3", "5 m", "-5", "١٧:٣٠"])
def test_what_is_no_time_is_none(typed: str) -> None:
    assert read_clock(typed) is None


@pytest.mark.parametrize("typed", ["", "1.5", "-3", "1e3", "1_0", "²", "٣", "9" * 10])
def test_what_is_no_whole_number_is_none(typed: str) -> None:
    assert read_whole(typed) is None


@pytest.mark.parametrize(
    ("boxes", "fault"),
    [
        ({"day": ""}, "set_day"), ({"month": "Mai-ish"}, "set_day"), ({"year": ""}, "set_day"),
        ({"time": ""}, "set_time"), ({"time": "half past"}, "set_time"), ({"day": "31", "month": "6"}, "set_day"),
        ({"day": "29", "month": "2", "year": "2027"}, "set_day"), ({"day": "0"}, "set_day"),
        ({"year": "2062"}, "set_year"), ({"year": "999999999"}, "set_year"), ({"year": "1926"}, "set_year"),
    ],
)  # fmt: skip
def test_each_wrong_box_alone_is_named(boxes: dict[str, str], fault: str) -> None:
    moment, faults = read(**boxes)
    assert moment is None
    assert list(faults) == [fault]


def test_a_wrong_day_and_a_wrong_time_are_both_named() -> None:
    assert set(read(day="", time="")[1]) == {"set_day", "set_time"}


def test_a_year_of_two_digits_is_of_this_century() -> None:
    assert read(year="26")[0] == datetime(2026, 5, 2, 17, 30, tzinfo=REYKJAVIK.zone)


def test_times_are_read_in_the_time_zone_of_the_season() -> None:
    # Lisbon keeps UTC+1 in May (tz database, rule EU).
    moment, _ = read(LISBON)
    assert moment is not None
    assert moment.astimezone(UTC) == datetime(2026, 5, 2, 16, 30, tzinfo=UTC)


def test_an_hour_that_the_clocks_left_out_is_named() -> None:
    # Clocks in Lisbon went from 01:00 to 02:00 on 29 March 2026 (tz database, rule EU: last Sunday of March, 01:00 UTC).
    moment, faults = read(LISBON, day="29", month="March", time="1:30")
    assert moment is None
    assert list(faults) == ["set_time"]
    assert read(LISBON, day="29", month="March", time="2:30")[1] == {}
