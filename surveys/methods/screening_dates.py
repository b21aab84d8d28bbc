"""Slips in dates and times: a day or twelve hours off, day and month swapped, last year, the future.

References: METHODS.md, section 7 (signatures and tests; trade experience, no published rates).
Probabilities are planning values.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import product

from surveys.methods.records import Report
from surveys.methods.screening_records import Hunch, ScreeningSettings, state_hunch
from surveys.vocabulary import QueryReason, TimePrecision

DAY_H = 24.0  # protocol v1: one day and one night
BAND_H = (20.0, 28.0)  # protocol v1: target band of an exposure
NIGHT_OF_THE_SUN_H = (23.0, 3.5)  # nobody sets and empties in the middle of the night, by the sun
#: Hours of the sun in which hardly anybody is at a trap: of two times, the one in them is the slip. Own choice.
HARDLY_UP_H = (22.5, 5.5)
CLOSE_H = 1.75  # honest nights are 24 h give or take as much, so twelve hours more or less are too
CLOCKS_APART_H = 0.5  # a phone's clock may run this far ahead


def exposure_hours(report: Report) -> float:
    """Return the hours between set and emptied, negative when the order is wrong."""
    return (report.emptied_at - report.set_at).total_seconds() / 3600.0


def check_dates(report: Report, settings: ScreeningSettings) -> Iterator[Hunch]:
    """Yield every hunch about the dates and times of one return, the most specific first."""
    yield from check_day_month(report)
    yield from check_year(report)
    yield from check_days(report, settings)
    yield from check_half_day(report, settings)
    yield from check_future(report)


def check_day_month(report: Report) -> Iterator[Hunch]:
    """Suspect day and month swapped when the dates do not fit but fit once one or both are swapped."""
    if fits_season(report, report.set_at, report.emptied_at):
        return
    for turn_set, turn_emptied in product((True, False), repeat=2):
        set_at = swap_day_month(report.set_at) if turn_set else report.set_at
        emptied_at = swap_day_month(report.emptied_at) if turn_emptied else report.emptied_at
        if (turn_set or turn_emptied) and set_at and emptied_at and fits_season(report, set_at, emptied_at):
            yield _offer_dates(
                report, QueryReason.DAY_MONTH_SWAPPED, 0.985, "day and month", set_at=set_at, emptied_at=emptied_at
            )
            return


def check_year(report: Report) -> Iterator[Hunch]:
    """Suspect last year's date when one or both dates fit one year later."""
    if fits_season(report, report.set_at, report.emptied_at):
        return
    for late_set, late_emptied in product((True, False), repeat=2):
        set_at = move_year(report.set_at) if late_set else report.set_at
        emptied_at = move_year(report.emptied_at) if late_emptied else report.emptied_at
        if (late_set or late_emptied) and set_at and emptied_at and fits_season(report, set_at, emptied_at):
            yield _offer_dates(
                report, QueryReason.DATE_OFF_BY_DAYS, 0.98, "the year", set_at=set_at, emptied_at=emptied_at
            )
            return


def check_days(report: Report, settings: ScreeningSettings) -> Iterator[Hunch]:
    """Suspect a date off by whole days: hours = 24 +- 1 + 24 n with n not 0, or zero, or negative."""
    hours = exposure_hours(report)
    days = round(hours / DAY_H)
    whole = abs(hours - days * DAY_H) <= settings.time_slack_h
    if hours > 0.0 and (days == 1 or not whole):
        return
    # A cup left for two nights is a thing that happens; no time at all, or less, or a date to come, is not.
    ahead = report.emptied_at > report.sent_at
    probability = 0.97 if hours <= settings.time_slack_h else 0.95 if ahead else 0.75
    guess = report.set_at + timedelta(hours=DAY_H + (hours - days * DAY_H if whole else 0.0))
    yield state_hunch(
        QueryReason.DATE_OFF_BY_DAYS,
        probability,
        f"From setting to emptying: {hours:.1f} h. One day and one night is 20 to 28 h. A date may be off.",
        "Your dates say the cup was not out for one day and one night. Look at the two dates again: "
        "on which day did you set the cup, and on which day did you empty it?",
        _date_evidence(report, report.set_at, guess),
    )


