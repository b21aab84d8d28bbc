"""Shared effects, class expectations and variance components of one group, repeated until they agree."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from surveys.methods.cell_rates import RATE_ROUNDS, Components, weighted_rates
from surveys.methods.classes import start_counts
from surveys.methods.dispersion import START, estimate_components
from surveys.methods.level_layout import Layout
from surveys.methods.level_records import Floats, LevelSettings, SharedParts
from surveys.methods.level_sample import sample_plots
from surveys.methods.shared_effects import (
    NO_ANIMALS,
    STEP_TOLERANCE,
    SharedEffects,
    above_zero,
    exposure_of,
    fit_shared_effects,
    start_point,
)
from surveys.methods.site_lattice import Imputation, impute_counts, nodes_for

COMPONENT_ROUNDS = 4  # two are the rule; the others are for data far from the start values
COMPONENT_TOLERANCE = 0.02  # relative; a tenth of what 100 sites can tell
CLASS_ROUNDS = 60  # METHODS.md, section 4: until nothing moves; three rounds leave bias
CLASS_TOLERANCE = 0.001  # METHODS.md, section 4, on the log scale
HELD_TOLERANCE = 1e-6  # of a rate beside held parts; three more rounds follow it
STEP_IN_CLASS_ROUNDS = 1e-5  # on the log scale; the last fit, with the classes settled, goes further


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Shared effects, imputed counts and components that agree with one another.

    ``exposure`` m (n,) is effort times shared effects. ``sample`` and ``sample_imputed`` are the returns from which
    the components were learned: all of them, unless the season is large. ``rate_rounds`` are left for the rates.
    """

    effects: SharedEffects
    exposure: Floats
    imputed: Imputation
    components: Components
    iterations: int
    settled: bool
    sample: Layout
    sample_imputed: Imputation
    rate_rounds: int = RATE_ROUNDS


def fit_effects(
    layout: Layout, counts: Floats, components: Components, settings: LevelSettings, start: SharedEffects | None
) -> SharedEffects:
    """Fit the shared effects once at the given components, without their covariance."""
    return fit_shared_effects(
        layout,
        counts,
        site_variance=components.site,
        night_variance=components.night,
        ridge=settings.ridge,
        start=start,
        with_covariance=False,
        tolerance=STEP_IN_CLASS_ROUNDS if layout.classed.any() else STEP_TOLERANCE,
    )


def settle_classes(
    layout: Layout, counts: Floats, components: Components, settings: LevelSettings, start: SharedEffects | None
) -> tuple[SharedEffects, Imputation, int, bool]:
    """Repeat effects and class expectations at fixed components until neither moves.

    References: METHODS.md, sections 4 and 5.2.
    """
    imputed = Imputation(counts, np.zeros_like(counts))
    if start is not None and layout.classed.any():
        effects = replace(start, levels=start_point(layout, counts, start).levels)
    else:
        effects = fit_effects(layout, counts, components, settings, start)
    if not layout.classed.any():
        return effects, imputed, effects.steps, effects.converged
    nodes = nodes_for(layout, counts, settings.lattice_step)
    moved, rounds = np.inf, 0
    while moved > CLASS_TOLERANCE and rounds < CLASS_ROUNDS:
        levels = np.where(np.isfinite(effects.levels), effects.levels, 0.0)
        log_mean = np.log(exposure_of(layout, effects.beta)) + levels[layout.row_cell]
        imputed = impute_counts(layout, log_mean, components, nodes, settings.lattice_step)
        newer = fit_effects(layout, imputed.counts, components, settings, effects)
        change = np.where(np.isfinite(newer.levels), newer.levels, 0.0) - levels
        moved, rounds = float(np.abs(np.r_[change, newer.beta - effects.beta]).max()), rounds + 1
        effects = newer
    return effects, imputed, rounds, moved <= CLASS_TOLERANCE and effects.converged


