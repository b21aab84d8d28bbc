"""Counts of many returns beside what is usual for each: the arrays on which all weighing works.

The catches of returns that share a form stand in arrays (n, G); every sum runs along the groups of one return, so
that a return has the same values alone and among others.

References: gamma-Poisson conjugacy: Gelman et al. (2013) Bayesian Data Analysis, 3rd ed., section 2.6 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from surveys.methods.records import Answer, Counts, Neighbour, Usual
from surveys.methods.screening_chances import (
    LEAST_MEAN,
    bounds_of,
    cut_to_expected,
    point_of,
    predictive,
    update_site,
)
from surveys.methods.screening_records import BoolArray, FloatArray, IntArray, ScreeningCase, ScreeningSettings


@dataclass(frozen=True, slots=True, eq=False)
class Catch:
    """One return's counts beside what is usual, for the G groups of the form that have a usual value.

    ``low`` and ``high`` (G,) bound the count (``high`` infinite for the open class, both NaN when not answered);
    ``point`` (G,) is the number used where one is needed; ``mean`` and ``size`` (G,) are the predictive negative
    binomial of this trap and exposure; ``ceiling`` (G,) the most a cup holds.
    """

    groups: tuple[str, ...]
    low: FloatArray
    high: FloatArray
    point: FloatArray
    mean: FloatArray
    size: FloatArray
    ceiling: FloatArray
    expected_total: FloatArray  # (G,) of the region's cell

    @property
    def known(self) -> BoolArray:
        """Say which groups have an answer that bounds a count."""
        known: BoolArray = ~np.isnan(self.low)
        return known


@dataclass(frozen=True, slots=True, eq=False)
class Catches:
    """The catches of n returns with the same G groups: all arrays (n, G), as in :class:`Catch`.

    ``shape`` and ``rate`` (n, G) are the gamma of the site's own factor.
    ``others`` are the K neighbours of all returns one after the other: ``of`` (K,) says whose, ``came_before`` (K,)
    whether it is of this site and was received before, ``stranger`` (K,) whether it is of another household,
    ``first`` (n + 1,) where each return's begin; ``other_low``, ``other_high`` (K, G) bound their counts.
    """

    groups: tuple[str, ...]
    low: FloatArray
    high: FloatArray
    point: FloatArray
    mean: FloatArray
    size: FloatArray
    ceiling: FloatArray
    expected_total: FloatArray
    shape: FloatArray
    rate: FloatArray
    others: tuple[Neighbour, ...]
    of: IntArray
    came_before: BoolArray
    stranger: BoolArray
    first: IntArray
    other_low: FloatArray
    other_high: FloatArray

    @property
    def known(self) -> BoolArray:
        """Say which answers (n, G) bound a count."""
        known: BoolArray = ~np.isnan(self.low)
        return known

    def __len__(self) -> int:
        """Return how many returns there are."""
        return len(self.low)

    def one(self, row: int) -> Catch:
        """Return the catch of one return."""
        return Catch(
            groups=self.groups,
            low=self.low[row],
            high=self.high[row],
            point=self.point[row],
            mean=self.mean[row],
            size=self.size[row],
            ceiling=self.ceiling[row],
            expected_total=self.expected_total[row],
        )

    def neighbours(self, row: int) -> slice:
        """Return where the neighbours of one return stand."""
        return slice(int(self.first[row]), int(self.first[row + 1]))


@dataclass(slots=True, eq=False)
class Bounds:
    """Bounds of answers for one list of groups, each list of answers read once (returns of a site share them)."""

    groups: tuple[str, ...]
    _read: dict[int, tuple[tuple[Answer, ...], FloatArray, FloatArray]] = field(default_factory=dict)

    def of(self, answers: tuple[Answer, ...] | Counts) -> tuple[FloatArray, FloatArray]:
        """Return ``low`` and ``high`` (G,) of the answers."""
        if isinstance(answers, Counts):
            return bounds_of(answers, self.groups)
        found = self._read.get(id(answers))
        if found is None:
            # The answers are kept beside their bounds, so that no other list can get their identity meanwhile.
            found = self._read[id(answers)] = (answers, *bounds_of(answers, self.groups))
        return found[1], found[2]

    def stack(self, listed: Sequence[tuple[Answer, ...] | Counts]) -> tuple[FloatArray, FloatArray]:
        """Return ``low`` and ``high`` (n, G) of n lists of answers."""
        room = (len(listed), len(self.groups))
        if not listed:
            return np.empty(room), np.empty(room)
        found = [self.of(answers) for answers in listed]
        return np.stack([low for low, _ in found]), np.stack([high for _, high in found])


def read_catches(cases: Sequence[ScreeningCase], bounds: Bounds, settings: ScreeningSettings) -> Catches:
    """Return the counts of returns of one form beside their predictive distributions.

    The groups of ``bounds`` are those of the form that have a usual value, the same for all cases.
    """
    groups = bounds.groups
    low, high = bounds.stack([case.answers for case in cases])
    mean, size, shape, rate, ceiling = _usual_arrays(cases, groups)
    others = tuple(one for case in cases for one in (*case.neighbours, *case.later, *case.strangers))
    number = np.array([len(c.neighbours) + len(c.later) + len(c.strangers) for c in cases], dtype=np.int64)
    came = np.array(
        [relation for c in cases for relation in _relations(len(c.neighbours), len(c.later), len(c.strangers))],
        dtype=np.int64,
    )
    of = np.repeat(np.arange(len(cases)), number)
    other_low, other_high = bounds.stack([one.answers for one in others])
    siblings = np.flatnonzero(
        [one.same_night and not one.same_trap for one in others] & (came != STRANGER) if others else []
    )
    night = night_factors(
        mean * shape / rate, size, of=of[siblings], low=other_low[siblings], high=other_high[siblings],
        settings=settings,
    )  # fmt: skip
    nights = np.array([case.trap_nights for case in cases])[:, None]
    predicted, spread = predictive(mean * night * nights, size, shape, rate)
    return Catches(
        groups=groups,
        low=low,
        high=high,
        point=point_of(low, high),
        mean=np.maximum(predicted, LEAST_MEAN),
        size=spread,
        ceiling=ceiling,
        expected_total=_expected_totals(cases, groups),
        shape=shape,
        rate=rate,
        others=others,
        of=of,
        came_before=came == BEFORE,
        stranger=came == STRANGER,
        first=np.concatenate([[0], np.cumsum(number)]),
        other_low=other_low,
        other_high=other_high,
    )


BEFORE, LATER, STRANGER = range(3)


def _relations(before: int, later: int, strangers: int) -> list[int]:
    """Return what each neighbour of one return is to it, in their order."""
    return [BEFORE] * before + [LATER] * later + [STRANGER] * strangers


def _usual_arrays(cases: Sequence[ScreeningCase], groups: tuple[str, ...]) -> FloatArray:
    """Return mean, size, site shape, site rate and ceiling, together (5, n, G)."""
    found = np.empty((len(cases), len(groups), 5))
    for row, case in enumerate(cases):
        found[row] = np.reshape(_rows_of(case.usual, groups), (len(groups), 5))
    return np.ascontiguousarray(np.moveaxis(found, 2, 0))


def _rows_of(usual: tuple[Usual, ...], groups: tuple[str, ...]) -> list[tuple[float, ...]]:
    by_group = {one.group: (one.mean, one.size, one.site_shape, one.site_rate, float(one.ceiling)) for one in usual}
    return [by_group[group] for group in groups]


def _expected_totals(cases: Sequence[ScreeningCase], groups: tuple[str, ...]) -> FloatArray:
    """Return what each return's cell was expected to catch (n, G); cells are shared by many returns."""
    of_cell: dict[int, FloatArray] = {}
    for case in cases:
        if id(case.region) not in of_cell:
            place = {group: at for at, group in enumerate(case.region.groups)}
            of_cell[id(case.region)] = np.asarray(case.region.expected_total, dtype=float)[
                [place[group] for group in groups]
            ]
    return np.stack([of_cell[id(case.region)] for case in cases])


