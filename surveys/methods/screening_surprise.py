"""Counts that stand in the wrong rows: look-alike groups swapped or lumped together, and lists one row off.

Each is a rival hypothesis with a prior rate. Its odds are the prior times the likelihood ratio of what was sent,
under the slip, against "all is well" (the predictive negative binomial with a little of an honest far-out kind).

References: domain of pitfall counts: METHODS.md, section 7; Bayes factors: Kass & Raftery (1995) J. Am. Stat. Assoc.
90: 773-795 (from memory). Prior rates are planning values.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from surveys.methods.screening_chances import log_far
from surveys.methods.screening_records import FloatArray, Hunch, IntArray
from surveys.methods.screening_telling import tell_lumped, tell_slip, tell_swap
from surveys.methods.screening_weighing import LEAST_LOG_ODDS, Weighings

LEAST_RATIO = 2.0  # a swap is only worth a sentence when it fits better than what was sent
LUMPED_SHARE = 0.3  # all of one group written under its look-alike, against the two exchanged (planning value)


def weigh_look_alikes(weighings: Weighings) -> Iterator[tuple[int, Hunch]]:
    """Yield, with its row, the suspicion that two look-alike groups were swapped, or one written under the other."""
    pairs, weights = _pairs(weighings)
    if not len(pairs):
        return
    a, b = pairs[:, 0], pairs[:, 1]
    c, known = weighings.catches, weighings.known
    differ = known[:, a] & known[:, b] & ((c.low[:, a] != c.low[:, b]) | (c.high[:, a] != c.high[:, b]))
    own = weighings.own[:, a] + weighings.own[:, b]
    swap = weighings.across(a, b) + weighings.across(b, a) - own
    # The prior is spread over the pairs that differ in this return, the closest look-alikes first.
    shares = differ * weights / np.maximum(np.sum(differ * weights, axis=1, keepdims=True), 1e-9)
    prior = np.log(weighings.settings.priors.look_alikes * np.maximum(shares, 1e-300))
    told = differ & (swap > np.log(LEAST_RATIO)) & (prior + swap > LEAST_LOG_ODDS)
    for row, n in np.argwhere(told).tolist():
        gain = float(swap[row, n])
        yield row, tell_swap(weighings.one(row), int(a[n]), int(b[n]), gain, float(prior[row, n]) + gain)
    yield from _weigh_lumped(weighings, pairs, prior, differ, own)


def _weigh_lumped(
    weighings: Weighings, pairs: IntArray, prior: FloatArray, differ: FloatArray, own: FloatArray
) -> Iterator[tuple[int, Hunch]]:
    """Yield the suspicion that all of one group was written under its look-alike: none here, both there.

    The sum of two negative binomials, matched by mean and variance to one.
    """
    c = weighings.catches
    a, b = pairs[:, 0], pairs[:, 1]
    one_empty = differ & ((c.low[:, a] == 0.0) | (c.low[:, b] == 0.0))
    rows, at = np.nonzero(one_empty)
    if not len(rows):
        return
    first, second = a[at], b[at]
    mean = c.mean[rows, first] + c.mean[rows, second]
    spread = c.mean[rows, first] ** 2 / c.size[rows, first] + c.mean[rows, second] ** 2 / c.size[rows, second]
    full = np.where(c.low[rows, first] == 0.0, second, first)
    together = weighings.of_counts(rows, full, mean=mean, size=mean**2 / spread)
    gain = together - own[rows, at]
    log_odds = np.log(LUMPED_SHARE) + prior[rows, at] + gain
    for n in np.flatnonzero((gain > np.log(LEAST_RATIO)) & (log_odds > LEAST_LOG_ODDS)).tolist():
        empty = int(first[n] if full[n] == second[n] else second[n])
        row = int(rows[n])
        yield row, tell_lumped(weighings.one(row), int(full[n]), empty, float(gain[n]), float(log_odds[n]))


def _pairs(weighings: Weighings) -> tuple[IntArray, FloatArray]:
    """Return the places (P, 2) of the look-alike pairs of this form, and their weights (P,)."""
    place = {group.replace("-", "_"): at for at, group in enumerate(weighings.catches.groups)}
    found = [
        (place[a], place[b], weight) for a, b, weight in weighings.settings.look_alikes if a in place and b in place
    ]
    rows = np.array(found, dtype=float).reshape(len(found), 3)
    return rows[:, :2].astype(np.int64), rows[:, 2]


def weigh_row_slip(weighings: Weighings) -> Iterator[tuple[int, Hunch]]:
    """Yield, with its row, the suspicion that counts stand one row too low or too high, from some row on.

    Half of the prior goes to a slip of the whole list, half evenly to a slip that starts at any row.
    """
    groups = len(weighings.catches.groups)
    if groups < 3:
        return
    start_prior = np.full(groups, 0.5 / (groups - 1))
    start_prior[0] = 0.5
    prior = np.log(weighings.settings.priors.row_slip / 2.0)
    gains = np.stack([_slipped_down(weighings), _slipped_up(weighings)])
    weighed = np.log(start_prior) + gains
    log_odds = prior + np.logaddexp.reduce(weighed, axis=2)
    way = np.argmax(log_odds, axis=0)
    for row in np.flatnonzero((log_odds.max(axis=0) > LEAST_LOG_ODDS) & (weighings.seen >= 2)).tolist():
        down = way[row] == 0
        start = int(np.argmax(weighed[way[row], row]))
        gain = float(gains[way[row], row, start])
        if gain > np.log(LEAST_RATIO):
            odds = float(log_odds[way[row], row])
            yield row, tell_slip(weighings.one(row), "down" if down else "up", start, gain, odds)


def _slipped_down(weighings: Weighings) -> FloatArray:
    """Return the log likelihood ratio (n, G) of a slip that starts at each row: each count one row too low.

    The count in row h belongs to row h - 1; the first slipped row holds what was left over.
    """
    own, groups = weighings.own, len(weighings.catches.groups)
    step = weighings.across(np.arange(1, groups), np.arange(groups - 1)) - own[:, 1:]
    sums = np.zeros_like(own)
    sums[:, :-1] = np.cumsum(step[:, ::-1], axis=1)[:, ::-1]
    return np.asarray(_left_over(weighings) - own + sums)


def _slipped_up(weighings: Weighings) -> FloatArray:
    """Return the log likelihood ratio (n, G) of a slip that starts at each row: each count one row too high."""
    own, groups = weighings.own, len(weighings.catches.groups)
    step = np.zeros_like(own)
    step[:, :-1] = weighings.across(np.arange(groups - 1), np.arange(1, groups)) - own[:, :-1]
    edge = _left_over(weighings)[:, -1:] - own[:, -1:]
    return np.asarray(np.cumsum(step[:, ::-1], axis=1)[:, ::-1] + edge)


def _left_over(weighings: Weighings) -> FloatArray:
    """Return the log chance (n, G) of what stands in a row that a slip left over: mostly nothing."""
    c = weighings.catches
    empty = np.where(c.low == 0.0, np.log(0.5), -np.inf)
    wrapped = np.log(0.5) + log_far(c.low, c.high, c.ceiling)
    return np.where(weighings.known, np.logaddexp(empty, wrapped), 0.0)
