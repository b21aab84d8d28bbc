"""Small animals that were never looked for, written down as none.

A sender who counts only what is exciting has no springtails, no mites and no small flies, tonight and on every night
before. One night without them is ordinary, so the nights of a site are read together: before any animal of a group
is seen at a site, the gamma of the site's factor has its first shape, and (shape / rate)^shape is the chance of that
whole history.

References: gamma-Poisson: Gelman et al. (2013), section 2.6 (from memory); prior rate: planning value.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from surveys.methods.screening_records import BoolArray, FloatArray, Hunch
from surveys.methods.screening_telling import tell_small
from surveys.methods.screening_weighing import LEAST_LOG_ODDS, Weighings

LOOKED_BEFORE = 0.3  # not looking on one night, against never looking (planning value)
FEWEST_OTHERS = 2  # larger groups that were seen: an empty cup says nothing of who was looked for


def weigh_small(weighings: Weighings) -> Iterator[tuple[int, Hunch]]:
    """Yield, with its row, the suspicion that the small groups were not looked for."""
    small = np.array([g.replace("-", "_") in weighings.settings.small for g in weighings.catches.groups], dtype=bool)
    known = weighings.known[:, small]
    zero = known & (weighings.catches.low[:, small] == 0.0)
    rows = np.flatnonzero((zero.sum(axis=1) >= 2) & ~(known & ~zero).any(axis=1) & (weighings.seen >= FEWEST_OTHERS))
    if not len(rows):
        return
    never = _never_seen(weighings, small)[rows]
    tonight = -weighings.own[np.ix_(rows, np.flatnonzero(small))]
    gains = np.where(zero[rows], tonight + np.where(never, _history(weighings, small)[rows], 0.0), 0.0)
    # A site where one of them was seen has somebody who looks.
    log_odds = np.log(weighings.settings.priors.small_missed) + gains.sum(axis=1)
    looked = (zero[rows] & ~never).any(axis=1)
    log_odds = np.where(looked, np.log(LOOKED_BEFORE) + log_odds, log_odds)
    for n, row in enumerate(rows.tolist()):
        if log_odds[n] > LEAST_LOG_ODDS:
            yield row, tell_small(weighings.one(row), np.flatnonzero(small)[zero[row]].tolist(), float(log_odds[n]))


def _never_seen(weighings: Weighings, small: BoolArray) -> BoolArray:
    """Say for each return and small group (n, g) whether no neighbour that came before had any."""
    c = weighings.catches
    seen = np.zeros((len(c), int(small.sum())), dtype=bool)
    if len(c.others):
        ours = ~c.stranger
        np.logical_or.at(seen, c.of[ours], c.other_low[ours][:, small] > 0.0)
    return ~seen


def _history(weighings: Weighings, small: BoolArray) -> FloatArray:
    """Return minus the log chance (n, g) that a group was never caught on the site's earlier nights."""
    c = weighings.catches
    shape, rate = c.shape[:, small], c.rate[:, small]
    found: FloatArray = shape * np.log(np.maximum(rate / shape, 1.0))
    return found
