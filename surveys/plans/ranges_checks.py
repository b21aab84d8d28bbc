"""What is still to do about a plan's protocol: a version that exists, or ranges that make a new one."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, TypeGuard

from surveys.methods.protocol_checks_list import TITLES
from surveys.methods.protocol_limits import Limits
from surveys.plans.ranges import CASES, MOUTH
from surveys.plans.records import Known, PlanDraft, PlanFault, _, has_unseen_signs, read_day
from surveys.vocabulary import PlanSection

LONGEST_VERSION = 20
#: A finding keeps 400 signs of its sentence; the numbers that are filled in need room too.
LONGEST_SENTENCE = 380
#: Checks that count whole things: between 6 and 7 traps there is nothing.
_COUNTED = frozenset({"traps_open", "traps_pooled"})


def faults_of_ranges(draft: PlanDraft, known: Known) -> Iterator[PlanFault]:
    """Yield what is still to do about the protocol: a version that exists, or a new one."""
    chosen = draft.plan.get("protocol")
    if not draft.limits:
        if not chosen:
            yield _fault(
                "no_protocol",
                _("No protocol version is chosen yet. Choose one, or make a new one from it."),
                "protocol",
            )
        elif chosen not in known.protocols:
            yield _fault(
                "unknown_protocol",
                _("There is no protocol version {found}. Choose from the list."),
                "protocol",
                found=str(chosen)[:20],
            )
        return
    base = known.protocols.get(str(draft.limits.get("based_on")))
    named, found = [*_faults_of_version(draft.limits, known)], [*_faults_of_boxes(draft.limits)]
    yield from (*named, *found)
    if base is not None and not found:
        yield from _faults_against(draft.limits, base)
    if not named and not found:
        yield from _faults_of_method(draft.limits)


def _faults_of_version(limits: Mapping[str, Any], known: Known) -> Iterator[PlanFault]:
    version = str(limits.get("version") or "")
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9.-]*", version) or len(version) > LONGEST_VERSION:
        yield _fault(
            "version",
            _("The new version has no number that can be used: {found}. Write one such as 2."),
            "version",
            found=version or "-",
        )
    elif version in known.protocols:
        yield _fault(
            "version_taken",
            _(
                "There is a protocol version {found} already. A version is never changed: give the "
                "new one another number."
            ),
            "version",
            found=version,
        )
    if read_day(limits.get("agreed_on")) is None:
        yield _fault(
            "agreed_on",
            _("The day on which the new version was agreed is missing or is not a date. Write it such as 2027-01-15."),
            "agreed_on",
        )


def _faults_of_boxes(limits: Mapping[str, Any]) -> Iterator[PlanFault]:
    mouth = limits.get(MOUTH)
    if not _is_number(mouth) or mouth <= 0:
        yield _fault(
            "mouth",
            _("The standard width of the mouth, {found}, is not a number of mm above 0."),
            MOUTH,
            found=_quoted(mouth),
        )
    for row in limits.get("checks", ()):
        for n, band in enumerate(row.get("bands", ()), start=1):
            yield from _faults_of_band(row["check"], n, band)
        for key, value in row.get("numbers", {}).items():
            if not _is_number(value):
                yield _limit(
                    "number",
                    _("{title}: {found} is not a number. Write one."),
                    row["check"],
                    key,
                    f"{row['check']}-{key}",
                    found=_quoted(value),
                )


def _faults_of_band(check: str, n: int, band: Mapping[str, Any]) -> Iterator[PlanFault]:
    low, high = band["low"], band["high"]
    for end, value in (("low", low), ("high", high)):
        if value is not None and not _is_number(value):
            yield _limit(
                "end",
                _("{title}, {case}: {found} is not a number. Write one, or leave the box empty for no limit."),
                check,
                band["case"],
                f"{check}-{n}-{end}",
                found=_quoted(value),
            )
    if low is None and high is None:
        yield _limit(
            "no_ends",
            _("{title}, {case}: both boxes are empty. Write at least one limit."),
            check,
            band["case"],
            f"{check}-{n}-low",
        )
    elif _is_number(low) and _is_number(high) and low > high:
        yield _limit(
            "upside_down",
            _("{title}, {case}: it runs from {low} to {high}, which is upside down. Turn the two round."),
            check,
            band["case"],
            f"{check}-{n}-low",
            low=_quoted(low),
            high=_quoted(high),
        )


def _faults_against(limits: Mapping[str, Any], base: Mapping[str, Any]) -> Iterator[PlanFault]:
    """Yield what does not fit beside the version it is based on: nothing new, holes, sentences with old numbers."""
    old = {row["check"]: row for row in base["checks"]}
    if limits[MOUTH] == base[MOUTH] and limits["checks"] == base["checks"]:
        yield _fault(
            "nothing_new",
            _("The new version says just what version {found} says. Change a limit, or choose that one."),
            "version",
            found=str(base["version"]),
        )
    for row in limits["checks"]:
        before = old[row["check"]]
        known_holes = holes_in(before.get("bands", ()))
        for low, high in holes_in(row.get("bands", ())):
            if (low, high) in known_holes or (row["check"] in _COUNTED and high - low <= 1):
                continue
            yield _limit(
                "hole",
                _(
                    "{title}: no range holds the values between {low} and {high}, so they would count as "
                    "not told. Let the ranges meet."
                ),
                row["check"],
                row["bands"][0]["case"],
                f"{row['check']}-1-low",
                low=f"{low:g}",
                high=f"{high:g}",
            )
        yield from _old_numbers(row, before)


def holes_in(bands: Sequence[Mapping[str, Any]]) -> list[tuple[float, float]]:
    """Return the open stretches between ranges that no range holds."""
    ends = [(_end(band["low"], -1), _end(band["high"], 1)) for band in bands]
    holes: list[tuple[float, float]] = []
    reached: float | None = None
    for low, high in sorted(ends):
        if reached is not None and low > reached:
            holes.append((reached, low))
        reached = high if reached is None else max(reached, high)
    return holes


def _end(value: Any, side: int) -> float:
    return side * float("inf") if value is None else float(value)


def _old_numbers(row: Mapping[str, Any], before: Mapping[str, Any]) -> Iterator[PlanFault]:
    """Yield each sentence that still speaks of a limit which is no limit of this check any more."""
    gone = _limits_in(before) - _limits_in(row)
    for case, rulings in row["cases"].items():
        for n, ruling in enumerate(rulings, start=1):
            spoken = {float(number) for number in re.findall(r"\d+(?:\.\d+)?", ruling["sentence"])}
            for number in sorted(spoken & gone):
                text = _(
                    "{title}: a sentence for families still says {number}, which is no limit any more. "
                    "Change the sentence."
                )
                yield _limit("old_number", text, row["check"], case, f"{row['check']}-{case}-{n}", number=f"{number:g}")


def _limits_in(row: Mapping[str, Any]) -> set[float]:
    ends = [band[end] for band in row.get("bands", ()) for end in ("low", "high")]
    return {float(value) for value in (*ends, *row.get("numbers", {}).values()) if value is not None}


def _faults_of_method(limits: Mapping[str, Any]) -> Iterator[PlanFault]:
    """Yield what the protocol check itself has against the version."""
    for row in limits["checks"]:
        for case, rulings in row["cases"].items():
            for n, ruling in enumerate(rulings, start=1):
                sentence = ruling["sentence"]
                if not sentence.strip() or len(sentence) > LONGEST_SENTENCE or has_unseen_signs(sentence):
                    yield _limit(
                        "sentence",
                        _("{title}: a sentence for families is empty, or longer than {most} signs. Write a short one."),
                        row["check"],
                        case,
                        f"{row['check']}-{case}-{n}",
                        most=LONGEST_SENTENCE,
                    )
    try:
        Limits.from_mapping(limits)
    except (ValueError, KeyError, TypeError) as fault:
        yield _fault(
            "refused", _("The protocol check cannot use this version: {found}"), "version", found=str(fault)[:600]
        )


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _quoted(value: Any) -> str:
    return "-" if value is None else f"{value:g}" if _is_number(value) else str(value)[:20]


def _fault(code: str, text: str, target: str, /, **values: str | int) -> PlanFault:
    return PlanFault(PlanSection.PROTOCOL, code, text, values, target=target)


def _limit(code: str, text: str, check: str, case: str, target: str, /, **values: str | int) -> PlanFault:
    words = {"title": TITLES[check]} | ({"case": CASES[case]} if "{case}" in text else {})
    return PlanFault(PlanSection.PROTOCOL, code, text, values, target=target, words=words)
