"""The level index of one group: an activity-density per trap-night for each region and period.

It is the mean over gardens of what a standard trap catches, averaged over habitats by fixed published
weights. Volunteers are self-selected; no interval can show what that does.
"""

from __future__ import annotations

import numpy as np

from surveys.methods.cell_rates import CellMoments, cell_moments, mean_covariates, quasi_weights, weighted_rates
from surveys.methods.guard import estimate_guard
from surveys.methods.intervals import mover_limit, normal_quantile, pivot_limit
from surveys.methods.level_cells import (
    Levels,
    describe_cells,
    empty_result,
    lean_on_prior,
    pooled_rate,
    unbounded_cells,
)
from surveys.methods.level_fit import Fit, fit_cells, fit_group
from surveys.methods.level_layout import (
    Layout,
    arrange_rows,
    check_counts,
    check_rows,
    split_bounded,
    with_counts,
)
from surveys.methods.level_records import (
    OPEN_ABOVE,
    Floats,
    LevelInput,
    LevelResult,
    LevelSettings,
    SharedParts,
)
from surveys.methods.poststratification import (
    factor_log_variance,
    habitat_factor,
    habitat_support,
    merge_habitats,
    thin_habitats,
)
from surveys.methods.shared_effects import exposure_of
from surveys.methods.site_lattice import Imputation

MOST_OPEN = 0.99  # share of a total that classes may leave open, so that the interval stays finite
SMALLEST_CLUMPING = 1e-300  # the pivot is Poisson long before


def estimate_level(
    rows: LevelInput, settings: LevelSettings, *, held: SharedParts | None = None, layout: Layout | None = None
) -> LevelResult:
    """Estimate the activity-density of one group in every cell, with an interval and a gate.

    Parameters: ``rows`` the usable returns of one group; ``settings`` the constants; ``held`` what all cells share
    as an earlier estimate found it, so that only the cells are computed; None to learn it from ``rows``;
    ``layout`` the same returns of another group, checked and arranged before (only beside ``held``, and of use only
    where no class is without an upper end in a whole cell and no habitats were merged).
    Returns: LevelResult with one LevelCell for each of ``rows.n_cells``.
    Raises: ValueError when the arrays do not belong together.
    References: METHODS.md, section 5; each equation names its source where it is written.
    """
    if held is None or layout is None:
        check_rows(rows)
    else:
        check_counts(rows)
    bounded, unbounded = split_bounded(rows)
    if bounded.cell.size == 0:
        return empty_result(unbounded, settings)
    merged = thin_habitats(*habitat_support(bounded), settings) if held is None else held.merged_habitats
    bounded = merge_habitats(bounded, merged)
    usable = held is not None and layout is not None and bounded is rows
    layout = with_counts(layout, rows.low, rows.high) if layout and usable else arrange_rows(bounded)
    fit = fit_group(layout, settings) if held is None else fit_cells(layout, settings, held)
    shared = held or describe_shared(layout, fit, merged, settings)
    levels = estimate_cells(layout, bounded, fit, shared, settings)
    cells = describe_cells(layout, rows.n_cells, fit, levels, settings)
    for number, cell in unbounded_cells(unbounded, fit.effects.beta, pooled_rate(fit), settings).items():
        cells[number] = cell
    signs = (
        (not (fit.imputed.counts > 0).any(), "no_animals"),
        (unbounded.cell.size > 0, "no_upper_bound"),
        (len(merged) > 1, "habitats_merged"),
        (shared.leaning, "components_lean_on_prior"),
        (not shared.guard_steady, "guard_not_usable"),
        (not (shared.settled and fit.settled), "effects_not_settled"),
    )
    return LevelResult(
        cells=tuple(cells),
        beta=tuple(float(effect) for effect in fit.effects.beta),
        site_variance=fit.components.site,
        night_variance=fit.components.night,
        guard=shared.guard,
        components_lean_on_prior=shared.leaning,
        iterations=fit.iterations,
        warnings=tuple(code for holds, code in signs if holds),
        shared=shared,
    )


