"""Newton's method for the log levels of the periods, all regions at once.

The log likelihood is concave (a negative binomial is log-concave in its log mean, and integrating a log-concave
function keeps that: Prékopa 1973, from memory), and every block is linked both ways, so there is one finite maximum.
Only differences between periods are determined; the levels of a block are kept summing to zero.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from surveys.methods.change_lattice import Lattice, cut_pieces, garden_terms
from surveys.methods.change_layout import FitLayout
from surveys.methods.level_records import Floats

LONGEST_STEP = 1.5  # on the log scale: a factor of 4.5 at a time
MOST_STEPS = 60
DAMP_AFTER = 12  # steps; from here on they are halved
COARSE_STEP, COARSE_TOLERANCE = 0.3, 1e-4  # the way there; the last steps are on the full lattice
TOLERANCE = 1e-7  # the step after this one would be of the order of its square


@dataclass(frozen=True, slots=True, eq=False)
class PeriodLevels:
    """Log ``levels`` (B, T) and their ``information`` (B, T, T), one last tiny step earlier, with the steps taken."""

    levels: Floats
    information: Floats
    steps: int
    converged: bool


def start_levels(layout: FitLayout) -> Floats:
    """Begin at the log of the plain rates of each block, shape (B, T)."""
    sums = [np.zeros(layout.member.shape) for _ in range(2)]
    at = (layout.block[layout.row_garden], layout.period)
    for total, values in zip(sums, (layout.count, layout.effort), strict=True):
        np.add.at(total, at, values)
    inside = layout.member & (sums[0] > 0)
    return centred(np.log(np.where(inside, sums[0], 1.0) / np.where(inside, sums[1], 1.0)), layout)


def centred(levels: Floats, layout: FitLayout) -> Floats:
    """Let the levels of each block sum to zero over its periods, and be zero outside."""
    mean = (levels * layout.member).sum(axis=1) / np.maximum(layout.member.sum(axis=1), 1)
    return np.where(layout.member, levels - mean[:, None], 0.0)


def anchored(information: Floats, layout: FitLayout) -> Floats:
    """Make the information (B, T, T) invertible: fix the sum within a block, and each period outside it."""
    size = np.trace(information, axis1=1, axis2=2)[:, None, None] + 1e-300
    inside = layout.member.astype(float)
    outside = np.eye(inside.shape[1]) * (1.0 - inside)[:, :, None]
    return np.asarray(information + size * (inside[:, :, None] * inside[:, None, :] + outside))


def total_terms(layout: FitLayout, levels: Floats, lattice: Lattice) -> tuple[Floats, Floats]:
    """Sum score and information of the gardens over each block: (B, T) and (B, T, T)."""
    n_blocks, n_periods = layout.member.shape
    score, information = np.zeros((n_blocks, n_periods)), np.zeros((n_blocks, n_periods, n_periods))
    for piece in cut_pieces(layout, levels, lattice.nodes.size):
        terms = garden_terms(piece, n_periods, lattice)
        np.add.at(score, layout.block[piece.first : piece.last], terms.score)
        np.add.at(information, layout.block[piece.first : piece.last], terms.information)
    return score, information


def climb(layout: FitLayout, levels: Floats, lattice: Lattice, tolerance: float) -> PeriodLevels:
    """Take Newton steps until none is longer than ``tolerance``."""
    information, largest, steps = np.zeros((*levels.shape, levels.shape[1])), np.inf, 0
    while largest > tolerance and steps < MOST_STEPS:
        score, information = total_terms(layout, levels, lattice)
        step = np.linalg.solve(anchored(information, layout), score[:, :, None])[:, :, 0]
        largest = float(np.abs(step).max(initial=0.0))
        damped = np.clip(step, -LONGEST_STEP, LONGEST_STEP) * (0.5 if steps >= DAMP_AFTER else 1.0)
        levels, steps = centred(levels + damped, layout), steps + 1
    return PeriodLevels(levels, information, steps, largest <= tolerance)


def fit_periods(layout: FitLayout, lattice: Lattice) -> PeriodLevels:
    """Find the log level of every period in every block.

    Parameters: ``layout``; ``lattice`` with the working variance. Returns: PeriodLevels, with the information at the
    levels (B may be 0). Raises: nothing.
    References: METHODS.md, section Change; start values from the conditional Poisson likelihood.
    """
    start = climb(layout, start_levels(layout), replace(lattice, night_variance=0.0), COARSE_TOLERANCE)
    coarse = climb(layout, start.levels, replace(lattice, step=max(lattice.step, COARSE_STEP)), COARSE_TOLERANCE)
    fine = climb(layout, coarse.levels, lattice, TOLERANCE)
    return replace(fine, steps=start.steps + coarse.steps + fine.steps)
