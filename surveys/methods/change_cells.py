"""What is said of each region and period: ratio and limits, by site or sparse, and what the gate makes of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from surveys.methods.change_contrasts import Contrasts, Scatter
from surveys.methods.change_gate import ChangeDesign, pass_change_gate
from surveys.methods.change_layout import FitLayout, Flags, Visits, sum_by_region
from surveys.methods.change_records import BY_SITE, NO_METHOD, SPARSE, ChangeCell, ChangeSettings, Influences
from surveys.methods.change_sparse import (
    Pairs,
    Totals,
    f_limit,
    f_p_value,
    pair_visits,
    pooled_dispersion,
    sum_open,
    total_pairs,
)
from surveys.methods.intervals import LARGEST_LOG
from surveys.methods.level_records import Floats


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """One period against the base in all regions: ``pairs`` of visits, their ``totals``, all by region (R,).

    ``by_site`` and ``sparse`` say which method is used. ``log_ratio``, ``scatter`` (variance) and ``effective`` gardens
    are by site, nan or 0 where it is not defined; ``counting`` is the least log variance that counts alone allow.
    ``rest`` is the number of other base periods if the period is in the base itself, else 0.
    """

    pairs: Pairs
    totals: Totals
    by_site: Flags
    sparse: Flags
    log_ratio: Floats
    scatter: Floats
    effective: Floats
    counting: Floats
    rest: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Figures:
    """Ratio, limits, log standard error, degrees of freedom and p-value by region (R,); nan where there is none."""

    ratio: Floats
    low: Floats
    high: Floats
    log_se: Floats
    df: Floats
    p_value: Floats
    effective: Floats


def by_region(values: Floats, layout: FitLayout, chosen: Flags, n_regions: int, absent: float) -> Floats:
    """Carry one period's figures from blocks (B,) to regions (R,); a period belongs to one block of its region."""
    found = np.full(n_regions, absent)
    found[layout.block_region[chosen]] = values[chosen]
    return found


def against_all_base(ratio: Floats, rest: Floats) -> Floats:
    """Turn the ratio to the other base periods into the ratio to the mean of all: k rho / (rho + k - 1)."""
    return np.asarray(np.where(rest > 0, (rest + 1.0) * ratio / (ratio + np.where(rest > 0, rest, 1.0)), ratio))


def slope_of_base(ratio: Floats, rest: Floats) -> Floats:
    """Derivative of the log of :func:`against_all_base` by the log ratio: (k - 1) / (rho + k - 1), 1 outside."""
    return np.asarray(np.where(rest > 0, rest / (ratio + np.where(rest > 0, rest, 1.0)), 1.0))


def compare_period(
    visits: Visits,
    layout: FitLayout,
    contrasts: Contrasts,
    scatter: Scatter,
    *,
    period: int,
    base: tuple[int, ...],
    settings: ChangeSettings,
) -> Comparison:
    """Collect what both methods know of one period, and choose between them.

    Sparse: fewer than 5 animals in the period or 10 in the base, on gardens visited in both, or periods that catches
    do not link both ways. References: METHODS.md, sections 6.2 and 6.3.
    """
    pairs = pair_visits(visits, period, base)
    totals = total_pairs(pairs, visits)
    used = contrasts.defined[:, period]
    many = (totals.period_count >= settings.sparse_period_animals) & (totals.base_count >= settings.sparse_base_animals)
    regions = visits.n_regions
    defined = by_region(used.astype(float), layout, used, regions, 0.0) > 0
    visited_base = sum_by_region(visits.visited[:, list(base)].astype(float), visits) > 0
    rest = np.maximum(visited_base.sum(axis=1) - 1.0, 0.0) if period in base else np.zeros(regions)
    variance = scatter.variance[:, period] + scatter.open[:, period]  # v / (1 - lambda), lambda = open / (v + open)
    counting = sum(1.0 / np.maximum(count, 0.5) for count in (totals.period_count, totals.base_count))
    return Comparison(
        pairs=pairs,
        totals=totals,
        by_site=defined & many,
        sparse=(totals.gardens > 0) & ~(defined & many),
        log_ratio=by_region(contrasts.log_ratio[:, period], layout, used, regions, np.nan),
        scatter=by_region(variance, layout, used, regions, np.nan),
        effective=by_region(scatter.effective[:, period], layout, used, regions, 0.0),
        counting=counting * slope_of_base(np.nan_to_num(totals.middle, nan=1.0), rest) ** 2,
        rest=rest,
    )


