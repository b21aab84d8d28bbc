"""Sunset, sunrise and nights, against the U.S. Naval Observatory.

Two outside sources: (1) the Observatory's "Rise and Set for the Sun for 2019" tables for four places, in Universal Time
to the minute; (2) its published approximate algorithm (Almanac for Computers 1990, Nautical Almanac Office), written
out here from its description and sharing no equation with the code under test.
"""

import math
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from surveys.methods import daylight
from surveys.methods.daylight import Sky, count_nights, nights_cut, sun_times, whole_nights

# latitude, longitude, solar day, sunrise, sunset in UT as printed; "+" marks the next UT day
NAVAL_OBSERVATORY_2019 = [
    (60, 0, "01-01", "09:02", "15:05"),
    (60, 0, "03-20", "06:03", "18:14"),
    (60, 0, "06-21", "02:36", "21:28"),
    (60, 0, "09-23", "05:46", "17:58"),
    (60, 0, "12-21", "09:02", "14:54"),
    (29, -81, "01-01", "12:18", "22:38"),
    (29, -81, "04-30", "10:44", "23:59"),
    (29, -81, "05-01", "10:43", "+00:00"),  # the UT day 1 May has no sunset at all, the solar day has
    (29, -81, "06-21", "10:26", "+00:26"),
    (29, -81, "08-19", "10:55", "+00:00"),
    (29, -81, "08-20", "10:55", "23:59"),  # the UT day 20 August has two sunsets
    (29, -81, "12-21", "12:13", "22:31"),
    (-60, -150, "06-21", "19:06", "+00:58"),
    (-60, -150, "12-21", "12:32", "+07:24"),
    (-60, -150, "03-20", "16:00", "+04:13"),
]


def _instant(day, printed):
    hours, minutes = map(int, printed.lstrip("+").split(":"))
    return datetime(day.year, day.month, day.day, hours, minutes, tzinfo=UTC) + timedelta(days=printed.startswith("+"))


@pytest.mark.parametrize(("latitude", "longitude", "day", "sunrise", "sunset"), NAVAL_OBSERVATORY_2019)
def test_sun_times_agree_with_the_naval_observatory_to_a_minute(latitude, longitude, day, sunrise, sunset):
    day = date.fromisoformat(f"2019-{day}")
    times = sun_times(day, latitude, longitude)
    assert abs(times.sunrise - _instant(day, sunrise)) <= timedelta(seconds=60)
    assert abs(times.sunset - _instant(day, sunset)) <= timedelta(seconds=60)


@pytest.mark.parametrize(
    ("day", "sunrise", "sunset", "sky"),
    [  # 80 N 0 E, 2019, the Observatory's table; "none" where it prints the sun as up or down throughout
        ("04-12", "01:25", "23:02", Sky.ORDINARY),
        ("04-13", "00:57", None, Sky.ORDINARY),  # the last sunrise before the midnight sun
        ("04-14", None, None, Sky.ALWAYS_LIGHT),
        ("06-21", None, None, Sky.ALWAYS_LIGHT),
        ("08-30", None, "23:01", Sky.ORDINARY),  # the first sunset after it
        ("08-31", "01:03", "22:34", Sky.ORDINARY),
        ("10-21", "11:03", "12:23", Sky.ORDINARY),
        ("10-22", None, None, Sky.ALWAYS_DARK),
        ("12-21", None, None, Sky.ALWAYS_DARK),
        ("02-21", "11:20", "13:10", Sky.ORDINARY),
    ],
)
def test_the_polar_year_begins_and_ends_on_the_printed_days(day, sunrise, sunset, sky):
    day = date.fromisoformat(f"2019-{day}")
    times = sun_times(day, 80.0, 0.0)
    assert times.sky == sky
    for found, printed in ((times.sunrise, sunrise), (times.sunset, sunset)):
        assert (found is None) == (printed is None)
        # the sun grazes the horizon there: two minutes
        assert printed is None or abs(found - _instant(day, printed)) <= timedelta(minutes=2)


def _almanac_1990(day, latitude, longitude, *, rising):
    """Return sunrise or sunset as UT hours of the UT day, by the Almanac for Computers."""
    sin, cos = (lambda d: math.sin(math.radians(d))), (lambda d: math.cos(math.radians(d)))
    number = day.timetuple().tm_yday
    t = number + ((6 if rising else 18) - longitude / 15) / 24
    anomaly = 0.9856 * t - 3.289
    place = (anomaly + 1.916 * sin(anomaly) + 0.020 * sin(2 * anomaly) + 282.634) % 360
    ascension = math.degrees(math.atan(0.91764 * math.tan(math.radians(place)))) % 360
    ascension += math.floor(place / 90) * 90 - math.floor(ascension / 90) * 90
    sin_declination = 0.39782 * sin(place)
    cos_declination = math.sqrt(1 - sin_declination**2)
    angle = math.degrees(
        math.acos((cos(90 + 50 / 60) - sin_declination * sin(latitude)) / (cos_declination * cos(latitude)))
    )
    local = ((360 - angle if rising else angle) + ascension) / 15 - 0.06571 * t - 6.622
    return (local - longitude / 15) % 24


