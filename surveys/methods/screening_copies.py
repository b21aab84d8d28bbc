"""The same counts again: a night that was sent before, and lists copied from another trap or another night.

References: METHODS.md, section 7 (signatures and tests; trade experience, no published rates). For copies the chance
of the same list by luck is computed; the other probabilities are planning values.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property

import numpy as np

from surveys.methods.screening_records import BoolArray, FloatArray, Hunch, IntArray, Told, state_hunch
from surveys.methods.screening_weighing import LEAST_LOG_ODDS, Weighings, sum_odds
from surveys.vocabulary import QueryKind, QueryReason

OVERLAP_H = 12.0  # two exposures of one trap that begin nearer than this share the night
EDITED_SHARE = 0.03  # share of groups changed after copying a list (planning value)
FEWEST_EQUAL = 3  # fewer equal counts above zero say nothing
STRANGERS = 300.0  # returns of others that were looked through for the same counts (planning value)
COPIED_FROM = {
    QueryReason.SAME_AS_SIBLING: "another trap of that night",
    QueryReason.COPIED_FROM_EARLIER: "an earlier night",
    QueryReason.SAME_ELSEWHERE: "a trap of another household",
}
NEARLY = 0.8  # share of equal counts from which two lists are "nearly the same"


class Likeness:
    """Each return beside each of its neighbours that came before it: arrays (K, G), in the order of the neighbours."""

    def __init__(self, weighings: Weighings) -> None:
        """Compare the counts of all returns with those of their neighbours."""
        c = weighings.catches
        self._weighings = weighings
        low, high, other_low, other_high = c.low[c.of], c.high[c.of], c.other_low, c.other_high
        self.both: BoolArray = ~np.isnan(low) & ~np.isnan(other_low)
        self.equal: BoolArray = self.both & (low == other_low) & (high == other_high)
        self.above: BoolArray = self.both & ((low > 0.0) | (other_low > 0.0))
        self.before: BoolArray = c.came_before
        self.stranger: BoolArray = c.stranger
        self.same_trap = np.array([one.same_trap for one in c.others], dtype=bool)
        self.same_night = np.array([one.same_night for one in c.others], dtype=bool)
        near = np.array([one.hours_apart < OVERLAP_H for one in c.others], dtype=bool)
        self.twin: BoolArray = self.before & self.same_trap & (self.same_night | near)

    @cached_property
    def share_equal(self) -> FloatArray:
        """Return the share (K,) of groups, of those above zero in either list, with equal counts; 1 if all are zero."""
        telling = self.above.sum(axis=1)
        equal = (self.equal & self.above).sum(axis=1)
        return np.where(telling > 0, equal / np.maximum(telling, 1), 1.0)

    @cached_property
    def copy_log_ratio(self) -> FloatArray:
        """Return the log ratio (K,) of "copied, perhaps with a change" over "the same by luck".

        Only groups above zero in either list speak, and each by its chance *given* that it was there, since
        neighbouring nights share which groups live in a garden. Copied: P(y) = (1 - d) [equal] + d P(y | y > 0).
        """
        c = self._weighings.catches
        equal = self.equal & self.above
        other = self.above & ~equal
        by_luck = np.exp(self._weighings.own) / _chance_above_zero(c.mean, c.size)
        gains = np.log((1.0 - EDITED_SHARE) / np.clip(by_luck, 1e-300, 1.0) + EDITED_SHARE)
        summed = np.where(equal, gains[c.of], 0.0).sum(axis=1) + other.sum(axis=1) * np.log(EDITED_SHARE)
        return np.where(equal.sum(axis=1) >= FEWEST_EQUAL, summed, -np.inf)


def _chance_above_zero(mean: FloatArray, size: FloatArray) -> FloatArray:
    """Return P(Y > 0) = 1 - (1 + mean/size)^-size."""
    above: FloatArray = -np.expm1(-size * np.log1p(mean / size))
    return above


def check_copies(weighings: Weighings) -> Iterator[tuple[int, Hunch]]:
    """Yield, with its row, the suspicion that a night was sent before, or a list copied."""
    if not len(weighings.catches.others):
        return
    likeness = Likeness(weighings)
    for row, at in _best(likeness, likeness.twin, likeness.share_equal):
        yield row, _sent_twice(weighings, at, float(likeness.share_equal[at]))
    if not len(weighings.catches.groups):
        return
    for same_night, reason in ((True, QueryReason.SAME_AS_SIBLING), (False, QueryReason.COPIED_FROM_EARLIER)):
        pool = likeness.before & ~likeness.twin & (likeness.same_night == same_night)
        number = np.bincount(weighings.catches.of[pool], minlength=len(weighings.catches))
        for row, at in _best(likeness, pool & (likeness.copy_log_ratio > 0.0), likeness.copy_log_ratio):
            log_odds = np.log(weighings.settings.priors.copied / 2.0 / number[row]) + likeness.copy_log_ratio[at]
            if log_odds > LEAST_LOG_ODDS:
                yield row, _copied(weighings, reason, at, float(likeness.share_equal[at]), float(log_odds))
    yield from _check_elsewhere(weighings, likeness)


def _check_elsewhere(weighings: Weighings, likeness: Likeness) -> Iterator[tuple[int, Hunch]]:
    """Yield, with its row, the suspicion that the counts are those of another household."""
    ratio = likeness.copy_log_ratio
    for row, at in _best(likeness, likeness.stranger & (ratio > 0.0), ratio):
        log_odds = float(np.log(weighings.settings.priors.copied_elsewhere / STRANGERS) + ratio[at])
        if log_odds > LEAST_LOG_ODDS:
            yield row, _copied(weighings, QueryReason.SAME_ELSEWHERE, at, float(likeness.share_equal[at]), log_odds)


def _best(likeness: Likeness, chosen: BoolArray, by: FloatArray) -> Iterator[tuple[int, int]]:
    """Yield each row that has a chosen neighbour, and where its best one stands (the first of equals)."""
    of: IntArray = likeness._weighings.catches.of
    best: dict[int, int] = {}
    for at in np.flatnonzero(chosen).tolist():
        row = int(of[at])
        if row not in best or by[at] > by[best[row]]:
            best[row] = at
    yield from best.items()


def _sent_twice(weighings: Weighings, at: int, likeness: float) -> Hunch:
    """Return the hunch that the same night of the same trap came before."""
    probability = 0.99 if likeness == 1.0 else 0.95 if likeness >= NEARLY else 0.8
    how = "the same" if likeness == 1.0 else "nearly the same" if likeness >= NEARLY else "other"
    return state_hunch(
        QueryReason.SENT_TWICE,
        probability,
        f"Another return is about the same trap and night, with {how} counts.",
        "It looks as if this night of this trap was sent before. If you sent it twice, nothing is lost: tell us "
        "which one to keep. If two people counted, tell us that too.",
        {
            "references": [weighings.catches.others[at].reference],
            "numbers": [{"name": "share_equal", "value": round(likeness, 3)}],
        },
    )


def _copied(weighings: Weighings, reason: QueryReason, at: int, likeness: float, log_odds: float) -> Hunch:
    """Return the hunch that a list was copied."""
    where = COPIED_FROM[reason]
    nearest, elsewhere = weighings.catches.others[at], reason == QueryReason.SAME_ELSEWHERE
    return Hunch(
        kind=QueryKind.DETERMINISTIC,
        reason=reason,
        odds=sum_odds(np.array([log_odds])),
        tell=lambda: Told(
            f"{100.0 * likeness:.0f} % of the counts above zero are those of {where}, number for number; "
            "luck alone hardly does that.",
            f"Your counts are the same as those of {where}. Look again: is this the right sheet for "
            + (
                "this trap? If two of you counted the same cup, tell us: both counts help."
                if elsewhere
                else "this trap and this night?"
            ),
            {
                "references": [nearest.reference],
                "hours_apart": round(nearest.hours_apart, 2),
                "numbers": [{"name": "share_equal", "value": round(likeness, 3)}],
            },
        ),
    )
