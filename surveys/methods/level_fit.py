"""Shared effects, class expectations and variance components of one group, repeated until they agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surveys.methods.cell_rates import Components
from surveys.methods.classes import start_counts
from surveys.methods.dispersion import START, estimate_components
from surveys.methods.level_layout import Layout
from surveys.methods.level_records import Floats, LevelSettings
from surveys.methods.shared_effects import SharedEffects, exposure_of, fit_shared_effects
from surveys.methods.site_lattice import Imputation, impute_counts, nodes_for

COMPONENT_ROUNDS = 4  # two are the rule; the others are for data far from the start values
COMPONENT_TOLERANCE = 0.02  # relative; a tenth of what 100 sites can tell
CLASS_ROUNDS = 60  # method study 1.4: until nothing moves; three rounds leave bias
CLASS_TOLERANCE = 0.001  # on the log scale, half the 0.002 of method study 1.4


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Shared effects, imputed counts and components that agree with one another."""

    effects: SharedEffects
    imputed: Imputation
    components: Components
    iterations: int
    settled: bool


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
    )


def settle_classes(
    layout: Layout, counts: Floats, components: Components, settings: LevelSettings, start: SharedEffects | None
) -> tuple[SharedEffects, Imputation, int, bool]:
    """Repeat effects and class expectations at fixed components until neither moves.

    References: method study 1.2 and 1.4.
    """
    imputed = Imputation(counts, np.zeros_like(counts))
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


def fit_group(layout: Layout, settings: LevelSettings) -> Fit:
    """Fit effects, components and class expectations until the components stay.

    Parameters: ``layout``; ``settings``. Returns: Fit, its effects with covariance. Raises: nothing.
    References: method study 1.1 to 1.4.
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
    effects = fit_shared_effects(
        layout,
        imputed.counts,
        site_variance=components.site,
        night_variance=components.night,
        ridge=settings.ridge,
        start=effects,
    )
    return Fit(effects, imputed, components, iterations + rounds, settled)
