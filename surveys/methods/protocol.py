"""The protocol check: every answer about how the trap was set, opened and emptied, against one version.

All checks are always made and all findings returned, so that a family mends its habits once. Nothing is
refused here and nothing dropped: an outcome says what the indices may do with the return.
"""

from __future__ import annotations

from datetime import UTC, timedelta
from itertools import chain

from surveys.methods.daylight import count_nights
from surveys.methods.effort import rim_offset, trap_nights
from surveys.methods.protocol_checks_cases import Cases, Opening, find_cases
from surveys.methods.protocol_checks_list import ALL_CHECKS, CHECKS, TITLES, UNKNOWN, Check
from surveys.methods.protocol_limits import Limits, Rule
from surveys.methods.records import Finding, ProtocolResult, Report
from surveys.vocabulary import Outcome, Standing

__all__ = ["CHECKS", "TITLES", "Limits", "check_protocol", "standing_of"]

_CARRIED = frozenset({Outcome.OFFSET, Outcome.COVARIATE})


def check_protocol(report: Report, limits: Limits) -> ProtocolResult:
    """Check one return against one protocol version.

    Parameters
    ----------
    report : the return as it was sent; its instants are aware.
    limits : the protocol version.

    Returns
    -------
    One finding or more for each of ``CHECKS``, in their order, and what follows from them as a whole.

    References: the ranges carry theirs in the version's ``source`` notes.
    """
    opening = _open(report)
    cases = {check.id: find_cases(check, report, limits, opening) for check in ALL_CHECKS}
    findings = tuple(
        chain.from_iterable(
            limits.rule(check.id).ready(case) or _filled(check, case, report, limits, opening)
            for check in ALL_CHECKS
            for case in cases[check.id]
        )
    )
    return ProtocolResult(
        findings=findings,
        standing=standing_of(findings),
        trap_nights=trap_nights(opening.hours, report.traps_pooled, recovered=_was_recovered(cases, limits)),
        exposure_h=opening.hours,
        whole_nights=opening.nights.whole,
        rim_ratio=_rim_ratio(report, cases, limits),
        fresh={"fresh": True, "settled": False}.get(cases["settling"][0]),
    )


def standing_of(findings: tuple[Finding, ...]) -> Standing:
    """Return the standing that follows from findings: one "out" settles it, then anything that is carried."""
    outcomes = {finding.outcome for finding in findings}
    if Outcome.OUT in outcomes:
        return Standing.OFF_PROTOCOL
    return Standing.ADJUSTED if outcomes & _CARRIED else Standing.TO_PROTOCOL


def _open(report: Report) -> Opening:
    """Return how long the trap was open, in elapsed time: a day on which the clocks change has 23 or 25 hours."""
    # Two instants in one and the same zone would subtract by their wall clocks; in UTC they cannot.
    set_at, emptied_at = report.set_at.astimezone(UTC), report.emptied_at.astimezone(UTC)
    nights = count_nights(set_at, emptied_at, report.latitude, report.longitude)
    return Opening((emptied_at - set_at) / timedelta(hours=1), nights)


def _filled(check: Check, case: str, report: Report, limits: Limits, opening: Opening) -> list[Finding]:
    """Return the findings of one case, with the numbers filled in."""
    facts = {
        "value": _in_words(getattr(report, check.asks[0])),
        "hours": _in_words(opening.hours),
        "nights": str(opening.nights.whole),
    }
    return [
        Finding(check.id, ruling.outcome, ruling.sentence.format_map(_facts_for(check, facts, report)), ruling.marks)
        for ruling in limits.rule(check.id).rulings(case)
    ]


def _facts_for(check: Check, facts: dict[str, str], report: Report) -> dict[str, str]:
    """Return the facts of one check; guard and liquid speak of the number beside their word."""
    measures = {"guard": report.guard_hole_mm, "liquid": report.water_mm}
    return {**facts, "value": _in_words(measures[check.id])} if check.id in measures else facts


def _in_words(value: object) -> str:
    """Return a number with at most one decimal, and nothing for any other answer."""
    return f"{value:.1f}".removesuffix(".0") if isinstance(value, int | float) else ""


def _outcomes(cases: dict[str, Cases], rule: Rule) -> set[Outcome]:
    """Return the outcomes of one check."""
    return {ruling.outcome for case in cases[rule.check] for ruling in rule.rulings(case)}


def _was_recovered(cases: dict[str, Cases], limits: Limits) -> bool:
    """Say whether there is a catch at all: the trap neither lost, nor disturbed, nor under water."""
    return Outcome.OUT not in _outcomes(cases, limits.rule("trap_state")) and "deep_water" not in cases["liquid"]


def _rim_ratio(report: Report, cases: dict[str, Cases], limits: Limits) -> float | None:
    """Return mouth over standard mouth; None when unknown or outside the widths that an offset can carry."""
    rule = limits.rule("mouth_width")
    if report.mouth_mm is None or UNKNOWN in cases[rule.check] or Outcome.OUT in _outcomes(cases, rule):
        return None
    return rim_offset(report.mouth_mm, 1.0, limits.standard_mouth_mm)
