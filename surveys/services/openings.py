"""Settings of traps: a trap is set, looked at, and emptied, called off or lost.

A setting holds what is known when the lid comes off. It is a record for the animals' sake as much as for
the figures: who set a trap is reminded to look at it and to empty it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Literal
from uuid import UUID

from django.db import IntegrityError, transaction
from django.db.models import Q
from django.utils import timezone

from surveys.errors import Conflict, Fault, Faulty, NotFound
from surveys.methods.looks import look_from
from surveys.models import Account, Opening, Return, Trap
from surveys.permissions import traps_of
from surveys.queries.openings import due_times
from surveys.queries.seasons import open_seasons_of
from surveys.services.events import write_event
from surveys.services.letters import drop_reminders, plan_reminders
from surveys.vocabulary import LOST_STATES, REPORTED_MEASURES, REPORTED_WORDS, Ending

#: A phone's clock may be fast by so much before a moment counts as one that is still to come.
CLOCK_SLACK = timedelta(minutes=15)
#: Reported columns that are known when a trap is set; the others are asked when it is emptied.
SET_COLUMNS = frozenset(
    {
        "time_precision", "mouth_mm", "depth_mm", "material", "wall", "colour", "nesting", "rim", "rim_gap", "cover",
        "cover_kind", "cover_gap_mm", "cover_width_mm", "guard", "guard_hole_mm", "refuge", "liquid", "water_mm",
        "drain_holes", "settled_h", "hole_reuse", "disturbance", "pesticide", "spacing_m", "ground_cover", "vegetation",
    }
)  # fmt: skip

Look = Literal["dusk", "dawn"]


@dataclass(frozen=True, slots=True)
class SentOpening:
    """A setting as it was sent. ``fields`` holds reported columns by name, of ``SET_COLUMNS`` only."""

    uuid: UUID
    trap: UUID
    set_at: datetime
    fields: Mapping[str, Any] = field(default_factory=dict)

    def fingerprint(self) -> str:
        """Return a hash that is the same for the same content, whatever its order."""
        content = {
            "trap": str(self.trap),
            "set_at": self.set_at.timestamp(),
            "fields": {name: value for name, value in self.fields.items() if value is not None},
        }
        return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()


def set_trap(*, by: Account, sent: SentOpening) -> Opening:
    """Write down that a trap was set, with its reminders; the same setting sent again changes nothing.

    Raises :class:`Faulty` with every fault, or :class:`Conflict`: for another setting under this id
    (``other_content``), a trap that is open already (``already_open``), or a region without an open
    season (``no_season``).
    """
    with transaction.atomic(durable=True):
        before = Opening.objects.filter(uuid=sent.uuid).first()
        if before is not None:
            return _the_same(before, by, sent)
        trap = _trap_to_set(by, sent)
        # The trap's row is locked by now: whoever set it a moment ago is seen here.
        before = Opening.objects.filter(uuid=sent.uuid).first()
        if before is not None:
            return _the_same(before, by, sent)
        _refuse_a_second(trap)
        _refuse_without_season(trap)
        try:
            with transaction.atomic():
                opening = Opening.objects.create(
                    uuid=sent.uuid,
                    trap=trap,
                    by=by,
                    fingerprint=sent.fingerprint(),
                    set_at=sent.set_at,
                    answers={name: value for name, value in sent.fields.items() if value is not None},
                )
        except IntegrityError:
            raise _other_content() from None
        plan_reminders(opening)
        write_event(by=by, verb="trap set", subject=opening, details={"trap": trap.pk})
    return opening


def note_look(*, by: Account, uuid: UUID, look: Look, at: datetime) -> Opening:
    """Note that somebody looked at an open trap; the first look of its kind stays.

    A look long before its time is refused: it would call off the reminder of the one that matters.
    """
    column = {"dusk": "looked_dusk_at", "dawn": "looked_dawn_at"}.get(look)
    if column is None:
        raise Faulty(f"A look is at dusk or at dawn, not {look!r}.", code="unknown_look")
    with transaction.atomic(durable=True):
        opening = _own(by, uuid)
        if getattr(opening, column) is not None:
            return opening
        _refuse_moment(opening, at)
        if opening.ended_at is not None:
            raise Conflict("This trap was emptied or closed before, so no look can be added.", code="ended")
        _refuse_early_look(opening, look, at)
        setattr(opening, column, at)
        opening.save(update_fields=[column])
        drop_reminders(opening)
        write_event(by=by, verb="trap looked at", subject=opening, details={"look": look})
    return opening


def call_off(*, by: Account, uuid: UUID, ending: Ending, at: datetime) -> Opening:
    """End a setting without a return: closed early, or lost. The row stays; doing it twice changes nothing."""
    if ending not in (Ending.CALLED_OFF, Ending.LOST):
        raise Faulty(
            "A setting is called off as closed early or as lost. One that was emptied ends with its return.",
            code="unknown_ending",
        )
    with transaction.atomic(durable=True):
        opening = _own(by, uuid)
        if opening.ending == ending:
            return opening
        if opening.ended_at is not None:
            raise Conflict("This trap was emptied or closed before.", code="ended")
        _refuse_moment(opening, at)
        _end(opening, ending, at)
        write_event(by=by, verb="trap called off", subject=opening, details={"ending": ending.value})
    return opening


def end_with_return(*, opening: Opening, report: Return) -> None:
    """End a setting with the return about it, inside the transaction that stores the return.

    One that was called off as lost keeps its ending and gets the return beside it. A setting that has
    another return already stays as it is: the return stands for itself.
    """
    held = Opening.objects.select_for_update(no_key=True).get(pk=opening.pk)
    if held.report_id is not None:
        return
    held.report = report
    held.save(update_fields=["report"])
    if held.ended_at is None:
        _end(held, Ending.LOST if report.trap_state in LOST_STATES else Ending.EMPTIED, report.emptied_at)


def end_with_returns(*, reports: Sequence[Return], named: Mapping[UUID, UUID] | None = None) -> None:
    """End the settings of the traps that stored returns are about, inside the transaction that stores them.

    ``named`` gives the setting of a return by both ids. A return that names none ends the setting that
    stands open at its trap, if that began before the trap was emptied: an emptied trap needs no reminder.
    A return is never turned away for its setting.
    """
    named = named or {}
    if not reports:
        return
    about = {report.trap_id for report in reports}
    standing_or_named = Q(ended_at__isnull=True) | Q(uuid__in=named.values())
    found = list(Opening.objects.filter(standing_or_named, trap__in=about))
    by_uuid = {one.uuid: one for one in found}
    open_at = {one.trap_id: one for one in found if one.ended_at is None}
    for report in reports:
        meant = by_uuid.get(named[report.uuid]) if report.uuid in named else None
        standing = open_at.get(report.trap_id)
        if meant is not None and meant.trap_id == report.trap_id:
            end_with_return(opening=meant, report=report)
        elif standing is not None and standing.set_at < report.emptied_at:
            end_with_return(opening=standing, report=report)


def _own(by: Account, uuid: UUID) -> Opening:
    opening = (
        Opening.objects.filter(trap__in=traps_of(by), uuid=uuid).select_for_update(no_key=True, of=("self",)).first()
    )
    if opening is None:
        raise NotFound("There is no setting of yours with this id.")
    return opening


def _end(opening: Opening, ending: Ending, at: datetime) -> None:
    opening.ended_at = max(at, opening.set_at)
    opening.ending = ending
    opening.save(update_fields=["ended_at", "ending"])
    drop_reminders(opening)


def _trap_to_set(by: Account, sent: SentOpening) -> Trap:
    """Return the trap with its row locked, or refuse with every fault of the setting."""
    trap = (
        traps_of(by)
        .select_for_update(no_key=True, of=("self",))
        .select_related("site__region")
        .filter(public_id=sent.trap)
    )
    found = trap.first()
    faults = [*_moment_faults(sent.set_at), *_field_faults(sent.fields)]
    if found is None:
        faults.insert(0, Fault("/trap", "unknown_trap", f"{sent.trap} is not the id of one of your traps."))
    if found is None or faults:
        raise Faulty(
            "Some of this setting could not be read. Mend what is listed and send it again.", faults=tuple(faults)
        )
    return found


def _moment_faults(at: datetime) -> list[Fault]:
    if at <= timezone.now() + CLOCK_SLACK:
        return []
    return [Fault("/set_at", "in_the_future", "The moment at which the trap was set is still to come.")]


def _refuse_moment(opening: Opening, at: datetime) -> None:
    """Refuse a moment before the trap was set, or one that is still to come."""
    if at < opening.set_at - CLOCK_SLACK:
        raise Faulty("That moment is before the trap was set.", code="before_it_was_set")
    if at > timezone.now() + CLOCK_SLACK:
        raise Faulty("That moment is still to come.", code="in_the_future")


def _refuse_early_look(opening: Opening, look: Look, at: datetime) -> None:
    """Refuse a look at a moment that is too soon to be the one at dusk or at dawn."""
    due = getattr(due_times(opening), look)
    if due is not None and at < look_from(due):
        since = look_from(due).isoformat(timespec="minutes")
        raise Faulty(f"It is too early for the look at {look}: it can be noted from {since} on.", code="too_early")


def _field_faults(fields: Mapping[str, Any]) -> list[Fault]:
    """Return a fault for each field that a return could not hold either."""
    return [
        Fault(f"/fields/{name}", "unknown_value", f"{value!r} cannot be the answer to {name!r}.")
        for name, value in fields.items()
        if value is not None and not (name in SET_COLUMNS and _fits(name, value))
    ]


def _fits(name: str, value: Any) -> bool:
    if name in REPORTED_WORDS:
        return value in REPORTED_WORDS[name].values()
    low, high = REPORTED_MEASURES[name]
    return isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high


def _refuse_a_second(trap: Trap) -> None:
    standing = Opening.objects.filter(trap=trap, ended_at__isnull=True).first()
    if standing is not None:
        raise Conflict(
            f"This trap has been open since {standing.set_at.isoformat(timespec='minutes')}. "
            "Empty it or call it off, then set it again.",
            code="already_open",
        )


def _refuse_without_season(trap: Trap) -> None:
    if not open_seasons_of(trap.site.region):
        raise Conflict(
            f"No season is open in {trap.site.region.name} at the moment. Do not set a trap now, "
            "and close one that is open.",
            code="no_season",
        )


def _the_same(before: Opening, by: Account, sent: SentOpening) -> Opening:
    if before.by_id != by.pk or before.fingerprint != sent.fingerprint():
        raise _other_content()
    return before


def _other_content() -> Conflict:
    return Conflict(
        "There is already a setting with this id and it says something else. Give each new setting an id of its own.",
        code="other_content",
    )
