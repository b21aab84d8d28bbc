"""One version of the protocol as data: its ranges, and what follows from each case of each check.

A version is read from a mapping (a JSON file), checked in full, and never changed afterwards: returns
keep the number of the version they were checked against.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from string import Formatter
from typing import Any, Self, TypeGuard

from surveys.methods.protocol_checks_list import ALL_CHECKS, CHECKS, Check
from surveys.methods.records import Finding
from surveys.vocabulary import Mark, Outcome

PLACEHOLDERS = frozenset({"value", "hours", "nights"})  # what a sentence may mention
_OUTCOMES: dict[str, Outcome] = {word.value: word for word in Outcome}
_MARKS: dict[str, Mark] = {word.value: word for word in Mark}
_POSITION = {name: position for position, name in enumerate(CHECKS)}


@dataclass(frozen=True, slots=True)
class Ruling:
    """What follows from one case: an outcome, marks, and a sentence for the family."""

    outcome: Outcome
    sentence: str
    marks: frozenset[Mark] = frozenset()


@dataclass(frozen=True, slots=True)
class Band:
    """A closed range of numbers and the case it leads to; ``None`` is open. The first band that fits counts."""

    case: str
    low: float | None
    high: float | None

    def holds(self, value: float) -> bool:
        """Say whether ``value`` lies in the range, ends included."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