def check_half_day(report: Report, settings: ScreeningSettings) -> Iterator[Hunch]:
    """Suspect morning and evening swapped: about 12 or 36 h, or both instants in the dead of night."""
    hours = exposure_hours(report)
    shifted = min(abs(hours - 12.0), abs(hours - 36.0)) <= settings.time_slack_h
    told = report.time_precision != TimePrecision.DATE_ONLY  # without a time there is no hour to doubt
    dark = told and BAND_H[0] <= hours <= BAND_H[1] and is_dead_of_night(report.set_at, report.longitude)
    if not shifted and not dark:
        return
    close = min(abs(hours - 12.0), abs(hours - 36.0)) <= CLOSE_H
    ahead = report.emptied_at > report.sent_at
    guess_set, guess_emptied = _half_a_day_off(report, hours, dark=dark)
    yield state_hunch(
        QueryReason.TWELVE_HOURS_OFF,
        0.6 if not shifted else 0.95 if ahead else 0.85 if close else 0.45,  # who comes home late is honest
        f"The times are {hours:.1f} h apart"
        + (
            "; the trap was set in the dead of night."
            if dark
            else "; twelve hours more or less would make one day and one night."
        )
        + " Morning and evening may be swapped.",
        "One of your times looks like a morning that was an evening, or the other way round. "
        "Look again: was it morning or evening when you set the cup and when you emptied it?",
        _date_evidence(report, guess_set, guess_emptied),
    )


def _half_a_day_off(report: Report, hours: float, *, dark: bool) -> tuple[datetime, datetime]:
    """Return the instants that would fit: both moved where both lie in the dead of night, else the unlikelier one.

    Where either would do, the one of emptying is moved: who comes home with a full tray looks at no watch.
    """
    half = timedelta(hours=12.0)
    if dark:
        return report.set_at + half, report.emptied_at + half
    longer = half if hours < DAY_H else -half
    either = ((report.set_at, report.emptied_at + longer), (report.set_at - longer, report.emptied_at))
    by_day = [
        pair for pair in either if not any(is_dead_of_night(m, report.longitude, hours=HARDLY_UP_H) for m in pair)
    ]
    return by_day[0] if by_day else either[0]


def check_future(report: Report) -> Iterator[Hunch]:
    """Suspect the dates when the cup was emptied after the return was sent."""
    ahead_h = (report.emptied_at - report.sent_at).total_seconds() / 3600.0
    if ahead_h <= CLOCKS_APART_H:
        return
    yield state_hunch(
        QueryReason.IN_THE_FUTURE,
        0.9,
        f"By its times, the trap was emptied {ahead_h:.1f} h after the return was sent.",
        "The time you emptied the cup is still to come. Look again at the date and the time of emptying.",
        {"numbers": [{"name": "hours_ahead", "value": round(ahead_h, 2)}], "sent_at": report.sent_at.isoformat()},
    )


def fits_season(report: Report, set_at: datetime, emptied_at: datetime) -> bool:
    """Say whether both instants lie in the season, before sending, about one day and night apart."""
    slack = timedelta(days=1)
    hours = (emptied_at - set_at).total_seconds() / 3600.0
    in_season = report.season_opens - slack <= set_at and emptied_at <= report.season_closes + slack
    sent_after = emptied_at <= report.sent_at + timedelta(hours=CLOCKS_APART_H)
    return in_season and sent_after and BAND_H[0] - 6.0 <= hours <= BAND_H[1] + 6.0


def swap_day_month(moment: datetime) -> datetime | None:
    """Return the instant with day and month exchanged; None where that is no other date."""
    if moment.day > 12 or moment.day == moment.month:
        return None
    return moment.replace(day=moment.month, month=moment.day)


def move_year(moment: datetime) -> datetime | None:
    """Return the instant one year later; None for a 29th of February."""
    if (moment.month, moment.day) == (2, 29):
        return None
    return moment.replace(year=moment.year + 1)


def is_dead_of_night(moment: datetime, longitude: float, *, hours: tuple[float, float] = NIGHT_OF_THE_SUN_H) -> bool:
    """Say whether the sun's own clock (UTC + 1 h per 15 degrees east) stands in the dead of night, or in ``hours``."""
    utc = moment.utctimetuple()
    sun_h = (utc.tm_hour + utc.tm_min / 60.0 + longitude / 15.0) % 24.0
    return sun_h >= hours[0] or sun_h <= hours[1]


def _offer_dates(
    report: Report, reason: QueryReason, probability: float, what: str, *, set_at: datetime, emptied_at: datetime
) -> Hunch:
    """Return a hunch that offers other dates, and applies none."""
    return state_hunch(
        reason,
        probability,
        f"The dates {report.set_at:%d %b %Y} and {report.emptied_at:%d %b %Y} do not fit the season; with {what} "
        f"put right they read {set_at:%d %b %Y} and {emptied_at:%d %b %Y}.",
        f"Your dates do not fit this season. Did you mean {set_at:%d %B %Y} to {emptied_at:%d %B %Y}? "
        f"Look again at {what}.",
        _date_evidence(report, set_at, emptied_at),
    )


def _date_evidence(report: Report, set_at: datetime, emptied_at: datetime) -> dict[str, object]:
    """Return what was sent and what is offered, as plain data."""
    return {
        "sent": {"set_at": report.set_at.isoformat(), "emptied_at": report.emptied_at.isoformat()},
        "alternative": {"set_at": set_at.isoformat(), "emptied_at": emptied_at.isoformat()},
        "numbers": [{"name": "exposure_h", "value": round(exposure_hours(report), 2)}],
    }