def figures_by_site(comparison: Comparison, extra: Floats, settings: ChangeSettings) -> Figures:
    """exp(log I -+ t sqrt(v)) with 1 / sum h^2 - 1 degrees of freedom; none with fewer than two effective gardens.

    v is never below what the counts alone allow: gardens that happen to agree do not make animals certain. ``extra``
    log variance is taken as known, so that it raises the degrees of freedom (Satterthwaite 1946, from memory).
    """
    known = comparison.effective >= settings.fewest_effective_sites
    scatter = np.where(known, np.maximum(comparison.scatter, comparison.counting), 1.0)
    df = np.where(known, np.maximum(comparison.effective, 1.0 + 1e-9) - 1.0, 1.0) * (1.0 + extra / scatter) ** 2
    error = np.sqrt(scatter + extra)
    reach = special.stdtrit(df, 0.5 + settings.confidence / 2.0) * error
    log_ratio = np.where(comparison.by_site, comparison.log_ratio, 0.0)
    low, high = (np.exp(np.clip(log_ratio + side * reach, -LARGEST_LOG, LARGEST_LOG)) for side in (-1.0, 1.0))
    p_value = 2.0 * special.stdtr(df, -np.abs(log_ratio) / error)
    low, high, error, df, p_value = (np.where(known, values, np.nan) for values in (low, high, error, df, p_value))
    return Figures(np.exp(log_ratio), low, high, error, df, p_value, comparison.effective)


def figures_sparse(comparison: Comparison, dispersion: Floats, extra: Floats, settings: ChangeSettings) -> Figures:
    """Limits of the F pivot; a factor with ``extra`` log variance widens them on the log scale (MOVER).

    References: Zou & Donner 2008 for the widening (from memory).
    """
    totals, rest = comparison.totals, comparison.rest
    sides = (totals.middle, totals.period_count, totals.base_count, dispersion)
    middle = against_all_base(totals.middle, rest)
    tail, z = (1.0 - settings.confidence) / 2.0, special.ndtri(0.5 + settings.confidence / 2.0)
    limits = []
    for share, side in ((tail, -1.0), (1.0 - tail, 1.0)):
        limit = np.maximum(against_all_base(f_limit(*sides, share), rest), 1e-300)
        gap = np.log(limit) - np.log(middle)
        wide = np.log(middle) + side * np.sqrt(gap**2 + z**2 * extra)
        limits.append(np.exp(np.clip(wide, -LARGEST_LOG, LARGEST_LOG)))
    counts = dispersion * (1.0 / (totals.period_count + 0.5) + 1.0 / (totals.base_count + 0.5))
    error = np.sqrt(counts * slope_of_base(totals.middle, rest) ** 2 + extra)
    p_value = np.where(extra > 0, 2.0 * special.ndtr(-np.abs(np.log(middle)) / error), f_p_value(*sides))
    low = np.where(totals.period_count > 0, limits[0], 0.0)
    ratio = against_all_base(totals.ratio, rest)
    return Figures(ratio, low, limits[1], error, np.full(ratio.size, np.nan), p_value, totals.effective)


def dispersion_of(comparisons: list[Comparison], visits: Visits) -> list[Floats]:
    """Dispersion of every sparse cell (R,) by period: pooled over all of them, plus what classes leave open."""
    if not comparisons:
        return []
    sparse = np.array([c.sparse & (c.totals.base_count > 0) for c in comparisons])
    excess = np.array([c.totals.excess for c in comparisons])[sparse]
    pooled = pooled_dispersion(excess, np.array([c.totals.expected for c in comparisons])[sparse])
    animals = np.maximum(sum_by_region(visits.counts, visits), 1e-12)
    left_open = sum_open(visits) / animals
    return [pooled + left_open[:, period] for period in range(len(comparisons))]


