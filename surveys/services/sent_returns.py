"""Reading a return that was sent: what it says, what keeps it from being read, and its rows, ready to be stored."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from surveys.errors import Conflict, Fault, Faulty
from surveys.methods.protocol import check_protocol
from surveys.methods.records import Answer
from surveys.models import Account, Return
from surveys.queries.frames import report_of
from surveys.queries.seasons import SeasonLists, limits_of, lists_of, season_for
from surveys.queries.sending import TrapToSendFor
from surveys.services.intake_rows import ReadyReturn, StoredAnswer, new_return
from surveys.services.known_findings import as_stored
from surveys.services.worked import work_out
from surveys.vocabulary import CLASS_BOUNDS, AnswerKind, CountClass, Outcome


@dataclass(frozen=True, slots=True)
class SentAnswer:
    """One group's answer as it was sent: a count with ``number``, a class with ``class``."""

    group: str
    kind: AnswerKind
    count: int | None = None
    count_class: CountClass | None = None


@dataclass(frozen=True, slots=True)
class SentReturn:
    """A return as it was sent. ``fields`` holds the optional reported columns by name."""

    uuid: UUID
    trap: UUID
    set_at: datetime
    emptied_at: datetime
    habitat: str | None
    answers: tuple[SentAnswer, ...]
    fields: Mapping[str, Any] = field(default_factory=dict)

    def fingerprint(self) -> str:
        """Return a hash that is the same for the same content, whatever its order."""
        content = {
            "trap": str(self.trap),
            "set_at": self.set_at.timestamp(),
            "emptied_at": self.emptied_at.timestamp(),
            "habitat": self.habitat,
            "answers": sorted([a.group, a.kind, a.count, a.count_class] for a in self.answers),
            "fields": {name: value for name, value in self.fields.items() if value is not None},
        }
        return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()


def _lists_for(known: TrapToSendFor, set_at: datetime) -> SeasonLists:
    season = season_for(known.seasons, set_at.date())
    if season is None:
        raise Conflict(
            f"No season is open in {known.trap.site.region.name} at the moment, so this return cannot be taken in. "
            "Keep it, and send it when the season opens.",
            code="no_season_to_send",
        )
    return lists_of(season)


#: Versions of a UUID that hold the moment at which it was made, and some of them the machine. RFC 9562, section 5.
TIMELY_VERSIONS = frozenset({1, 2, 6, 7})


def timely_id_faults(uuid: UUID) -> list[Fault]:
    """Return a fault for an id that holds a moment: ids of returns are published as they were sent."""
    if uuid.version not in TIMELY_VERSIONS:
        return []
    sentence = f"{uuid} is a UUID of version {uuid.version}, which holds a moment. Send a random one, of version 4."
    return [Fault("/id", "id_holds_a_moment", sentence)]


def ready_return(
    *, by: Account, sent: SentReturn, traps: Mapping[UUID, TrapToSendFor], before: Return | None, now: datetime
) -> ReadyReturn:
    """Return what was sent as rows that can be stored, checked against the protocol; nothing is stored yet.

    ``traps`` holds those that the sender may send for, ``before`` the return that it amends. Raises :class:`Faulty`
    with every fault that keeps it from being read, and :class:`Conflict` where no season is open.
    """
    place = traps.get(sent.trap)
    if place is None:
        raise Faulty(
            "The trap of this return is not one of yours. Look its id up among your traps.",
            faults=(Fault("/trap", "unknown_trap", f"{sent.trap} is not the id of one of your traps."),),
        )
    trap, lists = place.trap, _lists_for(place, sent.set_at)
    answers, faults = _answers(sent, lists)
    faults += timely_id_faults(sent.uuid)
    habitat = next((one for one in lists.habitats if one.code == sent.habitat), None)
    if sent.habitat is not None and habitat is None:
        known = ", ".join(one.code for one in lists.habitats)
        faults.append(
            Fault("/habitat", "unknown_habitat", f"{sent.habitat!r} is not a habitat of this season. It has: {known}.")
        )
    if faults:
        raise Faulty(
            "Some of this return could not be read. Mend what is listed and send it again.", faults=tuple(faults)
        )
    report = new_return(
        now=now,
        season=lists.season,
        trap=trap,
        region=trap.site.region,
        sender=by,
        habitat=habitat,
        amends=before,
        uuid=sent.uuid,
        fingerprint=sent.fingerprint(),
        set_at=sent.set_at,
        emptied_at=sent.emptied_at,
        night=sent.set_at.astimezone(ZoneInfo(lists.season.time_zone)).date(),
        **sent.fields,
    )
    result = check_protocol(
        report_of(report, answers=answers, point=trap.site.point, lists=lists, habitat=sent.habitat),
        limits_of(lists.season.protocol),
    )
    work_out(report, result)
    groups = {group.code: group for group in lists.groups}
    return ReadyReturn(
        report=report,
        catches=[StoredAnswer(groups[a.group], a.kind, a.low, a.high) for a in answers],
        findings=[as_stored(finding) for finding in result.findings if finding.outcome != Outcome.FINE],
    )


def _answers(sent: SentReturn, lists: SeasonLists) -> tuple[list[Answer], list[Fault]]:
    listed = {group.code for group in lists.groups}
    answers: list[Answer] = []
    faults: list[Fault] = []
    seen: set[str] = set()
    for position, one in enumerate(sent.answers):
        pointer = f"/catch/{position}"
        if one.group not in listed:
            faults.append(
                Fault(
                    f"{pointer}/group",
                    "unknown_group",
                    f"{one.group!r} is not on the list of animal groups of this season.",
                )
            )
        elif one.group in seen:
            faults.append(
                Fault(f"{pointer}/group", "group_twice", f"{one.group!r} is answered twice. Send one answer for it.")
            )
        else:
            seen.add(one.group)
            fault = answer_fault(one, pointer)
            if fault is not None:
                faults.append(fault)
            else:
                answers.append(bounded(one))
    return answers, faults


def answer_fault(one: SentAnswer, pointer: str) -> Fault | None:
    """Return what is wrong with the parts of an answer, or None."""
    if one.kind == AnswerKind.NUMBER and one.count == 0:
        return Fault(
            f"{pointer}/count", "zero_as_number", "The count is 0. If you looked and there were none, answer none_seen."
        )
    if one.kind == AnswerKind.NUMBER and one.count is None:
        return Fault(f"{pointer}/count", "count_missing", "The answer is a number, but there is no count beside it.")
    if one.kind == AnswerKind.CLASS and one.count_class is None:
        return Fault(f"{pointer}/class", "class_missing", "The answer is a class, but there is no class beside it.")
    if one.kind != AnswerKind.NUMBER and one.count is not None:
        return Fault(
            f"{pointer}/count",
            "count_not_expected",
            f"A count stands beside the answer {one.kind.value!r}. Send one or the other.",
        )
    if one.kind != AnswerKind.CLASS and one.count_class is not None:
        return Fault(
            f"{pointer}/class",
            "class_not_expected",
            f"A class stands beside the answer {one.kind.value!r}. Send one or the other.",
        )
    return None


def bounded(one: SentAnswer) -> Answer:
    """Return a faultless answer with the lowest and highest count it allows."""
    low: int | None = None
    high: int | None = None
    if one.kind == AnswerKind.NUMBER:
        low = high = one.count
    elif one.kind == AnswerKind.NONE_SEEN:
        low = high = 0
    elif one.kind == AnswerKind.CLASS and one.count_class is not None:
        low, high = CLASS_BOUNDS[one.count_class]
    return Answer(group=one.group, kind=one.kind, low=low, high=high)
