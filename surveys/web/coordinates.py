"""Reading a place that somebody typed: degrees in decimals, or degrees with minutes and seconds.

What is doubtful is never mended alone: other readings of the same two numbers are offered as a question.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from surveys.methods.screening_place import minute_readings, other_readings

_NUMBER = r"\d{1,3}(?:\.\d{1,12})?"
_ANGLE = re.compile(
    rf"^(?P<before>[NSEW])?\s*(?P<sign>[+-])?\s*(?P<degrees>{_NUMBER})\s*(?:°|D|$|(?=[\sNSEW]))\s*"
    rf"(?:(?P<minutes>{_NUMBER})\s*(?:'|M|$|(?=[\sNSEW]))\s*(?:(?P<seconds>{_NUMBER})\s*(?:\"|''|$|(?=[\sNSEW]))\s*)?)?"
    r"(?P<after>[NSEW])?$",
    re.ASCII,
)
#: Signs that phones, maps and word processors use for the same thing.
_SAME = str.maketrans(
    {
        "\N{MINUS SIGN}": "-", "\N{EN DASH}": "-", "\N{HYPHEN}": "-", "\N{NON-BREAKING HYPHEN}": "-",
        "\N{PRIME}": "'", "\N{RIGHT SINGLE QUOTATION MARK}": "'", "\N{LEFT SINGLE QUOTATION MARK}": "'",
        "\N{ACUTE ACCENT}": "'", "`": "'",
        "\N{DOUBLE PRIME}": '"', "\N{RIGHT DOUBLE QUOTATION MARK}": '"', "\N{LEFT DOUBLE QUOTATION MARK}": '"',
        "\N{MASCULINE ORDINAL INDICATOR}": "°", "\N{RING ABOVE}": "°", "\N{NO-BREAK SPACE}": " ",
        "\N{NARROW NO-BREAK SPACE}": " ", "\N{THIN SPACE}": " ",
    }
)  # fmt: skip
#: Two numbers in one box, as a map on a phone copies them.
_PAIR = re.compile(r"^(.*?\S)\s*(?:;|,\s+|\s{2,}|(?<=[NSEWnsew])\s*,?\s*(?=[\d+-])|(?<=\d),(?=[+-]?\d+\.))\s*(\S.*)$")
_SIXTY = 60.0
MOST_LATITUDE, MOST_LONGITUDE = 90.0, 180.0


@dataclass(frozen=True, slots=True)
class Angle:
    """One number of a place: degrees, and whether a letter said that it runs north to south or east to west."""

    degrees: float
    letter: str = ""

    @property
    def runs(self) -> str:
        """Say "lat" or "lon" where a letter told, else nothing."""
        return "lat" if self.letter in ("N", "S") else "lon" if self.letter else ""


@dataclass(frozen=True, slots=True)
class Place:
    """A reading of what was typed."""

    latitude: float
    longitude: float


def read_angle(text: str) -> Angle | None:
    """Return a number of degrees such as 51.5012, 51,5012, -18.04, 18.04 W, 51° 30' 4" N or 51 30 4; else None.

    Minus together with a letter is read as None: it says two things.
    """
    tidy = re.sub(r"(?<=\d),(?=\d)", ".", text.translate(_SAME).strip().upper())
    found = _ANGLE.match(tidy)
    if not found or (found["before"] and found["after"]):
        return None
    letter = found["before"] or found["after"] or ""
    if letter and found["sign"]:
        return None
    parts = [float(found[name] or 0.0) for name in ("degrees", "minutes", "seconds")]
    whole = [found[name] is None or "." not in found[name] for name in ("degrees", "minutes")]
    # Only the last part may have decimals, and a minute has sixty seconds.
    if parts[1] >= _SIXTY or parts[2] >= _SIXTY:
        return None
    if (found["minutes"] and not whole[0]) or (found["seconds"] and not whole[1]):
        return None
    degrees = parts[0] + parts[1] / _SIXTY + parts[2] / _SIXTY**2
    return Angle(-degrees if found["sign"] == "-" or letter in ("S", "W") else degrees, letter)


def split_pair(text: str) -> tuple[str, str] | None:
    """Return the two halves of a text that holds both numbers, or None."""
    found = _PAIR.match(text.translate(_SAME).strip())
    return (found[1].rstrip(" ,;"), found[2]) if found else None


def read_place(north: Angle, east: Angle) -> Place | None:
    """Return the place as it was typed, or None where letters contradict the boxes or a number is too large."""
    if north.runs == "lon" or east.runs == "lat":
        return None
    if abs(north.degrees) > MOST_LATITUDE or abs(east.degrees) > MOST_LONGITUDE:
        return None
    return Place(north.degrees, east.degrees)


def other_places(north: Angle, east: Angle, known: Callable[[Place], bool]) -> tuple[Place, ...]:
    """Return the other readings of two numbers that ``known`` accepts: to be asked about, never to be applied.

    Signs lost, numbers swapped, minutes written as decimals, a comma misplaced. The likelier come first.
    """
    found: dict[Place, None] = {}
    for place in _readings(north, east):
        if known(place):
            found.setdefault(place)
    return tuple(found)


def _readings(north: Angle, east: Angle) -> Iterator[Place]:
    if north.runs == "lon" or east.runs == "lat":
        yield Place(east.degrees, north.degrees)
    yield from _on_earth(other_readings(east.degrees, north.degrees))
    yield from _on_earth(minute_readings(east.degrees, north.degrees))


def _on_earth(readings: Iterable[tuple[float, float]]) -> Iterator[Place]:
    for longitude, latitude in readings:
        if abs(latitude) <= MOST_LATITUDE and abs(longitude) <= MOST_LONGITUDE:
            yield Place(round(latitude, 6), round(longitude, 6))
