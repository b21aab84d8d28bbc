"""The log ratio of a period to the base, and its variance from the scatter between gardens."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surveys.methods.change_fit import PeriodLevels, anchored
from surveys.methods.change_lattice import Lattice, cut_pieces, garden_terms
from surveys.methods.change_layout import FitLayout, Flags
from surveys.methods.level_records import Floats

NEARLY_ALL = 1.0 - 1e-9  # a share of information; keeps 1 / (1 - h) finite where one garden says everything
NO_SLOPE = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Contrasts:
    """Per block and period (B, T): is it ``defined``, its ``log_ratio``, and the ``gradient`` (B, T, T) by levels."""

    defined: Flags
    log_ratio: Floats
    gradient: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Scatter:
    """Per garden and period (G, T): ``influence`` on the log ratio and ``share`` of its information.

    Per block and period (B, T): ``variance`` from the scatter, ``effective`` gardens, ``model`` variance, and what
    classes leave ``open``.
    """

    influence: Floats
    share: Floats
    variance: Floats
    effective: Floats
    model: Floats
    open: Floats


def contrast_with_base(layout: FitLayout, levels: Floats, base: tuple[int, ...]) -> Contrasts:
    """Form log I_t = delta_t - log mean over the base of exp(delta_b), with its gradient.

    A base period in which no garden caught anything counts in the mean as 0; one that was not visited does not count.
    Parameters: ``layout``; ``levels`` (B, T); ``base`` period numbers. Returns: Contrasts, not defined where the block
    has no base period, or where part of the base cannot be compared. Raises: nothing.
    References: METHODS.md, section Change.
    """
    n_periods = layout.member.shape[1]
    in_base = np.isin(np.arange(n_periods), base)
    weight = np.exp(levels) * (layout.member & in_base)
    total, periods = weight.sum(axis=1), ((layout.member | layout.emptied) & in_base).sum(axis=1)
    usable = (total > 0) & ~(layout.astray & in_base).any(axis=1)
    mean = np.where(usable, total, 1.0) / np.maximum(periods, 1)
    share = weight / np.where(usable, total, 1.0)[:, None]
    gradient = np.eye(n_periods) - share[:, None, :]
    compared = np.abs(gradient).max(axis=2, initial=0.0) > NO_SLOPE  # a base of the period alone compares nothing
    return Contrasts(usable[:, None] & layout.member & compared, levels - np.log(mean)[:, None], gradient)


def scatter_of_gardens(layout: FitLayout, fitted: PeriodLevels, contrasts: Contrasts, lattice: Lattice) -> Scatter:
    """Variance of each log ratio: sum of squared influences, each over one minus its share of the information.

    With a = H^-1 g the influence of garden s is a' psi_s and its share h_s = a' H_s a / a' H a, which sums to 1; then
    v = sum (a' psi_s)^2 / (1 - h_s), and 1 / sum h_s^2 is the effective number of gardens. What classes leave open is
    the sum of Var(y_i) (d a' psi_s / d y_i)^2.
    Parameters: as fitted. Returns: Scatter. Raises: nothing.
    References: Bell & McCaffrey 2002 (CR2 and its degrees of freedom; from memory): the division by 1 - h is CR2 where
    each cluster has one residual.
    """
    size = layout.member.shape
    gradient = np.where(contrasts.defined[:, :, None], contrasts.gradient, 0.0).transpose(0, 2, 1)
    lever = np.linalg.solve(anchored(fitted.information, layout), gradient)
    model = np.einsum("btc,btc->bc", gradient, lever)
    influence, share = np.zeros((layout.garden.size, size[1])), np.zeros((layout.garden.size, size[1]))
    left_open = np.zeros(size)
    classed = bool((layout.variance > 0).any())
    for piece in cut_pieces(layout, fitted.levels, lattice.nodes.size):
        gardens = slice(piece.first, piece.last)
        terms, own = garden_terms(piece, size[1], lattice, with_slope=classed), lever[layout.block[gardens]]
        influence[gardens] = np.einsum("gt,gtc->gc", terms.score, own)
        share[gardens] = np.einsum("gtc,gtc->gc", own, np.matmul(terms.information, own))
        if terms.slope is not None:
            first = int(layout.start[piece.first])
            variance = layout.variance[first : first + piece.count.size]
            pull = np.einsum("nt,ntc->nc", terms.slope, own[piece.owner])
            np.add.at(left_open, layout.block[gardens][piece.owner], variance[:, None] * pull**2)
    known = np.where(model > 0, model, 1.0)
    share = np.clip(share / known[layout.block], 0.0, NEARLY_ALL)
    squares = [np.zeros(size) for _ in range(2)]
    np.add.at(squares[0], layout.block, influence**2 / (1.0 - share))
    np.add.at(squares[1], layout.block, share**2)
    effective = np.where(squares[1] > 0, 1.0 / np.where(squares[1] > 0, squares[1], 1.0), 0.0)
    return Scatter(influence, share, squares[0], effective, model, left_open)