@dataclass(frozen=True, slots=True)
class Rule:
    """All that a version says about one check. ``cases`` pairs each case with one or more rulings."""

    check: str
    source: str
    cases: tuple[tuple[str, tuple[Ruling, ...]], ...]
    bands: tuple[Band, ...] = ()
    numbers: tuple[tuple[str, float], ...] = ()
    #: The cases by name, and of those whose sentences have nothing to fill in the findings as they will be.
    _by_case: dict[str, tuple[Ruling, ...]] = field(init=False, repr=False, compare=False)
    _ready: dict[str, tuple[Finding, ...]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Look ahead once for what each return would ask anew."""
        object.__setattr__(self, "_by_case", dict(self.cases))
        object.__setattr__(
            self,
            "_ready",
            {
                case: tuple(Finding(self.check, one.outcome, one.sentence, one.marks) for one in rulings)
                for case, rulings in self.cases
                if not any("{" in one.sentence or "}" in one.sentence for one in rulings)
            },
        )

    def rulings(self, case: str) -> tuple[Ruling, ...]:
        """Return the rulings of a case."""
        return self._by_case[case]

    def ready(self, case: str) -> tuple[Finding, ...] | None:
        """Return the findings of a case; None where its sentences must be filled in first."""
        return self._ready.get(case)

    def case_of(self, value: float | None) -> str | None:
        """Return the case of a measured value; None when it is missing, not a number, or in no range."""
        if value is None or math.isnan(value):
            return None
        return next((band.case for band in self.bands if band.holds(value)), None)

    def number(self, name: str) -> float:
        """Return a single limit by name."""
        return next(value for key, value in self.numbers if key == name)


@dataclass(frozen=True, slots=True)
class Limits:
    """One protocol version. ``rules`` follow the order of the checks."""

    version: str
    standard_mouth_mm: float
    rules: tuple[Rule, ...]

    def rule(self, check: str) -> Rule:
        """Return what this version says about one check."""
        return self.rules[_POSITION[check]]

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any]) -> Self:
        """Read a version and check it in full; raise ValueError with every fault in words."""
        version, faults = mapping.get("version"), []
        if not isinstance(version, str) or not version.strip():
            faults.append("The version is missing: give it as text, such as '1'.")
        mouth = mapping.get("standard_mouth_mm")
        if not _is_number(mouth) or mouth <= 0:
            mouth = math.nan
            faults.append("The standard mouth is missing: give a width in mm above zero.")
        rows = _rows_by_check(mapping.get("checks"), faults)
        rules = [_read_rule(check, rows[check.id], faults) for check in ALL_CHECKS if check.id in rows]
        if faults:
            raise ValueError(f"Protocol version {version!r} cannot be used. " + " ".join(faults))
        return cls(str(version), float(mouth), tuple(rules))

    def to_mapping(self) -> dict[str, Any]:
        """Return the version as plain data, in the form that :meth:`from_mapping` reads."""
        return {
            "version": self.version,
            "standard_mouth_mm": self.standard_mouth_mm,
            "checks": [_write_rule(rule) for rule in self.rules],
        }


def _is_number(value: object) -> TypeGuard[float]:
    """Say whether a value is a finite number (a truth value is not)."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _rows_by_check(rows: object, faults: list[str]) -> dict[str, Mapping[str, Any]]:
    """Sort the rows by check; note rows that are missing, doubled or unheard of."""
    if not isinstance(rows, Sequence) or not all(isinstance(row, Mapping) for row in rows):
        faults.append("The checks are missing: give a list with one entry for each check.")
        return {}
    names = [str(row.get("check")) for row in rows]
    faults += [f"The check '{name}' is missing." for name in CHECKS if name not in names]
    faults += [f"There is no check '{name}'." for name in names if name not in _POSITION]
    faults += [f"The check '{name}' comes twice." for name in sorted({n for n in names if names.count(n) > 1})]
    return dict(zip(names, rows, strict=True))


def _read_rule(check: Check, row: Mapping[str, Any], faults: list[str]) -> Rule:
    """Read one row; note whatever is missing or unheard of, with the check's name."""
    cases, bands, numbers = (_part(row, name, kind) for name, kind in _PARTS.items())
    found: list[str] = []
    if not str(row.get("source") or "").strip():
        found.append("say where its limits come from (source).")
    found += [f"the case '{name}' is missing." for name in check.cases if name not in cases]
    found += [f"there is no case '{name}'." for name in cases if name not in check.cases]
    found += [f"the number '{name}' is missing." for name in check.numbers if not _is_number(numbers.get(name))]
    if check.banded and not bands:
        found.append("its ranges (bands) are missing.")
    rule = Rule(
        check=check.id,
        source=str(row.get("source")),
        cases=tuple((name, _read_rulings(name, cases[name], found)) for name in check.cases if name in cases),
        bands=tuple(_read_band(band, check, found) for band in bands),
        numbers=tuple((name, float(numbers[name])) for name in check.numbers if _is_number(numbers.get(name))),
    )
    faults += [f"Check '{check.id}': {fault}" for fault in found]
    return rule


_PARTS: dict[str, type] = {"cases": dict, "bands": list, "numbers": dict}


def _part(row: Mapping[str, Any], name: str, kind: type) -> Any:
    """Return one part of a row, empty when it is missing or of another kind."""
    part = row.get(name)
    return part if isinstance(part, kind) else kind()


def _read_rulings(case: str, rulings: object, faults: list[str]) -> tuple[Ruling, ...]:
    """Read the rulings of one case."""
    if not isinstance(rulings, list) or not rulings or not all(isinstance(one, Mapping) for one in rulings):
        faults.append(f"the case '{case}' needs a list of rulings.")
        return ()
    return tuple(_read_ruling(case, one, faults) for one in rulings)


def _read_ruling(case: str, ruling: Mapping[str, Any], faults: list[str]) -> Ruling:
    """Read one ruling; note an unheard-of outcome or mark, and a sentence that is empty or cannot be filled in."""
    outcome, marks, sentence = ruling.get("outcome"), _part(ruling, "marks", list), ruling.get("sentence")
    if str(outcome) not in _OUTCOMES:
        faults.append(f"the case '{case}' has the outcome {outcome!r}; choose from {', '.join(_OUTCOMES)}.")
    if unheard := [mark for mark in marks if str(mark) not in _MARKS]:
        faults.append(f"the case '{case}' has the marks {unheard!r}; choose from {', '.join(_MARKS)}.")
    if not isinstance(sentence, str) or not sentence.strip():
        faults.append(f"the case '{case}' has no sentence.")
        sentence = ""
    faults += [f"the case '{case}': {fault}" for fault in _faults_of_sentence(sentence)]
    known = frozenset(_MARKS[str(mark)] for mark in marks if str(mark) in _MARKS)
    return Ruling(_OUTCOMES.get(str(outcome), Outcome.NOTE), sentence, known)


def _faults_of_sentence(sentence: str) -> list[str]:
    """Return what is wrong with the places to fill in."""
    try:
        names = [(name, spec, conversion) for _, name, spec, conversion in Formatter().parse(sentence)]
    except ValueError:
        return ["a bracket in its sentence is not closed."]
    odd = [
        name
        for name, spec, conversion in names
        if name is not None and (name not in PLACEHOLDERS or spec or conversion)
    ]
    return [f"its sentence mentions '{name}'; it may mention {', '.join(sorted(PLACEHOLDERS))}." for name in odd]


def _read_band(band: object, check: Check, faults: list[str]) -> Band:
    """Read one range; note an unheard-of case, ends that are no numbers, and a range upside down."""
    case, low, high = (band.get(key) for key in ("case", "low", "high")) if isinstance(band, Mapping) else (None,) * 3
    if case not in check.cases:
        faults.append(f"a range leads to the case {case!r}, which there is not.")
    ends = [end for end in (low, high) if end is not None]
    if not ends or not all(_is_number(end) for end in ends) or ends != sorted(ends):
        faults.append(f"a range from {low!r} to {high!r} is not a range.")
        low = high = None
    return Band(str(case), None if low is None else float(low), None if high is None else float(high))


def _write_rule(rule: Rule) -> dict[str, Any]:
    """Return one rule as plain data; parts that are empty are left out."""
    row: dict[str, Any] = {"check": rule.check, "source": rule.source}
    if rule.numbers:
        row["numbers"] = dict(rule.numbers)
    if rule.bands:
        row["bands"] = [{"case": band.case, "low": band.low, "high": band.high} for band in rule.bands]
    row["cases"] = {case: [_write_ruling(ruling) for ruling in rulings] for case, rulings in rule.cases}
    return row


def _write_ruling(ruling: Ruling) -> dict[str, Any]:
    """Return one ruling as plain data."""
    marks = {"marks": sorted(mark.value for mark in ruling.marks)} if ruling.marks else {}
    return {"outcome": ruling.outcome.value, **marks, "sentence": ruling.sentence}
