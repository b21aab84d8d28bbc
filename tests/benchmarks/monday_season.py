"""The season of the simulated Monday: sent through the services, held by a night, with the truth beside each return.

The truth of a return is its twin: the same season simulated once more from the same seed, without a slip.
"""

from __future__ import annotations

import os
from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import groupby
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from tqdm import tqdm

from surveys.methods.effort import trap_nights
from surveys.methods.records import Answer
from surveys.methods.screening_chances import bounds_of, point_of
from surveys.methods.screening_rank import LEAST_POOLED
from surveys.methods.simulation import SimulatedReturn, simulate_season
from surveys.vocabulary import CLASS_BOUNDS, AnswerKind

NIGHT = date(2026, 11, 1)
#: The database that the desk works in, copied anew from that of the season for each thing that is measured.
WORKED = "trapnight_monday_worked"
#: Slips after which the whole return falls, as no other count would put it right.
WHOLE = frozenset({"sent_twice", "liquid_words", "date_off_by_days", "twelve_hours_off", "day_month_swapped"})
#: A correction that takes away so much of the damage is the right one.
MENDED = 0.9
_CLASS_OF = {bounds: word for word, bounds in CLASS_BOUNDS.items()}


def open_season(households: int, schools: int) -> Any:
    """Send the season and compute one night, unless the database has both; return the simulated isles."""
    from django.core.management import call_command

    from project.demonstration.world import prepare
    from surveys.models import Return
    from surveys.queries.indices import published_run

    call_command("migrate", verbosity=0)
    merrow = prepare(households=households, schools=schools)
    there, sent = Return.objects.filter(season=merrow.season).count(), len(merrow.simulated.returns)
    if there not in (0, sent):
        raise SystemExit(f"The database holds {there} returns and not {sent}: drop it, or ask for the same season.")
    if not there:
        _send(merrow)
    if published_run(merrow.season) is None:
        run_a_night(merrow.season, NIGHT)
    return merrow


def run_a_night(season: Any, night: date) -> None:
    """Screen, hold and compute, as the worker does."""
    from surveys.services.night import ask_for_night, run_night

    run_night(job_id=ask_for_night(season=season, night=night)[0].pk)


def _send(merrow: Any) -> None:
    """Send what each garden has of a night at once, in the order in which the traps were emptied."""
    from surveys.services.intake import receive_returns

    keepers = _settle(merrow)
    ordered = sorted(merrow.simulated.returns, key=lambda one: (one.emptied_at.date(), one.garden, one.emptied_at))
    with tqdm(total=len(ordered), desc="sending", unit="return") as bar:
        for (_, garden), rows in groupby(ordered, key=lambda one: (one.emptied_at.date(), one.garden)):
            keeper, traps = keepers[garden]
            sent = [_as_sent(one, traps[one.trap]) for one in rows]
            refused = [r.refusal for r in receive_returns(by=keeper, sent=sent) if r.refusal is not None]  # type: ignore[union-attr]
            assert not refused, refused
            bar.update(len(sent))


def _settle(merrow: Any) -> dict[int, tuple[Any, dict[int, Any]]]:
    """Open each garden's account with its site and traps; return keeper and trap ids by garden."""
    from project.demonstration.sending import found_households
    from surveys.services.sites import add_site, add_trap

    found = {}
    for number, (household, _token) in found_households(merrow).items():
        garden, keeper = merrow.simulated.gardens[number], household.keeper
        site = add_site(by=keeper, household=household, latitude=garden.latitude, longitude=garden.longitude)
        traps = [add_trap(by=keeper, site=site.public_id, habitat=habitat) for habitat in garden.habitats]
        found[number] = keeper, {trap.number: trap.public_id for trap in traps}
    return found