def night_factors(
    expected: FloatArray,
    size: FloatArray,
    *,
    of: IntArray,
    low: FloatArray,
    high: FloatArray,
    settings: ScreeningSettings,
) -> FloatArray:
    """Return how rich each night is (n, G), group by group, from the other traps of the site that night.

    The posterior mean of a gamma with mean one and the variance between nights, each sibling with a weight below one.
    ``expected`` (n, G): what a sibling would catch at this site; ``size`` (n, G): within the site; ``of`` (S,) says
    whose siblings the S rows of ``low`` and ``high`` (S, G) are. One without siblings.
    """
    shape = np.full_like(expected, 1.0 / settings.night_log_sd**2)
    if not len(of):
        return np.ones_like(expected)
    there, k = expected[of], size[of]
    known = ~np.isnan(low)
    counts = cut_to_expected(np.where(known, point_of(low, high), 0.0), there)
    trusted = np.where(known, settings.sibling_trust, 0.0)
    nothing = np.zeros_like(there)
    gained, offered = update_site(nothing, nothing, (trusted * counts)[None], (trusted * there)[None], k[None])
    above, below = shape.copy(), shape.copy()
    np.add.at(above, of, gained)
    np.add.at(below, of, offered)
    factor: FloatArray = above / below
    return factor
