"""A new protocol version from ranges: every limit of the version it is based on as a box, and what is wrong with them.

A limit is the end of a range, a single number, or the width of the standard mouth. A box is named by its check and
its place: ``cup_depth-2-low`` is the lower end of the second range of that check.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass
from typing import Any

from surveys.methods.protocol_checks_list import TITLES
from surveys.plans.records import _

MOUTH = "standard_mouth_mm"

UNITS: dict[str, str] = {
    MOUTH: "mm", "mouth_width": "mm", "cup_depth": "mm", "cover_gap": "mm", "cover_width": "mm", "guard": "mm",
    "liquid": "mm", "settling": "h", "traps_open": _("traps"), "spacing": "m", "traps_pooled": _("traps"),
    "exposure": "h", "looks": "h", "weather_limits": "°C", "exact_counts": _("animals"),
}  # fmt: skip

#: What each range and each number stands for, in a word or two.
CASES: dict[str, str] = {
    "standard": _("just as asked"), "target": _("just as asked"), "near": _("near it"), "wide": _("far from it"),
    "outside": _("too far from it"), "shallow": _("shallow"), "deep": _("deep"), "too_shallow": _("too shallow"),
    "too_deep": _("too deep"), "low": _("low"), "high": _("high"), "too_low": _("too low"), "too_high": _("too high"),
    "mesh_fine": _("a fine mesh"), "mesh_wide": _("a wide mesh"), "standing_water": _("a little water"),
    "deep_water": _("too much water"), "settled": _("settled"), "fresh": _("fresh"), "few": _("few"),
    "many": _("many"), "none_open": _("none"), "close": _("close together"), "one_location": _("as good as one trap"),
    "one": _("one trap"), "pooled": _("several in one return"), "not_one": _("none"), "long": _("long"),
    "too_short": _("too short"), "too_long": _("too long"),
    "margin_each_side_mm": _("least width beyond the cup, on each side"),
    "no_look_long_h": _("hours without a look from which on it is marked"), "hottest_c": _("hottest day for a trap"),
    "coldest_c": _("coldest night for a trap"), "exact_to": _("counted one by one up to"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Box:
    """One limit: the name of its box, what stands in it (empty: no limit), and what stood in the older version."""

    name: str
    value: Any
    before: Any


@dataclass(frozen=True, slots=True)
class Row:
    """One range with its two ends, or one single number (``high`` is None then)."""

    case: str
    label: str
    low: Box
    high: Box | None


@dataclass(frozen=True, slots=True)
class CheckRows:
    """The limits of one check."""

    check: str
    title: str
    unit: str
    source: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Sentence:
    """One sentence of a check that has limits: the name of its box, the case, and the words."""

    name: str
    check: str
    title: str
    case: str
    text: str


def rows_of(limits: Mapping[str, Any], before: Mapping[str, Any]) -> list[CheckRows]:
    """Return every limit of a version, beside that of the version it is based on."""
    old = {row["check"]: row for row in before["checks"]}
    return [
        _rows_of_check(row, old[row["check"]]) for row in limits["checks"] if row.get("bands") or row.get("numbers")
    ]


def _rows_of_check(row: Mapping[str, Any], old: Mapping[str, Any]) -> CheckRows:
    check = row["check"]
    bands = [
        Row(
            band["case"],
            CASES[band["case"]],
            *(Box(f"{check}-{n}-{end}", band[end], old["bands"][n - 1][end]) for end in ("low", "high")),
        )
        for n, band in enumerate(row.get("bands", ()), start=1)
    ]
    numbers = [
        Row(name, CASES[name], Box(f"{check}-{name}", value, old["numbers"][name]), None)
        for name, value in row.get("numbers", {}).items()
    ]
    return CheckRows(check, TITLES[check], UNITS[check], row["source"], (*bands, *numbers))


def sentences_of(limits: Mapping[str, Any]) -> list[Sentence]:
    """Return the sentences of the checks that have limits: those that may speak of a number."""
    return [
        Sentence(f"{row['check']}-{case}-{n}", row["check"], TITLES[row["check"]], case, ruling["sentence"])
        for row in limits["checks"]
        if row.get("bands") or row.get("numbers")
        for case, rulings in row["cases"].items()
        for n, ruling in enumerate(rulings, start=1)
    ]


def put_ranges(limits: Mapping[str, Any], typed: Mapping[str, str]) -> dict[str, Any]:
    """Return the version with what was typed into its boxes; what is no number stands there as it was typed."""
    fresh = deepcopy(dict(limits))
    if MOUTH in typed:
        fresh[MOUTH] = read_number(typed[MOUTH])
    for row in fresh["checks"]:
        for n, band in enumerate(row.get("bands", ()), start=1):
            for end in ("low", "high"):
                if (name := f"{row['check']}-{n}-{end}") in typed:
                    band[end] = read_number(typed[name])
        for key in row.get("numbers", {}):
            if (name := f"{row['check']}-{key}") in typed:
                row["numbers"][key] = read_number(typed[name])
    return fresh


def put_sentences(limits: Mapping[str, Any], typed: Mapping[str, str]) -> dict[str, Any]:
    """Return the version with the sentences that were typed."""
    fresh = deepcopy(dict(limits))
    for row in fresh["checks"]:
        for case, rulings in row["cases"].items():
            for n, ruling in enumerate(rulings, start=1):
                ruling["sentence"] = typed.get(f"{row['check']}-{case}-{n}", ruling["sentence"])
    return fresh


def read_number(text: str) -> Any:
    """Return a number (a comma may stand for the point), None for an empty box, or the text as it was typed."""
    plain = text.strip().replace(",", ".")
    if not plain:
        return None
    if not re.fullmatch(r"-?\d{1,7}(\.\d{1,4})?", plain):
        return text.strip()[:40]
    return float(plain) if "." in plain else int(plain)
