"""From suspicions to a queue: probability that something is wrong, times how far it moves the region.

References: METHODS.md, section 7 (rank, review budget, safety and welfare first). The combination of odds
is Bayes' rule for slips that exclude each other.
"""

from __future__ import annotations

import numpy as np

from surveys.methods.records import Suspicion
from surveys.methods.screening_catch import Catch
from surveys.methods.screening_records import (
    BoolArray,
    FloatArray,
    Hunch,
    IntArray,
    RegionFrame,
    Screening,
    ScreeningSettings,
)
from surveys.vocabulary import QueryKind, QueryReason

URGENT_REASONS = frozenset({QueryReason.SAFETY, QueryReason.WELFARE, QueryReason.LIQUID_WORDS})
#: Reasons that an honest extreme gives rise to as well: a rich night, a nest, a swarm.
LIKE_AN_EXTREME = frozenset(
    {QueryReason.TEN_TIMES, QueryReason.UNUSUALLY_MANY, QueryReason.TRAPS_POOLED, QueryReason.IMPOSSIBLE_COUNT}
)
EFFORT_STEP = 0.1  # a rank counts as moved when the effort of its region has changed by about so much (planning value)
LEAST_POOLED = 10.0  # METHODS.md, section 5: below this expected count an index is not shown at all


def combine(
    hunches: tuple[Hunch, ...], catch: Catch, region: RegionFrame, settings: ScreeningSettings, trap_nights: float
) -> Screening:
    """Return the screening that follows from all hunches about one return."""
    suspicions = tell_strongest(hunches, settings)
    total = sum(hunch.odds for hunch in hunches)
    probability = total / (1.0 + total)
    plain = sum(hunch.odds for hunch in hunches if hunch.reason not in LIKE_AN_EXTREME) / (1.0 + total)
    queues = probability >= settings.queue_from or plain >= settings.queue_plain_from
    damage = expected_damage(hunches, catch, region, trap_nights)
    urgent = any(suspicion.reason in URGENT_REASONS for suspicion in suspicions)
    certain = any(
        one.kind == QueryKind.DETERMINISTIC and one.probability >= settings.certain_from for one in suspicions
    )
    return Screening(
        suspicions=suspicions,
        probability=probability,
        damage=damage,
        rank=probability * damage if queues else 0.0,
        urgent=urgent,
        certain=certain,
        holds=urgent or certain or probability >= settings.hold_from,
    )


def tell_strongest(hunches: tuple[Hunch, ...], settings: ScreeningSettings) -> tuple[Suspicion, ...]:
    """Return the strongest suspicion of each reason, strongest first, without those too weak to mention.

    The probability is as stated, or the share of a hunch among its rivals and "all is well"; of two hunches
    with one reason the stated one speaks, as it knows more than the counts, unless it is itself unlikely.
    """
    weighed = sum(hunch.odds for hunch in hunches if not hunch.stated)
    believed = [(hunch.odds / (1.0 + (hunch.odds if hunch.stated else weighed)), hunch) for hunch in hunches]
    kept: dict[QueryReason, Suspicion] = {}
    for probability, hunch in sorted(believed, key=lambda pair: (not (pair[1].stated and pair[0] >= 0.5), -pair[0])):
        worth = probability >= settings.mention_from or hunch.reason in URGENT_REASONS
        if worth and hunch.reason not in kept:
            told = hunch.tell()
            kept[hunch.reason] = Suspicion(
                hunch.kind, hunch.reason, told.sentence, told.gentle_sentence, probability, told.evidence
            )
    return tuple(sorted(kept.values(), key=lambda suspicion: -suspicion.probability))


def expected_damage(hunches: tuple[Hunch, ...], catch: Catch, region: RegionFrame, trap_nights: float) -> float:
    """Return how far the region's indices would move if something is wrong, each slip weighted by its odds."""
    odds = np.array([hunch.odds for hunch in hunches])
    if not len(odds) or odds.sum() <= 0.0:
        return 0.0
    moves = np.array([damage_of(hunch, catch, region, trap_nights) for hunch in hunches])
    return float(np.sum(odds * moves) / odds.sum())


def damage_of(hunch: Hunch, catch: Catch, region: RegionFrame, trap_nights: float) -> float:
    """Return the sum over groups of |count - corrected count| over the cell's expected total.

    Where the whole return would fall, the expected counts stand for the corrected ones, and the share of
    the cell's effort that would be lost is added.
    """
    corrected = catch.mean if hunch.corrected is None else hunch.corrected
    moved = np.where(catch.known, np.abs(catch.point - corrected), 0.0) / np.maximum(catch.expected_total, LEAST_POOLED)
    lost = trap_nights / max(region.trap_nights, trap_nights, 1.0) if hunch.corrected is None else 0.0
    return float(np.sum(moved) + lost)


def effort_steps(trap_nights: FloatArray) -> IntArray:
    """Return efforts (...) in whole steps of about a tenth: a rank is worked out anew where its step changed."""
    return np.asarray(np.round(np.log(np.maximum(trap_nights, 1.0)) / np.log1p(EFFORT_STEP)), dtype=np.int64)


def review_slots(returns: int, budget_share: float) -> int:
    """Return how many returns a budget (share, 0 to 1) lets a person see; raise ValueError outside 0 to 1."""
    if not 0.0 <= budget_share <= 1.0:
        raise ValueError(f"A review budget is a share from 0 to 1, not {budget_share}.")
    return int(np.floor(returns * budget_share + 1e-9))


def hold_threshold(ranks: FloatArray, budget_share: float) -> float:
    """Return the rank from which a return waits, so that at most ``budget_share`` of ``ranks`` (n,) do.

    Infinite for an empty season or a budget of nothing: then :attr:`Screening.holds` decides alone.
    """
    slots = review_slots(len(ranks), budget_share)
    if slots == 0:
        return float("inf")
    ordered = np.sort(np.asarray(ranks, dtype=float))[::-1]
    if slots >= len(ordered):
        return float(ordered[-1])
    # A tie across the cut would let more through than the budget: then the next higher rank is the threshold.
    if ordered[slots] < ordered[slots - 1]:
        return float(ordered[slots - 1])
    higher = ordered[ordered > ordered[slots]]
    return float(higher[-1]) if len(higher) else float(np.nextafter(ordered[0], np.inf))


def choose_for_review(ranks: FloatArray, urgent: BoolArray, deterministic: BoolArray, budget_share: float) -> IntArray:
    """Return the places (in ``ranks``) of the returns a person should see, most pressing first.

    ``urgent`` (n,) come first and are never cut, though they use the budget; then returns with a strong
    ``deterministic`` reason (n,), then the others, each by rank, until the budget is used. A rank of zero
    is never chosen for its rank.
    """
    ranks = np.asarray(ranks, dtype=float)
    order = np.lexsort((-ranks, ~np.asarray(deterministic, dtype=bool), ~np.asarray(urgent, dtype=bool)))
    slots = max(review_slots(len(ranks), budget_share), int(np.sum(urgent)))
    chosen = order[:slots]
    return np.asarray(chosen[(ranks[chosen] > 0.0) | np.asarray(urgent, dtype=bool)[chosen]], dtype=np.int64)
