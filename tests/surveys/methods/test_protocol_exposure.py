"""Hours and nights together, at 52 N on the meridian in June unless said otherwise.

Sunset is near 20:15 UTC and sunrise near 03:42 (U.S. Naval Observatory's equations, worked in test_daylight), so an
exposure from 16:00 holds a whole night once it lasts beyond 03:42. Expected outcomes: the default protocol's table.
"""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from surveys.methods.protocol import check_protocol
from surveys.vocabulary import Standing
from tests.surveys.methods.protocol_return import GOOD, LIMITS, SET_AT, change, open_for

EVENING = SET_AT.replace(hour=18)
MORNING = SET_AT.replace(hour=5)
LONDON = ZoneInfo("Europe/London")


def _finding(report, check="exposure"):
    (finding,) = [f for f in check_protocol(report, LIMITS).findings if f.check == check]
    return finding.outcome.value, {mark.value for mark in finding.marks}


@pytest.mark.parametrize(
    ("start", "hours", "outcome", "marks"),
    [
        (SET_AT, 24.0, "fine", set()),
        (SET_AT, 23.5, "fine", set()),
        (SET_AT, 24.5, "fine", set()),
        (SET_AT, 23.4, "offset", set()),
        (SET_AT, 24.6, "offset", set()),
        (SET_AT, 20.0, "offset", set()),
        (SET_AT, 28.0, "offset", set()),
        (SET_AT, 19.9, "offset", set()),
        (MORNING, 28.1, "offset", set()),
        (EVENING, 16.0, "offset", set()),
        (EVENING, 15.9, "out", set()),
        (MORNING, 36.0, "offset", set()),
        (MORNING, 36.1, "out", {"welfare"}),
        (MORNING, 52.0, "out", {"welfare"}),
        (MORNING, 52.1, "out", {"welfare"}),
        (SET_AT.replace(hour=23), 24.0, "out", set()),  # both nights are cut
    ],
)
def test_hours_count_only_with_exactly_one_whole_night(start, hours, outcome, marks):
    assert _finding(open_for(start, hours)) == (outcome, marks)


def test_the_two_offset_bands_speak_differently():
    near, wide = (check_protocol(open_for(SET_AT, hours), LIMITS) for hours in (20.0, 19.9))
    sentences = [next(f.sentence for f in r.findings if f.check == "exposure") for r in (near, wide)]
    assert "20 hours" in sentences[0]
    assert "19.9 hours" in sentences[1]
    assert "Aim for 24 hours next time" in sentences[1]


def test_two_short_summer_nights_inside_36_hours_are_two_nights():
    # U.S. Naval Observatory, 60 N 0 E, 2019: sunset 21 June 21:28, 22 June 21:28; sunrise 22 June 02:36, 23 June 02:36
    start = datetime(2019, 6, 21, 21, 20, tzinfo=UTC)
    report = open_for(start, 29.5, latitude=60.0, season_opens=start, season_closes=start + timedelta(days=9))
    assert _finding(report) == ("out", {"welfare"})
    assert check_protocol(report, LIMITS).whole_nights == 2


@pytest.mark.parametrize(
    ("day", "word"),
    [(datetime(2019, 6, 20, 12, tzinfo=UTC), "did not set"), (datetime(2019, 12, 20, 12, tzinfo=UTC), "did not rise")],
)
def test_polar_day_and_polar_night_are_said_in_words(day, word):
    # U.S. Naval Observatory, 80 N 0 E, 2019: sun above the horizon all June, below it all December
    report = open_for(day, 24.0, latitude=80.0)
    result = check_protocol(report, LIMITS)
    assert _finding(report) == ("out", set())
    assert word in next(f.sentence for f in result.findings if f.check == "exposure")
    assert result.standing == Standing.OFF_PROTOCOL


@pytest.mark.parametrize("hours", [0.0, -1.0, -24.0])
def test_emptied_before_it_was_set_is_out_and_held(hours):
    report = open_for(SET_AT, hours)
    result = check_protocol(report, LIMITS)
    assert _finding(report, "time_order") == ("hold", set())
    assert _finding(report) == ("out", set())
    assert result.held
    assert result.standing == Standing.OFF_PROTOCOL
    assert result.trap_nights is None


@pytest.mark.parametrize(
    ("day", "hours"),
    [
        (datetime(2026, 3, 28, 16, tzinfo=LONDON), 23.0),  # clocks go forward on 29 March 2026
        (datetime(2026, 10, 24, 16, tzinfo=LONDON), 25.0),  # clocks go back on 25 October 2026
        (datetime(2026, 6, 6, 16, tzinfo=LONDON), 24.0),
    ],
)
def test_a_day_on_which_the_clocks_change_has_23_or_25_hours(day, hours):
    # same wall clock on the next day; the dates of the change: UK Summer Time Order 2002, last Sundays
    report = change(
        set_at=day, emptied_at=day.replace(day=day.day + 1), season_opens=day, season_closes=day.replace(year=2027)
    )
    result = check_protocol(report, LIMITS)
    assert result.exposure_h == hours
    assert result.trap_nights == pytest.approx(hours / 24)
    assert result.whole_nights == 1


@pytest.mark.parametrize(
    ("shift", "outcome"),
    [(timedelta(0), "fine"), (timedelta(seconds=1), "note")],
)
def test_a_night_outside_the_season_is_kept_and_noted(shift, outcome):
    before = change(season_opens=GOOD.set_at + shift)
    after = change(season_closes=GOOD.emptied_at - shift)
    assert _finding(before, "season_window") == (outcome, set())
    assert _finding(after, "season_window") == (outcome, set())


@pytest.mark.parametrize(("hours", "marks"), [(23.9, set()), (24.0, {"welfare"})])
def test_no_look_in_24_hours_is_a_welfare_matter(hours, marks):
    assert _finding(open_for(SET_AT, hours, looks="no_look"), "looks") == ("note", marks)
