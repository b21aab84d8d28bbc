"""Reading the query parameters of a collection: limit, bbox, datetime, and codes. What fits nothing is a 400."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import NoReturn

from api.ogc.base import refused
from surveys.queries.features import Box, Moments, Wanted

#: Own choice: few enough for a first look. A reader may ask for more, up to the highest.
USUAL_LIMIT, HIGHEST_LIMIT = 100, 1000
#: Parameters of every collection; "after" stands in the links to the next page only.
COMMON = ("limit", "bbox", "datetime", "after")
_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")
#: RFC 3339, section 5.6. A day alone stands for the whole day, in UTC.
_INSTANT = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt][0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?([Zz]|[+-][0-9]{2}:[0-9]{2})"
)
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_CODE = re.compile(r"[A-Za-z0-9_-]{1,40}")


def wanted(query: Mapping[str, str], codes: Sequence[str]) -> Wanted:
    """Return what is asked for of a collection that knows these codes beside the common parameters."""
    return Wanted(
        limit=_limit(query.get("limit", str(USUAL_LIMIT))),
        after=_after(query),
        box=_box(query["bbox"]) if "bbox" in query else None,
        moments=_moments(query["datetime"]) if "datetime" in query else None,
        codes=_codes(query, codes),
    )


def _limit(given: str) -> int:
    """Return how many features a page may have. Too many are cut to what there is: section 7.15.2."""
    digits = given.lstrip("0")
    if not (given.isascii() and given.isdigit() and digits):
        raise refused("limit", "bad_limit", f"{given[:20]!r} is no number of features. Ask for 1 to {HIGHEST_LIMIT}.")
    return min(int(digits[:10]), HIGHEST_LIMIT)


def _after(query: Mapping[str, str]) -> str:
    given = query.get("after", "")
    if "after" in query and not given:
        raise refused("after", "unknown_after", "There is no id in it. Begin at the first page and follow its links.")
    return given


def _codes(query: Mapping[str, str], names: Sequence[str]) -> Mapping[str, str]:
    found = {name: query[name] for name in names if name in query}
    for name, value in found.items():
        if not _CODE.fullmatch(value):
            raise refused(name, "bad_code", f"{value[:40]!r} is no code. Codes have letters, digits, - and _.")
    return found


def _box(given: str) -> Box:
    """Return the edges of ``west,south,east,north``; of six numbers the heights are left out (section 7.15.3)."""
    parts = [one.strip() for one in given.split(",")]
    if len(parts) not in (4, 6) or not all(_NUMBER.fullmatch(one) for one in parts):
        _refuse_box(given, "Give four numbers, west,south,east,north, in degrees; or six, with heights.")
    numbers = [float(one) for one in parts]
    if not all(math.isfinite(one) for one in numbers):
        _refuse_box(given, "Give numbers of degrees.")
    west, south, east, north = numbers if len(numbers) == 4 else (*numbers[:2], *numbers[3:5])
    if not (-180 <= west <= 180 and -180 <= east <= 180 and -90 <= south <= 90 and -90 <= north <= 90):
        _refuse_box(given, "Longitudes lie between -180 and 180, latitudes between -90 and 90, longitude first.")
    if south > north or (len(numbers) == 6 and numbers[2] > numbers[5]):
        _refuse_box(given, "The lower edge comes before the upper one.")
    return Box(west, south, east, north)


def _refuse_box(given: str, sentence: str) -> NoReturn:
    raise refused("bbox", "bad_box", f"{given[:80]!r} is no box. {sentence}")


def _moments(given: str) -> Moments:
    """Return an instant, or an interval that may be open at one end, as ``..`` or nothing (section 7.15.4)."""
    parts = given.split("/")
    if len(parts) == 1:
        return Moments(*_ends(given, given))
    if len(parts) != 2 or all(one in ("", "..") for one in parts):
        _refuse_time(given)
    open_first, open_last = (one in ("", "..") for one in parts)
    found = Moments(None if open_first else _ends(parts[0], given)[0], None if open_last else _ends(parts[1], given)[1])
    if found.first and found.last and found.first > found.last:
        _refuse_time(given)
    return found


def _ends(part: str, given: str) -> tuple[datetime, datetime]:
    """Return the first and the last instant of what is written: the same one, or those of a day."""
    if not (_INSTANT.fullmatch(part) or _DAY.fullmatch(part)):
        _refuse_time(given)
    try:
        first = datetime.fromisoformat(part.upper())
        if first.tzinfo:
            return first, first
        first = first.replace(tzinfo=UTC)
        return first, first + timedelta(days=1, microseconds=-1)
    except (ValueError, OverflowError):  # no such day or hour
        _refuse_time(given)


def _refuse_time(given: str) -> NoReturn:
    sentence = (
        f"{given[:80]!r} is no time. Give 2026-05-02T18:00:00Z, a day such as 2026-05-02, or two of them with / "
        "between, the earlier first. One of the two may be .. for no end."
    )
    raise refused("datetime", "bad_time", sentence)