def test_the_almanac_algorithm_is_written_out_rightly():
    # its worked example: Wayne, New Jersey, 25 June 1990: sunrise 9.441 h UT, 5:26 daylight time (from memory)
    assert _almanac_1990(date(1990, 6, 25), 40.9, -74.3, rising=True) == pytest.approx(9.441, abs=0.002)


@settings(max_examples=60, deadline=None)
@given(st.dates(date(1990, 1, 1), date(2050, 12, 31)), st.integers(-55, 55), st.integers(-180, 180))
def test_sun_times_agree_with_the_almanac_for_computers_anywhere(day, latitude, longitude):
    times = sun_times(day, latitude, longitude)
    for found, rising in ((times.sunrise, True), (times.sunset, False)):
        hours = found.hour + found.minute / 60 + found.second / 3600
        expected = _almanac_1990(day, latitude, longitude, rising=rising)
        apart = abs((hours - expected + 12) % 24 - 12) * 60
        assert apart < 4.0  # the almanac's own error reaches some minutes away from its epoch
    assert times.sunset - timedelta(days=1) < times.sunrise < times.sunset


def test_a_place_is_rounded_to_a_hundredth_of_a_degree_and_shared():
    daylight._sun_times.cache_clear()
    sun_times(date(2026, 6, 6), 52.001, 4.001)
    sun_times(date(2026, 6, 6), 52.004, 3.999)
    assert daylight._sun_times.cache_info().hits == 1


# 60 N 0 E, 2019: sunset 21 June 21:28, sunrise 22 June 02:36, sunset 22 June 21:28, sunrise 23 June 02:36 (as above)
@pytest.mark.parametrize(
    ("start", "end", "whole", "cut"),
    [
        ("21T21:26", "22T02:38", 1, 0),
        ("21T21:30", "22T02:38", 0, 1),
        ("21T21:26", "22T02:34", 0, 1),
        ("21T16:00", "22T16:00", 1, 0),
        ("21T23:00", "22T23:00", 0, 2),
        ("21T16:00", "22T23:00", 1, 1),
        ("21T16:00", "23T16:00", 2, 0),
        ("22T01:00", "22T12:00", 0, 1),  # set in the small hours: the night began the day before
        ("22T08:00", "22T20:00", 0, 0),
        ("22T16:00", "21T16:00", 0, 0),
        ("21T16:00", "21T16:00", 0, 0),
    ],
)
def test_a_night_counts_as_whole_only_from_sunset_to_sunrise(start, end, whole, cut):
    start, end = (datetime.fromisoformat(f"2019-06-{text}:00+00:00") for text in (start, end))
    assert whole_nights(start, end, 60.0, 0.0) == whole
    assert nights_cut(start, end, 60.0, 0.0) == cut


def test_the_last_night_before_a_polar_winter_is_never_whole():
    # 80 N 0 E, 2019: sunset 21 October 12:23, and no sunrise until February
    start = datetime(2019, 10, 21, 12, 0, tzinfo=UTC)
    nights = count_nights(start, start + timedelta(hours=48), 80.0, 0.0)
    assert (nights.whole, nights.cut) == (0, 1)


@pytest.mark.parametrize(
    ("month", "sky"), [(6, Sky.ALWAYS_LIGHT), (12, Sky.ALWAYS_DARK), (3, Sky.ORDINARY), (9, Sky.ORDINARY)]
)
def test_the_sky_of_an_exposure_is_told(month, sky):
    start = datetime(2019, month, 20, 12, tzinfo=UTC)
    assert count_nights(start, start + timedelta(hours=24), 80.0, 0.0).sky == sky


def test_a_slip_in_the_year_neither_hangs_nor_breaks():
    start = datetime(2026, 6, 6, 16, tzinfo=UTC)
    assert whole_nights(start, start.replace(year=2090), 52.0, 0.0) == daylight.MOST_NIGHTS
    assert whole_nights(datetime(1, 1, 1, tzinfo=UTC), start, 52.0, 0.0) == 0
    assert whole_nights(start, datetime(9999, 12, 31, tzinfo=UTC), 52.0, 0.0) == 0


def test_the_zone_in_which_an_instant_is_written_does_not_matter():
    start = datetime(2019, 6, 21, 21, 26, tzinfo=UTC)
    for hours in (-12, -5, 9, 14):
        zone = timezone(timedelta(hours=hours))
        ends = (instant.astimezone(zone) for instant in (start, start + timedelta(hours=29.5)))
        assert count_nights(*ends, 60.0, 0.0) == count_nights(start, start + timedelta(hours=29.5), 60.0, 0.0)
