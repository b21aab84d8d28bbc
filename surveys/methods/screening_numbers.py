"""Single numbers that stick out: written wrongly, or simply many.

Every way to write a number wrongly is a rival reading with a prior rate. Its odds are the prior times the likelihood
ratio of that reading against the number as it was sent. "As it was sent" allows for honest extremes, for nights more
varied than the estimated spread, and for honest rounding, so that a true extreme is not an error for want of
another name.

References: Bayes factors: Kass & Raftery (1995) J. Am. Stat. Assoc. 90: 773-795 (from memory). Prior rates are
planning values; METHODS.md, section 7.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np

from surveys.methods.screening_chances import log_far, log_wide
from surveys.methods.screening_records import FloatArray, Hunch, IntArray, PriorRates
from surveys.methods.screening_telling import tell_many, tell_number
from surveys.methods.screening_weighing import LEAST_LOG_ODDS, Weighings, sum_odds

FIRST_TWO_DIGITS = 10
STICKS_OUT = 0.05  # upper tail from which other readings of a number are weighed at all
INNER_DIGIT_SHARE = 0.15  # one digit of several typed twice (12 as 112) against all of it (3 as 33); planning value
TWO_ZEROS_SHARE = 0.1  # two zeros too many against one; planning value
EXCHANGED_SHARE = 0.15  # two digits exchanged (12 as 21) against one digit typed twice; planning value
OPEN_TIMES = 10.0  # an open class is read as up to so many times its lowest count (planning value)
OF_A_CLASS = 0.2  # a class is chosen from a list: a zero too many is rarer there; planning value

#: A reading: lowest and highest count that may have been meant, and its prior rate.
Reading = tuple[float, float, float]


def weigh_numbers(weighings: Weighings) -> Iterator[tuple[int, Hunch]]:
    """Yield, with its row, the suspicion that a number was written too high."""
    c, priors = weighings.catches, weighings.settings.priors
    rows, columns = np.nonzero((weighings.tail < STICKS_OUT) & (c.low >= FIRST_TWO_DIGITS))
    read = [readings_of(float(c.low[at]), float(c.high[at]), priors) for at in zip(rows, columns, strict=True)]
    number = np.array([len(one) for one in read], dtype=np.int64)
    if not number.sum():
        return
    flat = np.array([reading for one in read for reading in one])
    cell = np.repeat(np.arange(len(read)), number)
    log_odds = np.log(flat[:, 2] / weighings.seen[rows][cell]) + _gains(weighings, rows[cell], columns[cell], flat)
    first = np.concatenate([[0], np.cumsum(number)])
    for n, (row, column) in enumerate(zip(rows.tolist(), columns.tolist(), strict=True)):
        of_cell = log_odds[first[n] : first[n + 1]]
        if len(of_cell) and of_cell.max() > LEAST_LOG_ODDS:
            meant = flat[first[n] + int(np.argmax(of_cell))]
            count = float(np.round(np.sqrt(meant[0] * meant[1])))
            yield row, tell_number(weighings.one(row), column, count, sum_odds(of_cell))


def _gains(weighings: Weighings, rows: IntArray, columns: IntArray, flat: FloatArray) -> FloatArray:
    """Return the log likelihood ratio of each reading against the number as it was sent."""
    c = weighings.catches
    at = rows, columns
    rest = {"ceiling": c.ceiling[at], "extreme_share": weighings.extreme_share[at]}
    meant = log_wide(flat[:, 0], flat[:, 1], c.mean[at], c.size[at], **rest)
    return np.asarray(meant - log_wide(c.low[at], c.high[at], c.mean[at], c.size[at], **rest))


@lru_cache(maxsize=4096)
def readings_of(low: float, high: float, priors: PriorRates) -> tuple[Reading, ...]:
    """Return what may have been meant by a number (or a class) that was written too high."""
    if low != high:
        return _tenfold(low, high, OF_A_CLASS * priors.ten_times)
    found = [*_tenfold(low, high, priors.ten_times)]
    found += [(count, count, share * priors.doubled_digit) for count, share in _typed_twice(str(int(low)))]
    return tuple(found)


def _tenfold(low: float, high: float, prior: float) -> tuple[Reading, ...]:
    """Return the readings with one zero and with two zeros fewer."""
    found = []
    for times, share in ((10.0, 1.0), (100.0, TWO_ZEROS_SHARE)):
        first, last = np.ceil(low / times), np.floor(min(high, OPEN_TIMES * low) / times)
        if 1.0 <= first <= last:
            found.append((float(first), float(last), share * prior))
    return tuple(found)


def _typed_twice(text: str) -> Iterator[tuple[float, float]]:
    """Yield counts that give the text once a digit, or all of it, is typed twice, or two digits are exchanged."""
    half = len(text) // 2
    if len(text) % 2 == 0 and text[:half] == text[half:]:
        yield float(text[:half]), 1.0
    singles = {text[:n] + text[n + 1 :] for n in range(len(text) - 1) if text[n] == text[n + 1]}
    for one in sorted(singles - {text[:half]}):
        yield float(one), INNER_DIGIT_SHARE
    for n in range(len(text) - 1):
        if text[n] > text[n + 1] != "0":
            yield float(text[:n] + text[n + 1] + text[n] + text[n + 2 :]), EXCHANGED_SHARE


def weigh_many(weighings: Weighings) -> Iterator[tuple[int, Hunch]]:
    """Yield, with its row, the suspicion that a count is far beyond what such a trap catches, for no named reason."""
    c = weighings.catches
    if not len(c.groups):
        return
    columns = np.argmin(weighings.tail, axis=1)
    rows = np.flatnonzero(weighings.tail.min(axis=1) < weighings.settings.surprising_tail)
    at = rows, columns[rows]
    honest = log_wide(
        c.low[at], c.high[at], c.mean[at], c.size[at], ceiling=c.ceiling[at], extreme_share=weighings.extreme_share[at]
    )
    share = weighings.settings.priors.unexplained / len(c.groups)
    log_odds = np.log(share) + log_far(c.low[at], c.high[at], c.ceiling[at]) - honest
    for row, odds in zip(rows.tolist(), log_odds, strict=True):
        if odds > LEAST_LOG_ODDS:
            yield row, tell_many(weighings.one(row), int(columns[row]), float(odds))
