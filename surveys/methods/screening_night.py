"""A whole night at once: several traps in one return, or a lost trap entered as empty.

The night's own factor, the same for all groups, is summed out over a log-normal grid on both sides, so that a good or
a bad night is not a slip.

References: METHODS.md, section 7. Prior rates are planning values.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import numpy as np

from surveys.methods.records import Neighbour
from surveys.methods.screening_chances import log_honest, log_pmf
from surveys.methods.screening_records import FloatArray, Hunch, IntArray, ScreeningCase, ScreeningSettings
from surveys.methods.screening_telling import tell_empty, tell_pooled
from surveys.methods.screening_weighing import LEAST_LOG_ODDS, Weighings

MOST_POOLED = 6  # traps of one return that are thought of
WORTH_WEIGHING = 1.3  # pooled traps catch more than one: below so many times the expected nothing is weighed
ALL_CAME_SHARE = 0.5  # adding up although every trap has a return of its own, against adding up with traps missing
NIGHT_H = 24.0  # traps of one night are set within hours of each other
EDITED = 0.02  # share of groups in which a sum is not above its parts, by a slip of adding


def weigh_empty(weighings: Weighings) -> Iterator[tuple[int, Hunch]]:
    """Yield, with its row, the suspicion that an empty list stands for a lost trap."""
    rows = np.flatnonzero(weighings.empty)
    if not len(rows):
        return
    priors = weighings.settings.priors
    honest = np.logaddexp(night_logs(weighings, rows), np.log(priors.true_empty))
    for row, log_odds in zip(rows.tolist(), np.log(priors.lost_trap_zeros) - honest, strict=True):
        if log_odds > LEAST_LOG_ODDS:
            yield row, tell_empty(weighings.one(row), float(log_odds))


def weigh_pooled(weighings: Weighings) -> Iterator[tuple[int, Hunch]]:
    """Yield, with its row, the suspicion that several traps were added up: unseen ones, or those that came too."""
    c = weighings.catches
    totals = np.where(weighings.known, c.point, 0.0).sum(axis=1)
    expected = np.where(weighings.known, c.mean, 0.0).sum(axis=1)
    rows = np.flatnonzero((weighings.seen > 0) & (totals > WORTH_WEIGHING * expected))
    if not len(rows):
        return
    honest = dict(zip(rows.tolist(), night_logs(weighings, rows).tolist(), strict=True))
    found: dict[int, list[tuple[float, int]]] = {}
    for traps, chosen, priors in _unseen(weighings, rows):
        logs = night_logs(weighings, chosen, traps=traps)
        for row, log, prior in zip(chosen.tolist(), logs.tolist(), priors, strict=True):
            found.setdefault(row, []).append((float(np.log(prior)) + log - honest[row], traps))
    for row, log_odds, traps in _seen_too(weighings, rows):
        found.setdefault(row, []).append((log_odds, traps))
    for row, weighed in found.items():
        best = max(weighed)
        log_odds = float(np.logaddexp.reduce([one[0] for one in weighed]))
        if log_odds > LEAST_LOG_ODDS:
            yield row, tell_pooled(weighings.one(row), best[1], log_odds)


def _unseen(weighings: Weighings, rows: IntArray) -> Iterator[tuple[int, IntArray, list[float]]]:
    """Yield, for each number of traps, the rows in which so many may have been added up, and their prior rates."""
    choices = {int(row): choose_pool_sizes(weighings.cases[row], weighings.settings) for row in rows}
    for traps in range(2, MOST_POOLED + 1):
        chosen = [row for row, (sizes, _) in choices.items() if traps in sizes]
        if chosen:
            yield traps, np.array(chosen), [choices[row][1] / len(choices[row][0]) for row in chosen]


def choose_pool_sizes(case: ScreeningCase, settings: ScreeningSettings) -> tuple[tuple[int, ...], float]:
    """Return how many traps may have been pooled, and the prior rate of that.

    More likely where siblings are missing, hardly possible where all have come, no question where the sender said so.
    How many traps there are is what the sender says, or else what the site sent on its earlier nights.
    """
    report, prior = case.report, settings.priors.traps_pooled
    if report.traps_pooled > 1 or report.traps_open == 1:
        return (), 0.0
    siblings = sum(one.same_night and not one.same_trap for one in (*case.neighbours, *case.later))
    traps = report.traps_open or _traps_of_a_night(case.neighbours)
    if traps is None:
        return (2, 3, 4), prior
    missing = traps - 1 - siblings
    if missing <= 0:
        return (), 0.0
    return tuple(range(2, min(missing, MOST_POOLED - 1) + 2)), min(3.0 * prior, 0.5)


def _traps_of_a_night(neighbours: tuple[Neighbour, ...]) -> int | None:
    """Return the most returns that an earlier night of the site brought; None before there is one."""
    nights = Counter(round(one.hours_apart / NIGHT_H) for one in neighbours if not one.same_night)
    return max(nights.values(), default=None)


def _seen_too(weighings: Weighings, rows: IntArray) -> Iterator[tuple[int, float, int]]:
    """Yield row, log odds and number of traps where a list may be the sum of itself and its siblings of that night.

    What the siblings caught is known, so each count must be at least theirs, and the rest is an ordinary catch.
    """
    c = weighings.catches
    for row in rows.tolist():
        case = weighings.cases[row]
        if case.report.traps_pooled > 1:
            continue
        mine = c.neighbours(row)
        night = [
            n
            for n in range(mine.start, mine.stop)
            if c.others[n].same_night and not c.others[n].same_trap and not c.stranger[n]
        ]
        low = c.other_low[night]
        if night and not np.isnan(low).all():
            gain = _sum_log_ratio(weighings, row, np.nansum(low, axis=0))
            prior = weighings.settings.priors.traps_pooled * ALL_CAME_SHARE
            yield row, float(np.log(prior)) + gain, len(night) + 1


def _sum_log_ratio(weighings: Weighings, row: int, siblings: FloatArray) -> float:
    """Return the log ratio of "this trap and its siblings added up" over "this trap alone" for one list."""
    c, known = weighings.catches, weighings.known[row]
    rest = c.low[row] - siblings
    plain = log_pmf(np.maximum(rest, 0.0), c.mean[row], c.size[row])
    added = np.where(rest >= 0.0, np.log1p(-EDITED) + plain, np.log(EDITED) + weighings.own[row])
    return float(np.sum(np.where(known, added - weighings.own[row], 0.0)))


def night_logs(weighings: Weighings, rows: IntArray, *, traps: int = 1) -> FloatArray:
    """Return the log chance (m,) of whole lists when ``traps`` are added up, the night's factor summed out.

    Traps added up vary less: the traps' own part by 1/n, the site's part not at all; the root is between.
    """
    c, grid, log_weights = weighings.catches, *_night_grid(weighings.settings.night_log_sd)
    logs = log_honest(
        c.low[rows, None, :],
        c.high[rows, None, :],
        traps * grid[:, None] * c.mean[rows, None, :],
        c.size[rows, None, :] * np.sqrt(traps),
        ceiling=c.ceiling[rows, None, :],
        extreme_share=weighings.extreme_share[rows, None, :],
    )
    return np.asarray(np.logaddexp.reduce(log_weights + logs.sum(axis=2), axis=1))


def _night_grid(log_sd: float) -> tuple[FloatArray, FloatArray]:
    """Return night factors and their log weights (7,), log-normal with median one."""
    z = np.linspace(-2.25, 2.25, 7)
    log_weights = -0.5 * z * z
    return np.exp(log_sd * z), log_weights - np.logaddexp.reduce(log_weights)