def _as_sent(one: SimulatedReturn, trap: Any) -> Any:
    from surveys.services.sent_returns import SentAnswer, SentReturn

    answers = tuple(
        SentAnswer(
            a.group,
            AnswerKind(a.kind),
            a.low if a.kind == AnswerKind.NUMBER else None,
            _CLASS_OF[a.low, a.high] if a.kind == AnswerKind.CLASS else None,
        )
        for a in one.answers
    )
    fields = {name: value for name, value in one.fields if value is not None} | ({"note": one.note} if one.note else {})
    return SentReturn(one.uuid, trap, one.set_at, one.emptied_at, one.habitat, answers, fields)


def copy_anew() -> str:
    """Give the desk the season as the night left it, in a database that may be worked on; return its address."""
    from django.db import connection

    from tests.journeys.conftest import copy_database

    connection.settings_dict["NAME"] = os.environ["TRAPNIGHT_LARGE_NAME"]
    address = copy_database(WORKED)
    connection.settings_dict["NAME"] = WORKED
    return address


@dataclass(frozen=True)
class Fit:
    """Another reading of a return: what its answers and facts would be."""

    answers: tuple[Answer, ...]
    moments: tuple[datetime, datetime] | None
    traps: int | None


class Truth:
    """What lay in each tray, and how far what was sent moves the indices of its region."""

    def __init__(self, merrow: Any, *, households: int, schools: int) -> None:
        """Simulate the season once more, without a slip."""
        from project.demonstration.world import AS_OF, SEED

        self.world, self.gardens = merrow.world, merrow.simulated.gardens
        self.sent = {one.uuid: one for one in merrow.simulated.returns}
        rng = np.random.default_rng(SEED)
        twins = simulate_season(
            self.world, rng=rng, households=households, schools=schools, as_of=AS_OF, slip_share=0.0
        ).returns
        self.twins = {one.uuid: one for one in twins}
        room = (len(self.world.regions), len(self.world.windows))
        self.totals, self.effort = np.zeros((*room, len(self.world.groups))), np.zeros(room)
        self.together: dict[tuple[int, date], int] = defaultdict(int)
        for one in twins:
            self.totals[self.place(one)] += self.expected(one)
            self.effort[self.place(one)] += self.nights(one)
            self.together[one.garden, one.set_at.date()] += 1

    def place(self, one: SimulatedReturn) -> tuple[int, int]:
        """Return region and window (the nearest one) of a return as it was sent."""
        day, windows = one.set_at.date(), self.world.windows
        away = [max((w.first_day - day).days, (day - w.last_day).days, 0) for w in windows]
        return self.gardens[one.garden].region, int(np.argmin(away))

    def nights(self, one: SimulatedReturn) -> float:
        """Return the trap-nights that follow from what was sent; 1 where none do."""
        return trap_nights((one.emptied_at - one.set_at).total_seconds() / 3600.0, 1) or 1.0

    def expected(self, one: SimulatedReturn) -> Any:
        """Return the true expected catch (G,) of such a trap at its place."""
        habitat = self.world.habitats.index(one.habitat)
        # The true exposure: a date that is months off would be a night of months.
        nights = self.nights(self.twins.get(one.uuid, one))
        return self.world.rate[self.place(one)] * self.world.habitat_effect[habitat] * nights

    def counts(self, answers: tuple[Answer, ...]) -> Any:
        """Return answers as counts (G,), NaN where nothing is known."""
        return point_of(*bounds_of(answers, self.world.groups))

    def counts_moved(self, one: SimulatedReturn, answers: tuple[Answer, ...]) -> float:
        """Return the sum over groups of |answer - true count| over the expected total of region and window."""
        moved = np.abs(self.counts(answers) - self.counts(one.true_answers))
        return float(np.nansum(moved / np.maximum(self.totals[self.place(one)], LEAST_POOLED)))

    def damage(self, one: SimulatedReturn) -> float:
        """Return how far a return as sent moves indices; as ``damage_of`` where the whole of it should fall."""
        if one.slip not in WHOLE:
            return self.counts_moved(one, one.answers) if one.slip else 0.0
        total = np.maximum(self.totals[self.place(one)], LEAST_POOLED)
        moved = np.nansum(np.abs(self.counts(one.answers) - self.expected(one)) / total)
        return float(moved + self.nights(self.twins.get(one.uuid, one)) / self.effort[self.place(one)])

    def mends(self, one: SimulatedReturn, fit: Fit) -> bool:
        """Say whether another reading is what really was."""
        if one.slip is None or one.slip == "sent_twice":
            return False
        twin = self.twins[one.uuid]
        if fit.moments is not None:
            off = [abs(a - b) for a, b in zip(fit.moments, (twin.set_at, twin.emptied_at), strict=True)]
            return max(off) <= timedelta(minutes=15)
        if fit.traps is not None:
            return one.slip == "traps_pooled" and fit.traps == self.together[one.garden, one.set_at.date()]
        before = self.counts_moved(one, one.answers)
        return before > 0 and self.counts_moved(one, fit.answers) <= (1 - MENDED) * before


