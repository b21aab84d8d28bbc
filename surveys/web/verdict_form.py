"""Reading a verdict from its form: what is decided, why, and what is corrected."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.http import QueryDict
from django.utils.translation import gettext

from surveys.errors import Fault, Faulty
from surveys.methods.records import Answer
from surveys.services.sent_returns import bounded
from surveys.vocabulary import Decision, QueryReason, VerdictReason
from surveys.web.another_reading import MOMENT, AnotherReading, another_reading
from surveys.web.class_cells import CannotRead, read_cell
from surveys.web.moments import read_whole
from surveys.web.quick_verdicts import quick_of
from surveys.web.return_form import read_measures, read_note

#: Facts of the trap that may be corrected in a box of their own.
BOXES = ("set_at", "emptied_at", "mouth_mm", "traps_pooled")
#: Readings that are offered at most: each is one button.
MOST_READINGS = 2
#: Traps that one return may be about, as the API takes it.
MOST_POOLED = 60


@dataclass(frozen=True, slots=True)
class VerdictForm:
    """A verdict as it was posted, read without a fault."""

    version: int
    decision: Decision
    reason: VerdictReason
    note: str
    answers: tuple[Answer, ...]
    columns: Mapping[str, Any]


def read_verdict(given: QueryDict, report: Any) -> VerdictForm:
    """Read a posted verdict; raise :class:`Faulty` with every fault by the name of its box.

    What was typed goes along with any decision: the service says so where it does not belong. A button that corrects
    "so that it fits" takes what is drawn beside it, and nothing that stands in a box.
    """
    faults: dict[str, str] = {}
    quick = quick_of(given.get("quick", ""))
    decision, reason = (quick.decision, quick.reason) if quick else _chosen(given, faults)
    cells: Mapping[str, str] = {name[2:]: str(given[name]) for name in given if name.startswith("c_")}
    boxes: Mapping[str, str] = {name: str(given.get(name, "")) for name in BOXES}
    if quick:
        offered = readings_of(report) if quick.decision == Decision.CORRECTED else []
        fits = offered[quick.reading][1] if quick.reading < len(offered) else None
        cells, boxes = (fits.cells, fits.boxes) if fits else ({}, {})
    note = read_note(given.get("note", ""), "note", faults)
    answers = _answers(cells, faults)
    columns = _columns(boxes, report.season.time_zone, faults)
    version = read_whole(given.get("version", ""))
    if faults or version is None or decision is None or reason is None:
        listed = tuple(Fault(name, "to_mend", sentence) for name, sentence in faults.items())
        raise Faulty(gettext("The verdict is not complete yet."), faults=listed)
    return VerdictForm(version, decision, reason, note, tuple(answers), columns)


def readings_of(report: Any) -> list[tuple[QueryReason, AnotherReading]]:
    """Return the readings that the evidence offers and that can be corrected here, with what they answer to."""
    catches, zone = list(report.catches.all()), report.season.time_zone
    offered = [(one.reason, another_reading(one.evidence, catches, zone)) for one in report.queries.all()]
    return [(QueryReason(reason), reading) for reason, reading in offered if reading is not None][:MOST_READINGS]


def _chosen(given: QueryDict, faults: dict[str, str]) -> tuple[Decision | None, VerdictReason | None]:
    decision, reason = given.get("decision", ""), given.get("reason", "")
    if decision not in Decision.values():
        faults["decision"] = gettext("Choose what to do with this return.")
    if reason not in VerdictReason.values():
        faults["reason"] = gettext("Choose the reason from the list.")
    return (
        Decision(decision) if decision in Decision.values() else None,
        VerdictReason(reason) if reason in VerdictReason.values() else None,
    )


def _answers(cells: Mapping[str, str], faults: dict[str, str]) -> list[Answer]:
    """Read the cells that were typed beside the sent ones: a number, a range, or one of the keys."""
    found = []
    for code, typed in cells.items():
        try:
            answer = read_cell(typed, code)
        except CannotRead as fault:
            faults[f"c_{code}"] = str(fault)
            continue
        if answer is not None:
            found.append(bounded(answer))
    return found


def _columns(boxes: Mapping[str, str], zone: str, faults: dict[str, str]) -> dict[str, Any]:
    """Read the facts of the trap that were typed beside the sent ones."""
    found: dict[str, Any] = {}
    for name in ("set_at", "emptied_at"):
        if typed := boxes.get(name, "").strip():
            try:
                found[name] = datetime.strptime(typed, MOMENT).replace(tzinfo=ZoneInfo(zone))
            except ValueError:
                faults[name] = gettext("Write the day and the time like this: 2026-05-02 17:30.")
    found |= read_measures({"mouth_mm": boxes.get("mouth_mm", "")}, faults)
    if typed := boxes.get("traps_pooled", "").strip():
        traps = read_whole(typed)
        if traps is None or not 1 <= traps <= MOST_POOLED:
            faults["traps_pooled"] = gettext("Write how many traps were counted as one, from 1 to %(most)s.") % {
                "most": MOST_POOLED
            }
        else:
            found["traps_pooled"] = traps
    return found