def gather_influences(
    visits: Visits, layout: FitLayout, scatter: Scatter, comparisons: list[Comparison], dispersion: list[Floats]
) -> Influences:
    """Lay out the influence and share of every garden by the method that its cell uses."""
    shape = (visits.n_regions, len(comparisons))
    value, share = (np.zeros(visits.counts.shape) for _ in range(2))
    model, left_open, counting = (np.zeros(shape) for _ in range(3))
    for t, comparison in enumerate(comparisons):
        chosen = comparison.by_site[visits.region[layout.garden]]
        value[layout.garden[chosen], t] = scatter.influence[chosen, t]
        share[layout.garden[chosen], t] = scatter.share[chosen, t]
        pairs, slope = (
            comparison.pairs,
            slope_of_base(np.nan_to_num(comparison.totals.middle, nan=1.0), comparison.rest),
        )
        few = comparison.sparse[pairs.region]
        value[pairs.garden[few], t] = (comparison.totals.influence * slope[pairs.region])[few]
        share[pairs.garden[few], t] = comparison.totals.share[few]
        used = layout.member[:, t]
        by_site = by_region(scatter.model[:, t], layout, used, shape[0], 0.0)
        model[:, t] = np.where(comparison.sparse, comparison.totals.model * dispersion[t] * slope**2, by_site)
        by_site = by_region(scatter.open[:, t], layout, used, shape[0], 0.0)
        left_open[:, t] = np.where(comparison.sparse, 0.0, by_site)
        counting[:, t] = comparison.counting
    return Influences(visits.site, visits.region, value, share, model, left_open, counting)


def choose(comparison: Comparison, by_site: Floats, sparse: Floats) -> Floats:
    """Take the figure of the method that each region uses, nan for none."""
    return np.asarray(np.where(comparison.by_site, by_site, np.where(comparison.sparse, sparse, np.nan)))


def merge_figures(comparison: Comparison, by_site: Figures, sparse: Figures) -> Figures:
    """Put the figures of both methods together, region by region."""
    names = ("ratio", "low", "high", "log_se", "df", "p_value", "effective")
    return Figures(*(choose(comparison, getattr(by_site, name), getattr(sparse, name)) for name in names))


def number_or_none(value: float) -> float | None:
    """Turn nan and infinity into None: nothing that is not a number leaves this file."""
    return float(value) if np.isfinite(value) else None


def describe_period(
    visits: Visits,
    comparison: Comparison,
    figures: Figures,
    *,
    period: int,
    base: tuple[int, ...],
    settings: ChangeSettings,
) -> list[ChangeCell]:
    """Describe one period in every region."""
    visited = sum_by_region(visits.visited.astype(float), visits) > 0
    if base == (period,):
        return [base_cell(region, period, bool(visited[region, period])) for region in range(visits.n_regions)]
    cells = []
    for region in range(visits.n_regions):
        others = [b for b in base if b != period]
        design = ChangeDesign(
            visited_period=bool(visited[region, period]),
            visited_base=bool(visited[region, others].any()),
            revisited_sites=int(comparison.totals.gardens[region]),
            effective_sites=float(np.nan_to_num(figures.effective[region])),
            animals_base=float(comparison.totals.base_count[region]),
            animals_period=float(comparison.totals.period_count[region]),
        )
        shown, code, missing = pass_change_gate(design, settings)
        method = BY_SITE if comparison.by_site[region] else SPARSE if comparison.sparse[region] else NO_METHOD
        has_ratio = design.animals_base > 0
        cells.append(
            ChangeCell(
                region=region,
                period=period,
                ratio=number_or_none(figures.ratio[region]) if has_ratio else None,
                low=number_or_none(figures.low[region]),
                high=number_or_none(figures.high[region]),
                log_se=number_or_none(figures.log_se[region]),
                df=number_or_none(figures.df[region]),
                effective_sites=design.effective_sites,
                revisited_sites=design.revisited_sites,
                animals_base=design.animals_base,
                animals_period=design.animals_period,
                method=method,
                p_value=number_or_none(figures.p_value[region]),
                shown=shown,
                code=code,
                more_sites_needed=missing,
            )
        )
    return cells


def base_cell(region: int, period: int, visited: bool) -> ChangeCell:
    """Describe the single base period: 1 by definition, without an interval."""
    code, ratio = ("is_base", 1.0) if visited else ("no_returns", None)
    return ChangeCell(
        region,
        period,
        ratio,
        None,
        None,
        None,
        None,
        0.0,
        0,
        0.0,
        0.0,
        NO_METHOD,
        None,
        False,
        code,
        0 if visited else 1,
    )