class Desk:
    """What the coordinator does who has looked into every tray: the key that she presses on each record."""

    def __init__(self, merrow: Any, truth: Truth) -> None:
        """Work as the coordinator of all regions."""
        from surveys.models import Account

        self.truth = truth
        self.lead = Account.objects.get(email=merrow.people["lead"]["email"])

    def waiting(self) -> list[Any]:
        """Return what waits, in the order of the queue."""
        from surveys.queries.review import QUEUE_ORDER, queue

        rows = queue(self.lead).prefetch_related("catches__group").order_by(*QUEUE_ORDER)
        return list(rows)

    def pressed(self, row: Any) -> Any:
        """Return the button of the verdict that the truth calls for."""
        from surveys.vocabulary import Decision
        from surveys.web.quick_verdicts import quick_verdicts
        from surveys.web.verdict_form import readings_of

        one, readings = self.truth.sent[row.uuid], readings_of(row)
        right = [n for n, (_, fits) in enumerate(readings) if self.truth.mends(one, _read(one, fits))]
        decision = Decision.UPHELD if one.slip is None else Decision.CORRECTED if right else Decision.DISCOUNTED
        reading = right[0] if decision == Decision.CORRECTED else 0
        offered = quick_verdicts(row.reason, readings=readings, answered=False)
        return next(button for button in offered if (button.decision, button.reading) == (decision, reading))

    def decide(self, row: Any) -> None:
        """Give that verdict, read as the page reads it."""
        from django.http import QueryDict

        from surveys.services.review import give_verdict
        from surveys.web.verdict_form import read_verdict

        given = QueryDict(mutable=True)
        given.update({"quick": self.pressed(row).value, "version": str(row.version)})
        form = read_verdict(given, row)
        give_verdict(
            by=self.lead, uuid=row.uuid, version=form.version, decision=form.decision, reason=form.reason,
            answers=form.answers, columns=form.columns,
        )  # fmt: skip

    def let_stand(self, row: Any) -> None:
        """Let a return stand as it was sent, whatever the truth."""
        from surveys.services.review import give_verdict
        from surveys.vocabulary import Decision, VerdictReason

        give_verdict(
            by=self.lead, uuid=row.uuid, version=row.version, decision=Decision.UPHELD,
            reason=VerdictReason.NOT_EXPLAINED,
        )  # fmt: skip


def _read(one: SimulatedReturn, fits: Any) -> Fit:
    """Return the reading that a page offers, as the truth is compared with it."""
    from surveys.services.sent_returns import bounded
    from surveys.web.another_reading import MOMENT
    from surveys.web.class_cells import read_cell

    read = {code: bounded(answer) for code, cell in fits.cells.items() if (answer := read_cell(cell, code)) is not None}
    moments = None
    if "set_at" in fits.boxes:
        zone = ZoneInfo("Atlantic/Reykjavik")
        opened, emptied = (
            datetime.strptime(fits.boxes[name], MOMENT).replace(tzinfo=zone).astimezone(UTC)
            for name in ("set_at", "emptied_at")
        )
        moments = opened, emptied
    traps = int(fits.boxes["traps_pooled"]) if "traps_pooled" in fits.boxes else None
    return Fit(tuple(read.get(answer.group, answer) for answer in one.answers), moments, traps)
