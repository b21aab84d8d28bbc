"""Reading a moment that a family typed: day, month (name or number), year, and a time of day."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from surveys.queries.seasons import SeasonLists

MONTHS = (
    "january", "february", "march", "april", "may", "june",
    "july", "august", "september", "october", "november", "december",
)  # fmt: skip
#: A month may be typed by its name in every language of the pages, whichever of them is shown.
GERMAN_MONTHS = (
    "januar", "februar", "märz", "april", "mai", "juni",
    "juli", "august", "september", "oktober", "november", "dezember",
)  # fmt: skip
#: Longest whole number that is read at all.
_WHOLE = re.compile(r"^\s*(\d{1,9})\s*$", re.ASCII)
_CLOCK = re.compile(r"^\s*(\d{1,2})\s*[:.h]?\s*(\d{2})?\s*(?:([ap])\.?\s*m\.?)?\s*$", re.ASCII | re.IGNORECASE)


#: What is said of a moment that cannot be read, by what was done then: whole sentences, to be translated.
_SAID: dict[str, dict[str, Any]] = {
    "opened the trap": {
        "day": _("Write the day, month and year when you opened the trap, such as 2 May 2026."),
        "time": _("Write the time when you opened the trap, such as 17:30 or 5.30 pm."),
        "year": _("The year when you opened the trap reads %(year)d. Look at it again."),
    },
    "emptied the trap": {
        "day": _("Write the day, month and year when you emptied the trap, such as 2 May 2026."),
        "time": _("Write the time when you emptied the trap, such as 17:30 or 5.30 pm."),
        "year": _("The year when you emptied the trap reads %(year)d. Look at it again."),
    },
}
#: For any other moment.
_OF_ANY = {
    "day": _("Write the day, month and year, such as 2 May 2026."),
    "time": _("Write the time, such as 17:30 or 5.30 pm."),
    "year": _("The year reads %(year)d. Look at it again."),
}


@dataclass(frozen=True, slots=True)
class Frame:
    """In which time zone moments are read, and which years make sense."""

    zone: ZoneInfo
    first_year: int
    last_year: int


def frame_of(lists: SeasonLists) -> Frame:
    """Return the season's time zone and years, with one year's slack around New Year."""
    season = lists.season
    return Frame(ZoneInfo(season.time_zone), season.opens_on.year - 1, season.closes_on.year + 1)


def read_moment(
    answers: Mapping[str, str], name: str, what: str, frame: Frame, faults: dict[str, str]
) -> datetime | None:
    """Read the four boxes of ``name``; add what is wrong with them to ``faults``, by box.

    ``what`` was done at that moment: "opened the trap" or "emptied the trap".
    """
    said = _SAID.get(what, _OF_ANY)
    day = _read_day(answers, name, said, frame, faults)
    clock = read_clock(answers.get(f"{name}_time", ""))
    if clock is None:
        faults[f"{name}_time"] = str(said["time"])
    if day is None or clock is None:
        return None
    moment = datetime(*day, *clock, tzinfo=frame.zone)
    # Where the clocks go forward, an hour of the day is missing: such a time does not come back as it went.
    if moment.astimezone(UTC).astimezone(frame.zone).replace(tzinfo=None) != moment.replace(tzinfo=None):
        faults[f"{name}_time"] = gettext(
            "That hour was left out when the clocks went forward. Write the time on your clock."
        )
        return None
    return moment


def _read_day(
    answers: Mapping[str, str], name: str, said: Mapping[str, Any], frame: Frame, faults: dict[str, str]
) -> tuple[int, int, int] | None:
    # In German a day is written with a dot, and a dot more does no harm.
    day, year = (read_whole(answers.get(f"{name}_{part}", "").strip().rstrip(".")) for part in ("day", "year"))
    month = read_month(answers.get(f"{name}_month", ""))
    if day is None or month is None or year is None:
        faults[f"{name}_day"] = str(said["day"])
        return None
    year = year if year > 99 else 2000 + year
    if not frame.first_year <= year <= frame.last_year:
        faults[f"{name}_year"] = str(said["year"]) % {"year": year}
        return None
    try:
        datetime(year, month, day)  # noqa: DTZ001  # asks only whether there is such a day
    except ValueError:
        faults[f"{name}_day"] = gettext("There is no such day: %(day)d %(month)s %(year)d.") % {
            "day": day,
            "month": gettext(MONTHS[month - 1].title()),
            "year": year,
        }
        return None
    return year, month, day


def read_whole(text: str) -> int | None:
    """Return a whole number that was typed, or None."""
    found = _WHOLE.match(text)
    return int(found.group(1)) if found else None


def read_month(text: str) -> int | None:
    """Return the month from 1 to 12 that was typed as a number, a name or the first letters of one."""
    text = text.strip().strip(".").lower()
    if (number := read_whole(text)) is not None:
        return number if 1 <= number <= 12 else None
    near = {
        place
        for names in (MONTHS, GERMAN_MONTHS)
        for place, month in enumerate(names, start=1)
        if len(text) >= 3 and month.startswith(text)
    }
    return near.pop() if len(near) == 1 else None


def read_clock(text: str) -> tuple[int, int] | None:
    """Return hour and minute of a time of day such as 17:30, 17.30, 1730, 5.30 pm or 5pm."""
    found = _CLOCK.match(text)
    if not found:
        return None
    hour, minute, half = int(found.group(1)), int(found.group(2) or 0), (found.group(3) or "").lower()
    if half and not 1 <= hour <= 12:
        return None
    if half:
        hour = hour % 12 + (12 if half == "p" else 0)
    return (hour, minute) if hour <= 23 and minute <= 59 else None