def describe_shared(layout: Layout, fit: Fit, merged: tuple[int, ...], settings: LevelSettings) -> SharedParts:
    """Gather what all cells share, the guard with it, from a fit to all returns."""
    exposure = exposure_of(fit.sample, fit.effects.beta)
    guard, steady = estimate_guard(fit.sample, fit.sample_imputed, exposure, fit.components, settings)
    return SharedParts(
        beta=fit.effects.beta,
        covariance=fit.effects.covariance,
        site_variance=fit.components.site,
        night_variance=fit.components.night,
        guard=guard,
        guard_steady=steady,
        merged_habitats=merged,
        leaning=lean_on_prior(layout, fit.imputed.counts, settings),
        settled=fit.settled,
    )


def estimate_cells(layout: Layout, rows: LevelInput, fit: Fit, shared: SharedParts, settings: LevelSettings) -> Levels:
    """Compute rate, pivot and post-stratified interval of every cell that has returns.

    Parameters: ``layout`` of ``rows``; ``fit``; ``shared`` with the guard; ``settings``. Returns: Levels.
    Raises: nothing. References: METHODS.md, section 5.
    """
    exposure, components = fit.exposure, fit.components
    start = np.exp(fit.effects.levels)
    rates = weighted_rates(layout, fit.imputed.counts, exposure, components, start=start, rounds=fit.rate_rounds)
    weight = quasi_weights(layout, exposure * rates[layout.row_cell], components).row
    moments = cell_moments(layout, fit.imputed.counts, exposure, weight, components)
    factor = habitat_factor(fit.effects.beta, rows.habitat_weights, rows.covariates_of_habitat)
    mix = mean_covariates(layout, exposure, weight)
    log_variance = factor_log_variance(factor, mix, fit.effects.covariance)
    low, median, high = pivot_limits(layout, fit.imputed, weight, moments, shared.guard, confidence=settings.confidence)
    z = normal_quantile(settings.confidence)
    low, high = mover_limit(median, low, log_variance, z=-z), mover_limit(median, high, log_variance, z=z)
    return Levels(rates * factor.value, low * factor.value, high * factor.value, shared.guard)


def pivot_limits(
    layout: Layout, imputed: Imputation, weight: Floats, moments: CellMoments, guard: float, *, confidence: float
) -> tuple[Floats, Floats, Floats]:
    """Return lower limit, median and upper limit of each cell's rate by the pivot.

    Limits never lie outside those that all lowest, or all highest, counts of the classes would give; the lower
    limit is 0 where no return needs an animal. References: METHODS.md, section 5.5.
    """
    dispersion, size = pivot_moments(layout, imputed, weight, moments, guard)
    tails = ((1.0 - confidence) / 2.0, 0.5, (1.0 + confidence) / 2.0)
    low, median, high = (pivot_limit(moments.total, moments.exposure, dispersion, size, below=below) for below in tails)
    if layout.classed.any():
        full_size = moments.exposure**2 / np.maximum(guard * moments.clumping, SMALLEST_CLUMPING)
        highest = np.where(layout.high == OPEN_ABOVE, np.inf, layout.high)
        lowest_total, highest_total = layout.by_cell(weight * layout.low), layout.by_cell(weight * highest)
        bounded = np.isfinite(highest_total)
        top = np.where(bounded, highest_total, 0.0)
        floor = pivot_limit(lowest_total, moments.exposure, moments.dispersion, full_size, below=tails[0])
        ceiling = pivot_limit(top, moments.exposure, moments.dispersion, full_size, below=tails[2])
        low, high = np.maximum(low, floor), np.where(bounded, np.minimum(high, ceiling), high)
    needs_animals = layout.by_cell(layout.low.astype(float)) > 0
    return np.where(needs_animals, low, 0.0), np.clip(median, low, high), high


def pivot_moments(
    layout: Layout, imputed: Imputation, weight: Floats, moments: CellMoments, guard: float
) -> tuple[Floats, Floats]:
    """Return phi and kappa of each cell, widened by the guard and by what classes leave open.

    References: METHODS.md, section 5.5: kappa = Tw^2 / C, then kappa (1 - lambda) and phi / (1 - lambda).
    """
    rates = moments.total / moments.exposure
    clumping = np.maximum(guard * moments.clumping, SMALLEST_CLUMPING)
    total_variance = moments.dispersion * moments.exposure * rates + rates**2 * clumping
    left_open = layout.by_cell(weight**2 * imputed.variance)
    share = left_open / np.where(total_variance > 0, total_variance, 1.0)
    known = 1.0 - np.clip(share, 0.0, MOST_OPEN)
    return moments.dispersion / known, moments.exposure**2 / clumping * known
