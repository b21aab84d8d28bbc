"""The likelihood of a garden's counts with its own level integrated out, and its first two derivatives.

L(delta) = integral over l of prod_i NB(y_i; E_i exp(delta_t(i) + l), V) dl: the level l of a garden has a flat weight
on the log scale and no assumed distribution. V is a fixed working variance; at V = 0 what remains is the multinomial,
that is the conditional Poisson likelihood.

The integral is a trapezoid sum over l = centre + scale x sinh(t) with even steps in t (the sinh member of the
double-exponential family; Takahasi & Mori 1974, from memory), centre and scale being those of the integrand itself.
A lattice of one step for all gardens fails where a garden has many returns: its integrand is then narrower than the
step. At step 0.15 and reach 4.8 the score is right to 1e-9 and the information to 1e-8 (2 to 60 returns, means 0.05 to
500; against a sum seven times finer).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from surveys.methods.change_layout import FitLayout
from surveys.methods.level_records import Floats, Ints

PIECE = 150_000  # returns x nodes held at a time: a megabyte an array, near the speed of the cache
CENTRE_STEPS = 8  # Newton steps to the mode; the sum does not need it exactly
FURTHEST_LOWER, FURTHEST_UPPER = -600.0, 60.0  # keeps exp() within floating point


@dataclass(frozen=True, slots=True)
class Lattice:
    """Working variance ``night_variance``, even ``step`` and ``reach`` of the stretched axis."""

    night_variance: float
    step: float
    reach: float

    @property
    def nodes(self) -> Floats:
        """Return the nodes (K,) on the even axis."""
        half = round(self.reach / self.step)
        return np.asarray(np.arange(-half, half + 1) * self.step, dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """``score`` (G, T) and ``information`` (G, T, T) of each garden for the log levels of the periods.

    ``slope`` (n, T) is the derivative of the garden's score by each single count, where it was asked for.
    """

    score: Floats
    information: Floats
    slope: Floats | None


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Some gardens ``first`` to ``last`` with their returns: counts, exposures, periods and owners from 0."""

    first: int
    last: int
    count: Floats
    exposure: Floats
    period: Ints
    owner: Ints
    start: Ints

    def by_garden(self, values: Floats) -> Floats:
        """Sum the first axis (n, ...) over gardens."""
        return np.asarray(np.add.reduceat(values, self.start, axis=0))

    def by_period(self, values: Floats, n_periods: int) -> Floats:
        """Sum returns (n, ...) over gardens and periods, shape (G, T, ...)."""
        new = np.ones(self.period.size, dtype=bool)
        new[1:] = (np.diff(self.owner) != 0) | (np.diff(self.period) != 0)
        at = np.flatnonzero(new)
        total = np.zeros((self.start.size, n_periods, *values.shape[1:]))
        total[self.owner[at], self.period[at]] = np.add.reduceat(values, at, axis=0)
        return total


def cut_pieces(layout: FitLayout, levels: Floats, nodes: int) -> Iterator[Piece]:
    """Cut the gardens into pieces that fit in little memory.

    Parameters: ``layout``; log ``levels`` (B, T); number of ``nodes``. Returns: pieces in order. Raises: nothing.
    """
    log_exposure = np.log(layout.effort) + levels[layout.block[layout.row_garden], layout.period]
    ends = np.r_[layout.start, layout.count.size][1:]
    share = (ends - 1) * nodes // PIECE
    for number in np.unique(share):
        first, last = np.searchsorted(share, [number, number + 1]).tolist()
        rows = slice(int(layout.start[first]), int(ends[last - 1]))
        yield Piece(
            first=first,
            last=last,
            count=layout.count[rows],
            exposure=np.exp(log_exposure[rows]),
            period=layout.period[rows],
            owner=layout.row_garden[rows] - first,
            start=layout.start[first:last] - layout.start[first],
        )


def poisson_terms(piece: Piece, n_periods: int, *, with_slope: bool = False) -> Terms:
    """Score and information of the conditional Poisson likelihood: n_t - n p_t and n (diag p - p p').

    Parameters: ``piece``; number of periods. Returns: Terms. Raises: nothing.
    References: McCullagh & Nelder 1989 (conditional likelihood of Poisson totals; from memory).
    """
    counts, exposure = (piece.by_period(values, n_periods) for values in (piece.count, piece.exposure))
    share = exposure / exposure.sum(axis=1, keepdims=True)
    total = counts.sum(axis=1)
    spread = share[:, :, None] * (np.eye(n_periods) - share[:, None, :])
    slope = np.eye(n_periods)[piece.period] - share[piece.owner] if with_slope else None
    return Terms(counts - total[:, None] * share, total[:, None, None] * spread, slope)