def learn_components(
    layout: Layout, settings: LevelSettings
) -> tuple[Components, SharedEffects, Imputation, int, bool]:
    """Fit effects, components and class expectations in turn until the components stay.

    References: METHODS.md, section 5.1 to 5.3.
    """
    components, counts = START, start_counts(layout.low, layout.high)
    effects: SharedEffects | None = None
    iterations, change = 0, np.inf
    while change > COMPONENT_TOLERANCE and iterations < COMPONENT_ROUNDS:
        effects, imputed, _, _ = settle_classes(layout, counts, components, settings, effects)
        newer = estimate_components(layout, effects, imputed.counts, settings, components)
        ratio = np.array([newer.site / components.site, newer.marginal_night / components.marginal_night])
        if not np.isfinite(ratio).all():
            break  # every animal may be none at all: the counts say nothing of the components, so the last ones stay
        change, iterations = float(np.abs(np.log(ratio)).max()), iterations + 1
        components, counts = newer, imputed.counts
    effects, imputed, rounds, settled = settle_classes(layout, counts, components, settings, effects)
    return components, effects, imputed, iterations + rounds, settled


def fit_group(layout: Layout, settings: LevelSettings) -> Fit:
    """Fit the components to the sample and the shared effects to all returns.

    Parameters: ``layout``; ``settings``. Returns: Fit, its effects with covariance. Raises: nothing.
    References: METHODS.md, section 5.1 to 5.3.
    """
    sample = sample_plots(layout, settings.sample_returns)
    components, effects, sampled, iterations, settled = learn_components(sample, settings)
    imputed = sampled
    if sample is not layout:
        first = start_counts(layout.low, layout.high)
        effects, imputed, rounds, settled = settle_classes(layout, first, components, settings, effects)
        iterations += rounds
    effects = fit_shared_effects(
        layout,
        imputed.counts,
        site_variance=components.site,
        night_variance=components.night,
        ridge=settings.ridge,
        start=effects,
    )
    exposure = exposure_of(layout, effects.beta)
    return Fit(effects, exposure, imputed, components, iterations, settled, sample, sampled)


def fit_cells(layout: Layout, settings: LevelSettings, held: SharedParts, *, exposure: Floats | None = None) -> Fit:
    """Fit the level of each cell alone, all that cells share being held as an earlier estimate left it.

    Parameters: ``layout``; ``settings``; ``held``; ``exposure`` (n,) where it is known: no covariates are read then.
    Returns: Fit. Raises: nothing. References: METHODS.md, section 14.
    """
    components = Components(held.site_variance, held.night_variance)
    exposure = exposure_of(layout, held.beta) if exposure is None else exposure
    counts = start_counts(layout.low, layout.high)
    imputed = Imputation(counts, np.zeros_like(counts))
    rates = layout.by_cell(counts) / layout.by_cell(exposure)
    log_exposure = np.log(exposure)
    nodes = nodes_for(layout, counts, settings.lattice_step)
    moved, rounds, classed = np.inf, 0, bool(layout.classed.any())
    tolerance = CLASS_TOLERANCE if classed else HELD_TOLERANCE
    while moved > tolerance and rounds < CLASS_ROUNDS:
        before = rates
        if classed:
            log_mean = log_exposure + np.log(above_zero(rates))[layout.row_cell]
            imputed = impute_counts(layout, log_mean, components, nodes, settings.lattice_step)
        rates = weighted_rates(layout, imputed.counts, exposure, components, start=before, rounds=2 if classed else 1)
        moved = float(np.abs(np.log(above_zero(rates) / above_zero(before))).max())
        rounds += 1
    levels = np.where(rates > 0, np.log(above_zero(rates)), NO_ANIMALS)
    settled = moved <= tolerance
    effects = SharedEffects(levels, held.beta, held.covariance, rounds, settled)
    return Fit(effects, exposure, imputed, components, rounds, settled, layout, imputed, rate_rounds=1)
