"""What somebody who has every published total can work out: which sums over few gardens follow from them.

Every published stratum and every published total is a sum over *parts*: the pieces of the strata that no publication
splits further. A sum over some parts can be worked out exactly if and only if it is a linear combination of what is
published, that is, if every null vector of the publications sums to zero over those parts.

References: subtraction and linear attacks on tables, Willenborg & de Waal 2001 Elements of Statistical Disclosure
Control, chapters on tabular data (from memory). The search over parts is this project's own construction.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize

from surveys.methods.level_records import Floats

ROUNDING = 1e-6  # of the linear programme
UNBOUNDED = 3  # what scipy.optimize.linprog calls it
ZERO = 1e-7  # entries are 0 and 1; anything smaller is rounding
MOST_SUMS = 200_000  # combinations that are tried; beyond, the answer is "cannot be ruled out"


@dataclass(frozen=True, slots=True)
class Part:
    """A piece of a stratum that no publication splits: its ``sites``, its number of ``returns``, and where it is."""

    sites: frozenset[str]
    returns: int
    members: frozenset[int]  # numbers of the publications that hold it


@dataclass(frozen=True, slots=True)
class Leak:
    """What follows: the ``parts`` of a sum over fewer than k gardens, and the ``publications`` that may be used for it.

    ``pinned``: the number of returns of that part follows from counts not being negative. Both tuples are empty when
    the search was cut off, so that a leak could only not be ruled out.
    """

    parts: tuple[int, ...]
    publications: tuple[int, ...]
    pinned: bool = False


def incidence(parts: Sequence[Part], publications: int) -> Floats:
    """Return the 0/1 matrix (publications, parts)."""
    matrix = np.zeros((publications, len(parts)))
    for column, part in enumerate(parts):
        matrix[sorted(part.members), column] = 1.0
    return matrix


def find_leak(parts: Sequence[Part], publications: int, k: int, *, fresh: int | None = None) -> Leak | None:
    """Find a sum over parts with fewer than ``k`` gardens together that follows from the publications.

    First sums that follow exactly; then single parts whose number of returns is pinned because no count is negative.
    What follows without the first ``fresh`` publications (all of them by default) is known already and no leak.
    Parameters: ``parts``; number of ``publications``; ``k``; ``fresh``. Returns: Leak, None if there is none.
    Raises: nothing.
    References: module docstring.
    """
    matrix = incidence(parts, publications)
    small = [number for number, part in enumerate(parts) if len(part.sites) < k]
    null = linalg.null_space(matrix) if publications else np.eye(len(parts))
    known = matrix[publications if fresh is None else fresh :]
    if (summed := find_exact_sum(parts, small, null, known, k)) is not None:
        return Leak(summed, used_by(matrix, summed))
    for number in small:
        if is_pinned(parts, matrix, number) and not is_pinned(parts, known, number):
            return Leak((number,), tuple(sorted(linked_to(matrix, number))), pinned=True)
    return None


def ends_without(leak: Leak, parts: Sequence[Part], matrix: Floats, publication: int) -> bool:
    """Say whether a leak ends when one publication is withheld."""
    left = np.delete(matrix, publication, axis=0)
    if leak.pinned:
        return not is_pinned(parts, left, leak.parts[0])
    return not follows(left, leak.parts)


def follows(matrix: Floats, numbers: tuple[int, ...]) -> bool:
    """Say whether a sum of parts is a linear combination of the rows of a matrix."""
    if not matrix.shape[0]:
        return False
    wanted = np.zeros(matrix.shape[1])
    wanted[list(numbers)] = 1.0
    weights = np.linalg.lstsq(matrix.T, wanted, rcond=None)[0]
    return bool(np.abs(matrix.T @ weights - wanted).max() <= ZERO)


def linked_to(matrix: Floats, number: int) -> set[int]:
    """Numbers of all publications that share parts, step by step, with those that hold a part."""
    linked = set(np.flatnonzero(matrix[:, number]).tolist())
    while True:
        held = matrix[sorted(linked)].any(axis=0)
        wider = set(np.flatnonzero(matrix[:, held].any(axis=1)).tolist())
        if wider <= linked:
            return linked
        linked |= wider


def find_exact_sum(
    parts: Sequence[Part], small: Sequence[int], null: Floats, known: Floats, k: int
) -> tuple[int, ...] | None:
    """Return the parts of a sum that follows exactly, () when too many had to be tried, None when there is none.

    Sums that follow from the rows of ``known`` are left out.
    """
    for tried, (numbers, total) in enumerate(few_site_sums(parts, small, null, k)):
        if tried >= MOST_SUMS:
            return ()
        if np.abs(total).max(initial=0.0) <= ZERO and not follows(known, numbers):
            return numbers
    return None


def few_site_sums(
    parts: Sequence[Part], small: Sequence[int], null: Floats, k: int
) -> Iterator[tuple[tuple[int, ...], Floats]]:
    """Run over all sets of parts with fewer than ``k`` gardens together, with their sums of null vectors."""
    bit = {site: 1 << at for at, site in enumerate(sorted({s for n in small for s in parts[n].sites}))}
    masks = [sum(bit[site] for site in parts[number].sites) for number in small]
    waiting: list[tuple[int, int, tuple[int, ...], Floats]] = [(0, 0, (), np.zeros(null.shape[1]))]
    while waiting:
        first, mask, numbers, total = waiting.pop()
        for at in range(first, len(small)):
            joined = mask | masks[at]
            if joined.bit_count() < k:
                longer, sum_ = (*numbers, small[at]), total + null[small[at]]
                yield longer, sum_
                waiting.append((at + 1, joined, longer, sum_))


def used_by(matrix: Floats, numbers: tuple[int, ...]) -> tuple[int, ...]:
    """Return the publications that the linear combination for a sum of parts makes use of."""
    wanted = np.zeros(matrix.shape[1])
    wanted[list(numbers)] = 1.0
    weights = np.linalg.lstsq(matrix.T, wanted, rcond=None)[0]
    return tuple(np.flatnonzero(np.abs(weights) > ZERO).tolist())


def is_pinned(parts: Sequence[Part], matrix: Floats, number: int) -> bool:
    """Say whether a part's number of returns follows from the totals and from counts not being negative.

    Lowest and highest possible number by linear programming; pinned when fewer than two whole numbers lie between them.
    """
    if not matrix[:, number].any():
        return False
    totals = matrix @ np.array([float(part.returns) for part in parts])
    aim = np.zeros(len(parts))
    aim[number] = 1.0
    ends = [optimize.linprog(sign * aim, A_eq=matrix, b_eq=totals, bounds=(0, None)) for sign in (1.0, -1.0)]
    if any(end.status == UNBOUNDED for end in ends):
        return False
    low, high = (float(end.fun) if end.fun is not None else 0.0 for end in ends)  # unsolved counts as pinned
    return math.floor(-high + ROUNDING) - math.ceil(low - ROUNDING) < 1
