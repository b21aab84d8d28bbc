"""Numbers that end in 0 or 5 far more often than counts do: guessed, or made up at a desk.

One sender's returns are read together, as one night says little. References: last digits of honest counts spread
evenly once counts are large (common practice, no source); the tail is binomial. Probabilities are planning values.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.special import bdtrc

from surveys.methods.screening_records import FloatArray, Hunch, IntArray, state_hunch
from surveys.methods.screening_weighing import Weighings
from surveys.vocabulary import QueryReason

LEAST_COUNT = 6  # smaller numbers are small because few animals came, not because they were rounded
ROUND = 5.0
HONEST_SHARE = 0.25  # of counts from 6 on: a fifth, and a little more as small counts are commoner (10 above all)
FEWEST_NUMBERS = 5
SURPRISING = 1e-4  # chance of so many round numbers among honest ones


def check_round_numbers(weighings: Weighings) -> Iterator[tuple[int, Hunch]]:
    """Yield, with its row, the suspicion of guesses: nearly all numbers of a return, or of its site, are round."""
    c = weighings.catches
    own, own_round = count_round(c.low, c.high)
    before, before_round = count_round(c.other_low[c.came_before], c.other_high[c.came_before])
    of = c.of[c.came_before]
    all_, all_round = own.copy(), own_round.copy()
    np.add.at(all_, of, before)
    np.add.at(all_round, of, before_round)
    alone, together = chance_of_round(own_round, own), chance_of_round(all_round, all_)
    for row in np.flatnonzero((own_round > 0) & (np.minimum(alone, together) < SURPRISING)).tolist():
        if alone[row] < SURPRISING:
            yield row, _round_hunch(int(own_round[row]), int(own[row]), float(alone[row]))
        else:
            yield row, _round_hunch(int(all_round[row]), int(all_[row]), float(together[row]))


def count_round(low: FloatArray, high: FloatArray) -> tuple[IntArray, IntArray]:
    """Return how many numbers of each list (n, G) are large enough to be rounded, and how many of those are round."""
    large = (low == high) & (low >= LEAST_COUNT)
    ends_round = large & (np.mod(np.where(large, low, 1.0), ROUND) == 0.0)
    return large.sum(axis=1), ends_round.sum(axis=1)


def chance_of_round(found: IntArray, number: IntArray) -> FloatArray:
    """Return the chance that so many of honest counts, or more, can be divided by five; 1 for too few counts."""
    enough = (number >= FEWEST_NUMBERS) & (found > 0)
    tail = bdtrc(np.maximum(found - 1, 0), np.maximum(number, 1), HONEST_SHARE)
    return np.where(enough, tail, 1.0)


def _round_hunch(found: int, number: int, chance: float) -> Hunch:
    """Return the hunch that numbers were guessed."""
    return state_hunch(
        QueryReason.ROUND_NUMBERS,
        0.7,
        f"{found} of {number} numbers from {LEAST_COUNT} on end in 0 or 5. They may be guesses, not counts.",
        "Most of your larger numbers end in 0 or 5. Did you count them one by one? If you made a good guess, "
        "that is fine: next time pick the class, such as 16 to 31.",
        {"numbers": [{"name": "round", "value": found}, {"name": "chance", "value": chance}]},
    )
