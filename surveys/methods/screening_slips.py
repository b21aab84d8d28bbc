"""Slips that do not add up: re-sends, copied lists, lost traps entered as empty, more than a cup holds.

References: METHODS.md, section 7 (signatures and tests; trade experience, no published rates).
Probabilities are planning values, but for copies: there the chance of the same list by luck is computed.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from surveys.methods.records import Neighbour, Report
from surveys.methods.screening_chances import Catch, bounds_of
from surveys.methods.screening_records import FloatArray, Hunch, ScreeningSettings, Told, state_hunch
from surveys.methods.screening_weighing import Weighing, sum_odds
from surveys.vocabulary import QueryKind, QueryReason, TrapState

OVERLAP_H = 12.0  # two exposures of one trap that begin nearer than this share the night
EDITED_SHARE = 0.03  # share of groups changed after copying a list (planning value)
FEWEST_EQUAL = 3  # fewer equal counts above zero say nothing
#: Chance that nothing was caught because the trap was lost, by the state in which it was lifted.
LOST_STATES: dict[str, float] = {
    TrapState.MOVED: 0.95,
    TrapState.DUG_UP: 0.95,
    TrapState.KICKED: 0.93,
    TrapState.WATER_IN: 0.93,
    TrapState.COVER_LOST: 0.85,
    TrapState.SOIL_IN: 0.85,
    TrapState.TILTED: 0.85,
    TrapState.RIM_PROUD: 0.7,
}


def check_sent_twice(catch: Catch, neighbours: tuple[Neighbour, ...]) -> Iterator[Hunch]:
    """Suspect that the same night of the same trap came before."""
    twins = [one for one in neighbours if one.same_trap and (one.same_night or one.hours_apart < OVERLAP_H)]
    if not twins:
        return
    likeness, twin = max(((share_equal(catch, one), one) for one in twins), key=lambda pair: pair[0])
    probability = 0.99 if likeness == 1.0 else 0.95 if likeness >= 0.8 else 0.8
    how = "the same" if likeness == 1.0 else "nearly the same" if likeness >= 0.8 else "other"
    yield state_hunch(
        QueryReason.SENT_TWICE,
        probability,
        f"Another return is about the same trap and night, with {how} counts.",
        "It looks as if this night of this trap was sent before. If you sent it twice, nothing is lost: tell us "
        "which one to keep. If two people counted, tell us that too.",
        {"references": [twin.reference], "numbers": [{"name": "share_equal", "value": round(likeness, 3)}]},
    )


def share_equal(catch: Catch, neighbour: Neighbour) -> float:
    """Return the share of groups, of those above zero in either list, with equal counts; 1 when all are zero."""
    low, high = bounds_of(neighbour.answers, catch.groups)
    both = catch.known & ~np.isnan(low)
    telling = both & ((catch.low > 0.0) | (low > 0.0))
    if not np.any(telling):
        return 1.0
    return float(np.mean((catch.low[telling] == low[telling]) & (catch.high[telling] == high[telling])))


def weigh_copies(weighing: Weighing, neighbours: tuple[Neighbour, ...]) -> Iterator[Hunch]:
    """Suspect a list copied from a sibling of that night, or from an earlier night, when luck does not explain it."""
    others = [one for one in neighbours if not (one.same_trap and (one.same_night or one.hours_apart < OVERLAP_H))]
    for same_night, reason in ((True, QueryReason.SAME_AS_SIBLING), (False, QueryReason.COPIED_FROM_EARLIER)):
        pool = [one for one in others if one.same_night is same_night]
        if not pool:
            continue
        ratio, nearest = max(((copy_log_ratio(weighing, one), one) for one in pool), key=lambda pair: pair[0])
        log_odds = np.log(weighing.settings.priors.copied / 2.0 / len(pool)) + ratio
        if ratio > 0.0:
            yield _copy_hunch(weighing.catch, reason, nearest, sum_odds(np.array([log_odds])))


def copy_log_ratio(weighing: Weighing, neighbour: Neighbour) -> float:
    """Return the log ratio of "copied, perhaps with a change" over "the same by luck".

    Only groups above zero in either list speak, and each by its chance *given* that it was there, since
    neighbouring nights share which groups live in a garden. Copied: P(y) = (1 - d) [equal] + d P(y | y > 0).
    """
    catch = weighing.catch
    low, high = bounds_of(neighbour.answers, catch.groups)
    both = catch.known & ~np.isnan(low)
    equal = both & (catch.low == low) & (catch.high == high) & (catch.low > 0.0)
    other = both & ~equal & ((catch.low > 0.0) | (low > 0.0))
    if int(np.sum(equal)) < FEWEST_EQUAL:
        return -np.inf
    by_luck = np.exp(weighing.own[equal]) / _chance_above_zero(catch)[equal]
    gains = np.log((1.0 - EDITED_SHARE) / np.minimum(by_luck, 1.0) + EDITED_SHARE)
    return float(np.sum(gains) + np.sum(other) * np.log(EDITED_SHARE))


def _chance_above_zero(catch: Catch) -> FloatArray:
    """Return P(Y > 0) (G,) = 1 - (1 + mean/size)^-size."""
    above: FloatArray = -np.expm1(-catch.size * np.log1p(catch.mean / catch.size))
    return above


def _copy_hunch(catch: Catch, reason: QueryReason, nearest: Neighbour, odds: float) -> Hunch:
    """Return the hunch that a list was copied."""
    where = "another trap of that night" if reason == QueryReason.SAME_AS_SIBLING else "an earlier night"
    return Hunch(
        kind=QueryKind.DETERMINISTIC,
        reason=reason,
        odds=odds,
        tell=lambda: Told(
            f"The counts are the same as those of {where}, down to rare groups; luck alone hardly does that.",
            f"Your counts are the same as those of {where}. Look again: is this the right sheet for "
            "this trap and this night?",
            {
                "references": [nearest.reference],
                "hours_apart": round(nearest.hours_apart, 2),
                "numbers": [{"name": "share_equal", "value": round(share_equal(catch, nearest), 3)}],
            },
        ),
    )


def check_lost_trap(report: Report, catch: Catch) -> Iterator[Hunch]:
    """Suspect a lost or flooded trap entered as empty: all zero, and not lifted intact."""
    probability = LOST_STATES.get(report.trap_state or "")
    if probability is None or not np.any(catch.known) or np.sum(catch.point[catch.known]) > 0.0:
        return
    state = dict(TrapState.choices())[report.trap_state or ""]
    yield state_hunch(
        QueryReason.LOST_TRAP_ZEROS,
        probability,
        f"Every group is zero, and the trap was found with: {state}. A lost trap is missing, not empty.",
        f"You found the trap with: {state}. Then animals may have got out, so we cannot say there were none. "
        "Was the cup still a good trap in the morning? If not, we keep your report and count it as a lost night.",
        {"trap_state": str(report.trap_state), "numbers": [{"name": "sent", "value": 0}]},
    )


def check_impossible(catch: Catch, settings: ScreeningSettings) -> Iterator[Hunch]:
    """Suspect counts beyond a group's ceiling, or more animals in all than a cup holds."""
    swarming = np.array([group.replace("-", "_") in settings.swarming for group in catch.groups], dtype=bool)
    macro = catch.known & ~swarming
    total = float(np.sum(catch.low[macro]))
    over = [int(at) for at in np.flatnonzero(catch.known & (catch.low > catch.ceiling))]
    if not over and total <= settings.most_animals:
        return
    names = ", ".join(f"{catch.groups[at].replace('_', ' ')} {catch.low[at]:.0f}" for at in over[:4])
    told = names or f"{total:.0f} animals without springtails, ants and mites"
    yield state_hunch(
        QueryReason.IMPOSSIBLE_COUNT,
        0.85,
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


def choose_pool_sizes(
    report: Report, neighbours: tuple[Neighbour, ...], settings: ScreeningSettings
) -> tuple[tuple[int, ...], float]:
    """Return how many traps may have been pooled, and the prior rate of that.

    More likely where siblings are missing, hardly possible where all have come, no question where the
    sender said so.
    """
    prior = settings.priors.traps_pooled
    if report.traps_pooled > 1 or report.traps_open == 1:
        return (), 0.0
    if report.traps_open is None:
        return (2, 3, 4), prior
    siblings = sum(one.same_night and not one.same_trap for one in neighbours)
    missing = report.traps_open - 1 - siblings
    if missing <= 0:
        return (), 0.0
    return tuple(range(2, min(missing, 5) + 2)), min(3.0 * prior, 0.5)
