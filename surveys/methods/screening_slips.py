"""Slips that do not add up: lost traps entered as empty, and more than a cup holds.

References: METHODS.md, section 7 (signatures and tests; trade experience, no published rates).
Probabilities are planning values.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from surveys.methods.records import Report
from surveys.methods.screening_catch import Catch
from surveys.methods.screening_chances import SWARM_CEILING
from surveys.methods.screening_records import Hunch, ScreeningSettings, state_hunch
from surveys.methods.screening_weighing import Weighings
from surveys.vocabulary import QueryReason, TrapState

#: Chance that nothing was caught because the trap was lost, by the state in which it was lifted.
LOST_BY_STATE: dict[str, float] = {
    TrapState.MOVED: 0.95,
    TrapState.DUG_UP: 0.95,
    TrapState.KICKED: 0.93,
    TrapState.WATER_IN: 0.93,
    TrapState.COVER_LOST: 0.85,
    TrapState.SOIL_IN: 0.85,
    TrapState.TILTED: 0.85,
    TrapState.RIM_PROUD: 0.7,
}


def check_lost_traps(weighings: Weighings) -> Iterator[tuple[int, Hunch]]:
    """Yield, with its row, a lost or flooded trap entered as empty: all zero, and not lifted intact."""
    for row in np.flatnonzero(weighings.empty).tolist():
        hunch = _lost_trap(weighings.cases[row].report)
        if hunch is not None:
            yield row, hunch


def _lost_trap(report: Report) -> Hunch | None:
    """Return the hunch that follows from the state in which an empty trap was lifted; None if it was intact."""
    probability = LOST_BY_STATE.get(report.trap_state or "")
    if probability is None:
        return None
    state = dict(TrapState.choices())[report.trap_state or ""]
    return state_hunch(
        QueryReason.LOST_TRAP_ZEROS,
        probability,
        f"Every group is zero, and the trap was found with: {state}. A lost trap is missing, not empty.",
        f"You found the trap with: {state}. Then animals may have got out, so we cannot say there were none. "
        "Was the cup still a good trap in the morning? If not, we keep your report and count it as a lost night.",
        {"trap_state": str(report.trap_state), "numbers": [{"name": "sent", "value": 0}]},
    )


def check_impossible(weighings: Weighings) -> Iterator[tuple[int, Hunch]]:
    """Yield, with its row, counts beyond a group's ceiling, or more animals in all than a cup holds.

    Groups that may swarm stay out of the total: a nest of ants can fill a cup.
    """
    c, settings = weighings.catches, weighings.settings
    over = weighings.known & (c.low > c.ceiling)
    totals = np.where(weighings.known & (c.ceiling < SWARM_CEILING), c.low, 0.0).sum(axis=1)
    for row in np.flatnonzero(over.any(axis=1) | (totals > settings.most_animals)).tolist():
        yield row, _impossible(c.one(row), np.flatnonzero(over[row]).tolist(), float(totals[row]), settings)


def _impossible(catch: Catch, over: list[int], total: float, settings: ScreeningSettings) -> Hunch:
    """Return the hunch that a cup cannot hold what was sent; what is over may be as little as usual."""
    names = ", ".join(f"{catch.groups[at].replace('_', ' ')} {catch.low[at]:.0f}" for at in over[:4])
    told = names or f"{total:.0f} animals without those that swarm"
    return state_hunch(
        QueryReason.IMPOSSIBLE_COUNT,
        0.97 if over else 0.85,
        f"More than a cup holds: {told}.",
        f"That is more than one small cup can hold: {told}. Look again at your numbers. If there was a nest or a "
        "swarm, tell us: that is worth knowing.",
        {
            "numbers": [
                {"group": catch.groups[at], "low": int(catch.low[at]), "ceiling": int(catch.ceiling[at])} for at in over
            ],
            "macro_total": round(total, 1),
            "most_animals": settings.most_animals,
        },
    )
