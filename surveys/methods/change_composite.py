"""Several groups in one figure: the geometric mean of their changes, its interval aware of shared gardens."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from surveys.methods.change_records import ChangeCell, ChangeResult, ChangeSettings
from surveys.methods.intervals import LARGEST_LOG
from surveys.methods.level_records import Floats


@dataclass(frozen=True, slots=True)
class CompositeCell:
    """The geometric mean of several groups' changes in one region and period.

    ``code`` is shown, show_singly (a member has no animals on one side, so a geometric mean does not exist),
    member_not_shown (it exists, but a member has not passed its gate), few_effective_sites, is_base or no_groups.
    ``without`` lists the members (by number) that stand in the way.
    """

    region: int
    period: int
    ratio: float | None
    low: float | None
    high: float | None
    log_se: float | None
    df: float | None
    effective_sites: float
    groups: int
    p_value: float | None
    shown: bool
    code: str
    without: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class CompositeSpread:
    """Log variance of the mean, and the effective number of gardens behind it."""

    variance: float
    effective: float


def is_positive(cell: ChangeCell) -> bool:
    """Say whether a member has animals in its base and in the period, and so a log."""
    return cell.ratio is not None and cell.ratio > 0.0 and cell.animals_base > 0.0


def garden_columns(members: Sequence[ChangeResult], region: int, period: int) -> tuple[Floats, Floats]:
    """Line up influences, each over sqrt(1 - share), and shares of all members by garden: (gardens, groups) each."""
    parts = [(m.influences, np.flatnonzero(m.influences.region == region)) for m in members]
    sites = np.unique(np.concatenate([influences.site[rows] for influences, rows in parts]))
    pull, share = np.zeros((sites.size, len(parts))), np.zeros((sites.size, len(parts)))
    for g, (influences, rows) in enumerate(parts):
        at = np.searchsorted(sites, influences.site[rows])
        part = np.minimum(influences.share[rows, period], 1.0 - 1e-9)
        pull[at, g] = influences.value[rows, period] / np.sqrt(1.0 - part)
        share[at, g] = part
    return pull, share


def composite_spread(members: Sequence[ChangeResult], region: int, period: int) -> CompositeSpread:
    """Variance of the mean log ratio: influences are summed within each garden over groups, then squared.

    A good or bad year of one garden moves all its groups; adding the groups' own variances would miss that. A
    garden's share of the composite is the mean of its shares, weighted by the variance that the working model gives
    each member. What classes leave open, and the least that counts allow, are independent between groups.
    Parameters: ``members`` of one survey (sites numbered alike); ``region``; ``period``.
    Returns: CompositeSpread. Raises: nothing.
    References: own construction on Bell & McCaffrey 2002; METHODS.md, section Change.
    """
    pull, share = garden_columns(members, region, period)
    model, left_open, counting = (
        np.array([getattr(m.influences, name)[region, period] for m in members])
        for name in ("model_variance", "open_variance", "counting_variance")
    )
    together = share @ (model / model.sum()) if model.sum() > 0 else np.zeros(share.shape[0])
    squares = float((together**2).sum())
    variance = float((pull.sum(axis=1) ** 2).sum() + left_open.sum()) / len(members) ** 2
    least = float(counting.sum()) / len(members) ** 2
    return CompositeSpread(max(variance, least), 1.0 / squares if squares > 0 else 0.0)


def composite_cell(
    members: Sequence[ChangeResult], region: int, period: int, settings: ChangeSettings
) -> CompositeCell:
    """Geometric mean of the members' ratios in one region and period, or the reason why there is none.

    Parameters: ``members`` one ChangeResult a group, of the same regions, periods and site numbers; ``settings``.
    Returns: CompositeCell. Raises: ValueError when the members are not of one shape.
    References: Buckland and others 2005 (from memory) for the geometric mean.
    """
    if len({(m.n_regions, m.n_periods, m.base) for m in members}) > 1:
        raise ValueError("found groups of different regions, periods or base; expected the same for every group")
    cells = [member.cell(region, period) for member in members]

    def nothing(code: str, without: tuple[int, ...] = (), ratio: float | None = None) -> CompositeCell:
        none = (None, None, None, None)
        return CompositeCell(region, period, ratio, *none, 0.0, len(cells), None, False, code, without)

    if not cells:
        return nothing("no_groups")
    if all(cell.code == "is_base" for cell in cells):
        return nothing("is_base", ratio=1.0)
    missing = tuple(g for g, cell in enumerate(cells) if not is_positive(cell))
    if missing:
        return nothing("show_singly", missing)
    log_ratio = float(np.mean([np.log(cell.ratio or 1.0) for cell in cells]))
    spread = composite_spread(members, region, period)
    if spread.effective < settings.fewest_effective_sites:
        return nothing("few_effective_sites", ratio=float(np.exp(log_ratio)))
    error, df = float(np.sqrt(spread.variance)), spread.effective - 1.0
    reach = float(special.stdtrit(df, 0.5 + settings.confidence / 2.0)) * error
    low, high = (float(np.exp(np.clip(log_ratio + s * reach, -LARGEST_LOG, LARGEST_LOG))) for s in (-1.0, 1.0))
    held_back = tuple(g for g, cell in enumerate(cells) if not cell.shown)
    return CompositeCell(
        region=region,
        period=period,
        ratio=float(np.exp(log_ratio)),
        low=low,
        high=high,
        log_se=error,
        df=df,
        effective_sites=spread.effective,
        groups=len(cells),
        p_value=float(2.0 * special.stdtr(df, -abs(log_ratio) / error)),
        shown=not held_back,
        code="member_not_shown" if held_back else "shown",
        without=held_back,
    )


def composite_change(members: Sequence[ChangeResult], settings: ChangeSettings) -> tuple[CompositeCell, ...]:
    """Composite of every region and period, regions first. Parameters and raises: as :func:`composite_cell`."""
    if not members:
        return ()
    shape = (members[0].n_regions, members[0].n_periods)
    return tuple(composite_cell(members, r, t, settings) for r in range(shape[0]) for t in range(shape[1]))
