"""The change index of one group: activity-density of each period over its mean in the base, in each region.

Every garden is compared with itself, so that which gardens take part, and how rich they are, drops out. It is a change
of activity-density: a warm season walks faster (see temperature.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surveys.methods.change_cells import (
    Comparison,
    compare_period,
    describe_period,
    dispersion_of,
    figures_by_site,
    figures_sparse,
    gather_influences,
    merge_figures,
)
from surveys.methods.change_contrasts import Scatter, contrast_with_base, scatter_of_gardens
from surveys.methods.change_fit import PeriodLevels, fit_periods
from surveys.methods.change_lattice import Lattice
from surveys.methods.change_layout import FitLayout, Visits, arrange_fit, arrange_visits
from surveys.methods.change_records import (
    ChangeCell,
    ChangeInput,
    ChangeResult,
    ChangeSettings,
    ImputedCounts,
    base_of,
    check_change_rows,
)
from surveys.methods.classes import start_counts
from surveys.methods.level_records import Floats


@dataclass(frozen=True, slots=True, eq=False)
class Compared:
    """Everything that was fitted, before it is put in words: one comparison a period."""

    visits: Visits
    layout: FitLayout
    fitted: PeriodLevels
    scatter: Scatter
    comparisons: list[Comparison]
    dispersion: list[Floats]


def estimate_change(
    rows: ChangeInput,
    settings: ChangeSettings,
    *,
    imputed: ImputedCounts | None = None,
    extra_log_variance: Floats | None = None,
) -> ChangeResult:
    """Estimate the change of one group from the base to every period in every region.

    Parameters: ``rows`` the usable returns of one group; ``settings`` the constants; ``imputed`` counts that the level
    fit expects within classes, in the order of ``rows`` (without it classes are taken at their geometric middle, and
    the result says so); ``extra_log_variance`` (R, T) known error of a factor in the effort, as of temperature.
    Returns: ChangeResult with a ChangeCell for every region and period.
    Raises: ValueError when the arrays do not belong together.
    References: METHODS.md, section Change; each equation names its source where it is written.
    """
    check_change_rows(rows, imputed)
    if extra_log_variance is None:
        extra_log_variance = np.zeros((rows.n_regions, rows.n_periods))
    base = base_of(rows.n_periods, settings)
    compared = compare_all(rows, imputed or middle_of_classes(rows), base, settings)
    columns = [
        describe_one(compared, period, base, extra_log_variance[:, period], settings)
        for period in range(rows.n_periods)
    ]
    return ChangeResult(
        cells=tuple(column[region] for region in range(rows.n_regions) for column in columns),
        base=base,
        influences=gather_influences(
            compared.visits, compared.layout, compared.scatter, compared.comparisons, compared.dispersion
        ),
        n_regions=rows.n_regions,
        n_periods=rows.n_periods,
        iterations=compared.fitted.steps,
        warnings=list_warnings(rows, imputed, compared.fitted),
    )


def middle_of_classes(rows: ChangeInput) -> ImputedCounts:
    """Take every class at its geometric middle, for want of what the level fit expects."""
    return ImputedCounts(start_counts(rows.low, rows.high), np.zeros(rows.low.size))


def list_warnings(rows: ChangeInput, imputed: ImputedCounts | None, fitted: PeriodLevels) -> tuple[str, ...]:
    """List the codes of what a reader must know of the whole result."""
    unexpected = imputed is None and bool((rows.low != rows.high).any())
    found = (("classes_without_expectations", unexpected), ("not_converged", not fitted.converged))
    return tuple(code for code, holds in found if holds)


def compare_all(rows: ChangeInput, imputed: ImputedCounts, base: tuple[int, ...], settings: ChangeSettings) -> Compared:
    """Fit the periods of all regions and compare each with the base, by both methods."""
    visits = arrange_visits(rows, imputed)
    layout = arrange_fit(visits)
    lattice = Lattice(settings.working_night_variance, settings.lattice_step, settings.lattice_reach)
    fitted = fit_periods(layout, lattice)
    contrasts = contrast_with_base(layout, fitted.levels, base)
    scatter = scatter_of_gardens(layout, fitted, contrasts, lattice)
    comparisons = [
        compare_period(visits, layout, contrasts, scatter, period=period, base=base, settings=settings)
        for period in range(rows.n_periods)
    ]
    return Compared(visits, layout, fitted, scatter, comparisons, dispersion_of(comparisons, visits))


def describe_one(
    compared: Compared, period: int, base: tuple[int, ...], extra: Floats, settings: ChangeSettings
) -> list[ChangeCell]:
    """Put one period in words for every region, by the method that each region uses."""
    comparison = compared.comparisons[period]
    by_site = figures_by_site(comparison, extra, settings)
    sparse = figures_sparse(comparison, compared.dispersion[period], extra, settings)
    figures = merge_figures(comparison, by_site, sparse)
    return describe_period(compared.visits, comparison, figures, period=period, base=base, settings=settings)