def centre_gardens(piece: Piece, night_variance: float) -> tuple[Floats, Floats]:
    """Find the mode of each garden's log level and the standard deviation by its curvature there, (G,) each."""
    counts, size = piece.count, 1.0 / night_variance
    level = np.log(piece.by_garden(counts) / piece.by_garden(piece.exposure))
    for _ in range(CENTRE_STEPS + 1):
        clear = 1.0 / (1.0 + night_variance * piece.exposure * np.exp(level[piece.owner]))
        curvature = piece.by_garden((counts + size) * clear * (1.0 - clear))
        move = piece.by_garden((counts + size) * clear - size) / curvature
        level = level + np.clip(move, -1.0, 1.0)
    return level, 1.0 / np.sqrt(curvature)


def integrated_terms(piece: Piece, n_periods: int, lattice: Lattice, *, with_slope: bool = False) -> Terms:
    """Score and information of the integrated likelihood by Louis' formula.

    With q = 1 / (1 + V mu) a return adds (y + 1/V) q - 1/V to the complete score and (y + 1/V) q (1 - q) to the
    complete information; the score is the mean of the first over the garden's level, the information the mean of the
    second less the covariance of the first.
    Parameters: ``piece``; number of periods; ``lattice`` with V > 0. Returns: Terms. Raises: nothing.
    References: Louis 1982 (from memory).
    """
    variance, size = lattice.night_variance, 1.0 / lattice.night_variance
    level, scale = centre_gardens(piece, variance)
    nodes = lattice.nodes
    away = np.clip(scale[:, None] * np.sinh(nodes), FURTHEST_LOWER, FURTHEST_UPPER)
    at_centre = variance * piece.exposure * np.exp(level[piece.owner])
    crowd = at_centre[:, None] * np.exp(away)[piece.owner]
    weight = piece.count[:, None] + size
    log_height = piece.by_garden(piece.count)[:, None] * away + np.log(np.cosh(nodes))
    log_height -= piece.by_garden(weight * np.log1p(crowd))
    height = np.exp(log_height - log_height.max(axis=1, keepdims=True))
    height /= height.sum(axis=1, keepdims=True)
    clear = 1.0 / (1.0 + crowd)
    complete = piece.by_period(weight * clear - size, n_periods)
    score = np.einsum("gtk,gk->gt", complete, height)
    complete -= score[:, :, None]
    known = piece.by_period(weight * clear * (1.0 - clear), n_periods)
    information = -np.matmul(complete * height[:, None, :], complete.transpose(0, 2, 1))
    information[:, np.arange(n_periods), np.arange(n_periods)] += np.einsum("gtk,gk->gt", known, height)
    slope = count_slopes(piece, height, complete, clear, crowd) if with_slope else None
    return Terms(score, information, slope)


def count_slopes(piece: Piece, height: Floats, complete: Floats, clear: Floats, crowd: Floats) -> Floats:
    """Differentiate the score of each garden by each of its counts, (n, T).

    d score / d y_i = mean of q_i in the period of i, plus the covariance of the complete score with
    d log NB / d y_i = log(V mu_i) - log(1 + V mu_i).
    Parameters: weights ``height`` (G, K) of the nodes; ``complete`` (G, T, K) centred complete scores; ``clear`` q and
    ``crowd`` V mu (n, K). Returns: slopes. Raises: nothing. References: own construction; METHODS.md, section Change.
    """
    weighted = complete * height[:, None, :]
    turn = np.log(crowd) + np.log(clear)
    slope = np.stack([np.einsum("nk,nk->n", weighted[piece.owner, t], turn) for t in range(complete.shape[1])], axis=1)
    slope[np.arange(piece.period.size), piece.period] += np.einsum("nk,nk->n", clear, height[piece.owner])
    return np.asarray(slope)


def garden_terms(piece: Piece, n_periods: int, lattice: Lattice, *, with_slope: bool = False) -> Terms:
    """Score and information at the working variance of the lattice; 0 is the conditional Poisson likelihood."""
    if lattice.night_variance == 0.0:
        return poisson_terms(piece, n_periods, with_slope=with_slope)
    return integrated_terms(piece, n_periods, lattice, with_slope=with_slope)
