"""Reading days and times as people and spreadsheets write them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime, time, timedelta
from enum import Enum

from surveys.sheets.folding import fold, tidied
from surveys.sheets.records import Formula, Odd, Say, SheetLists, Unreadable, Value
from surveys.sheets.words import _

_ISO = re.compile(r"^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ]+(\S.*))?$", re.ASCII)
_SLASHED = re.compile(r"^(\d{1,2})([/.-])\s?(\d{1,2})\2\s?(\d{4}|\d{2})(?:,?\s+(\S.*))?$", re.ASCII)
#: What ends a day: the year, and a time beside it.
_YEAR = r"(\d{4}|\d{2})(?:,?\s+(\S.*))?$"
_DAY_FIRST = re.compile(r"^(?:[^\W\d_]+\.?,?\s+)?(\d{1,2})\.?(?:st|nd|rd|th)?[ -]*([^\W\d_]{3,})\.?,?[ -]+" + _YEAR)
_MONTH_FIRST = re.compile(r"^(?:[^\W\d_]+\.?,\s+)?([^\W\d_]{3,})\.?\s+(\d{1,2})(?:st|nd|rd|th)?,?\s+" + _YEAR)
_CLOCK = re.compile(
    r"^(\d{1,2})(?:\s*[:.h]\s*(\d{2})(?::\d{2}(?:\.\d+)?)?|(\d{2}))?\s*(?:([ap])\.?\s*m\.?|uhr|h|o'clock)?$",
    re.ASCII | re.IGNORECASE,
)
#: How Excel writes a time without a day.
_NO_DAY = (date(1899, 12, 30), date(1899, 12, 31), date(1900, 1, 1), date(1904, 1, 1))
_HOW_DAY = _("Write the day with the name of the month, like 2 May 2026.")
_HOW_TIME = _("Write the time like 17:30 or 5.30 pm.")


class Order(Enum):
    """Which comes first where a day is written as 2/5/2026: what the file's own rows prove."""

    UNKNOWN = "unknown"
    DAY = "day"
    MONTH = "month"


def prove_order(cells: Iterable[Value]) -> Order:
    """Return which of day and month comes first, from cells such as 31/5/2026; two that disagree prove nothing."""
    firsts = set()
    for cell in cells:
        found = _SLASHED.match(tidied(cell)) if isinstance(cell, str) else None
        if found and found.group(2) != ".":
            one, two = int(found.group(1)), int(found.group(3))
            if 12 < one <= 31 and two <= 12:
                firsts.add(Order.DAY)
            elif 12 < two <= 31 and one <= 12:
                firsts.add(Order.MONTH)
    return firsts.pop() if len(firsts) == 1 else Order.UNKNOWN


def month_names(lists: SheetLists) -> Mapping[str, int]:
    """Return the number of a month for each folded name, its first three letters and what lies between."""
    found: dict[str, int] = {}
    for number, names in enumerate(lists.months, start=1):
        for name in names:
            folded = fold(name)
            for length in range(3, len(folded) + 1):
                found.setdefault(folded[:length], number)
    return found


def read_day(
    value: Value, months: Mapping[str, int], order: Order, lists: SheetLists, say: Say
) -> tuple[date, time | None]:
    """Return the day in a cell, and the time where one stands beside it; raise :class:`Unreadable`."""
    if isinstance(value, datetime):
        return _in_years(value.date(), lists, say), value.time() if value.time() != time(0) else None
    if isinstance(value, date):
        return _in_years(value, lists, say), None
    text = tidied(value) if isinstance(value, str) else ""
    if not text:
        raise Unreadable(_odd(value, say) or say(_("This is not a day we can read.")), say(_HOW_DAY))
    parts = _parts(text, months, order, say)
    if parts is None:
        raise Unreadable(say(_("This is not a day we can read.")), say(_HOW_DAY))
    year, month, day, rest = parts
    try:
        found = date(year if year > 99 else 2000 + year, month, day)
    except ValueError:
        raise Unreadable(say(_("There is no such day.")), say(_HOW_DAY)) from None
    return _in_years(found, lists, say), read_time(rest, say) if rest else None


