"""Reading a moment that a family typed: day, month (name or number), year, and a time of day."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

MONTHS = (
    "january", "february", "march", "april", "may", "june",
    "july", "august", "september", "october", "november", "december",
)  # fmt: skip
#: Longest whole number that is read at all.
_WHOLE = re.compile(r"^\s*(\d{1,9})\s*$", re.ASCII)
_CLOCK = re.compile(r"^\s*(\d{1,2})\s*[:.h]?\s*(\d{2})?\s*(?:([ap])\.?\s*m\.?)?\s*$", re.ASCII | re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Frame:
    """In which time zone moments are read, and which years make sense."""

    zone: ZoneInfo
    first_year: int
    last_year: int


def read_moment(
    answers: Mapping[str, str], name: str, what: str, frame: Frame, faults: dict[str, str]
) -> datetime | None:
    """Read the four boxes of ``name``; add what is wrong with them to ``faults``, by box."""
    day = _read_day(answers, name, what, frame, faults)
    clock = read_clock(answers.get(f"{name}_time", ""))
    if clock is None:
        faults[f"{name}_time"] = f"Write the time when you {what}, such as 17:30 or 5.30 pm."
    if day is None or clock is None:
        return None
    moment = datetime(*day, *clock, tzinfo=frame.zone)
    # Where the clocks go forward, an hour of the day is missing: such a time does not come back as it went.
    if moment.astimezone(UTC).astimezone(frame.zone).replace(tzinfo=None) != moment.replace(tzinfo=None):
        faults[f"{name}_time"] = "That hour was left out when the clocks went forward. Write the time on your clock."
        return None
    return moment


def _read_day(
    answers: Mapping[str, str], name: str, what: str, frame: Frame, faults: dict[str, str]
) -> tuple[int, int, int] | None:
    day, year = read_whole(answers.get(f"{name}_day", "")), read_whole(answers.get(f"{name}_year", ""))
    month = read_month(answers.get(f"{name}_month", ""))
    if day is None or month is None or year is None:
        faults[f"{name}_day"] = f"Write the day, month and year when you {what}, such as 2 May 2026."
        return None
    year = year if year > 99 else 2000 + year
    if not frame.first_year <= year <= frame.last_year:
        faults[f"{name}_year"] = f"The year when you {what} reads {year}. Look at it again."
        return None
    try:
        datetime(year, month, day)  # noqa: DTZ001  # asks only whether there is such a day
    except ValueError:
        faults[f"{name}_day"] = f"There is no such day: {day} {MONTHS[month - 1].title()} {year}."
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
    near = [place for place, month in enumerate(MONTHS, start=1) if len(text) >= 3 and month.startswith(text)]
    return near[0] if len(near) == 1 else None


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