def _parts(text: str, months: Mapping[str, int], order: Order, say: Say) -> tuple[int, int, int, str] | None:
    """Return year, month, day and what follows them, or None."""
    if found := _ISO.match(text):
        return int(found.group(1)), int(found.group(2)), int(found.group(3)), found.group(4) or ""
    if found := _SLASHED.match(text):
        day, month = _sorted_out(int(found.group(1)), int(found.group(3)), found.group(2), order, say)
        return int(found.group(4)), month, day, found.group(5) or ""
    if (found := _DAY_FIRST.match(text)) and (number := months.get(fold(found.group(2)))):
        return int(found.group(3)), number, int(found.group(1)), found.group(4) or ""
    if (found := _MONTH_FIRST.match(text)) and (number := months.get(fold(found.group(1)))):
        return int(found.group(3)), number, int(found.group(2)), found.group(4) or ""
    return None


def _sorted_out(one: int, two: int, sign: str, order: Order, say: Say) -> tuple[int, int]:
    """Return day and month of 2/5. With dots the day comes first everywhere; otherwise it must be plain."""
    if sign == "." or one == two or one > 12 or order == Order.DAY:
        return one, two
    if two > 12 or order == Order.MONTH:
        return two, one
    raise Unreadable(say(_("Day and month can be read both ways round here.")), say(_HOW_DAY))


def _in_years(found: date, lists: SheetLists, say: Say) -> date:
    if lists.first_year <= found.year <= lists.last_year:
        return found
    raise Unreadable(
        say(_("The year reads {year}.")).format(year=found.year),
        say(_("Look at it again. The season needs a year from {first} to {last}.")).format(
            first=lists.first_year, last=lists.last_year
        ),
    )


def read_time(value: Value, say: Say) -> time:
    """Return the time of day in a cell; raise :class:`Unreadable`."""
    if isinstance(value, datetime):
        if value.date() in _NO_DAY:
            return _to_minute(value.hour * 60 + value.minute + value.second / 60)
        return value.time().replace(second=0, microsecond=0)
    if isinstance(value, time):
        return _to_minute(value.hour * 60 + value.minute + (value.second + value.microsecond / 1e6) / 60)
    if isinstance(value, timedelta) and timedelta(0) <= value < timedelta(days=1):
        return _to_minute(value.total_seconds() / 60)
    if isinstance(value, float) and not value.is_integer():
        return _from_number(value, say)
    text = tidied(str(int(value)) if isinstance(value, int | float) else value if isinstance(value, str) else "")
    found = _clock(text)
    if found is None:
        raise Unreadable(_odd(value, say) or say(_("This is not a time we can read.")), say(_HOW_TIME))
    return found


def _from_number(value: float, say: Say) -> time:
    """Return the time of a share of a day, as spreadsheets keep it; 17.3 may be 17:30 or 17:18."""
    if 0 < value < 1:
        return _to_minute(value * 24 * 60)
    raise Unreadable(say(_("This is a number, and not a time.")), say(_HOW_TIME))


def _to_minute(minutes: float) -> time:
    whole = round(minutes) % (24 * 60)
    return time(whole // 60, whole % 60)


def _clock(text: str) -> time | None:
    if re.fullmatch(r"0?\.\d+|0,\d+", text):
        share = float(text.replace(",", "."))
        return _to_minute(share * 24 * 60)
    if re.fullmatch(r"\d{3}", text):
        text = f"0{text}"
    found = _CLOCK.match(text)
    if not found:
        return None
    hour, half = int(found.group(1)), (found.group(4) or "").lower()
    minute = int(found.group(2) or found.group(3) or 0)
    if half and not 1 <= hour <= 12:
        return None
    if half:
        hour = hour % 12 + (12 if half == "p" else 0)
    return time(hour, minute) if hour <= 23 and minute <= 59 else None


def moment_of(day: date, clock: time, lists: SheetLists, say: Say) -> datetime:
    """Return the instant; refuse an hour that the clocks left out, and a moment that is still to come."""
    moment = datetime.combine(day, clock, lists.time_zone)
    if moment.astimezone(UTC).astimezone(lists.time_zone).replace(tzinfo=None) != moment.replace(tzinfo=None):
        raise Unreadable(
            say(_("That hour was left out when the clocks went forward.")), say(_("Write the time on your clock."))
        )
    if moment > lists.now + timedelta(hours=1):
        raise Unreadable(say(_("This is still to come.")), say(_("Look at the day and the year again.")))
    return moment


def _odd(value: Value, say: Say) -> str:
    if value is None or value == "":
        return say(_("This cell is blank, and every row needs it."))
    if isinstance(value, Formula):
        return say(_("A formula stands here."))
    if isinstance(value, Odd):
        return say(_("This cell holds an error or a tick, and not words."))
    return ""
