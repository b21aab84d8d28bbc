"""What goes into the change index of one group, and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surveys.methods.level_records import OPEN_ABOVE, Floats, Ints

BY_SITE = "by_site"  #: each site against itself, variance from the scatter between sites
SPARSE = "sparse"  #: too few animals for that: an F pivot on totals
NO_METHOD = "none"  #: nothing to compare


@dataclass(frozen=True, slots=True, eq=False)
class ChangeInput:
    """The usable returns of one group, one entry of each array per return (n of them).

    ``period`` numbers seasons in time order from 0. ``effort`` is in trap-nights x rim offset, with every shared
    effect (habitat, fresh trap, season, temperature) multiplied in. ``low`` and ``high`` bound the count: equal when
    exact, ``high`` -1 for a class open above.
    """

    region: Ints
    period: Ints
    site: Ints
    effort: Floats
    low: Ints
    high: Ints
    n_regions: int
    n_periods: int


@dataclass(frozen=True, slots=True, eq=False)
class ImputedCounts:
    """``counts`` (n,) as the level fit expects them (the number itself where exact) and their ``variance`` (n,)."""

    counts: Floats
    variance: Floats


@dataclass(frozen=True, slots=True)
class ChangeSettings:
    """The constants of the change index; where they come from stands in METHODS.md, section Change."""

    working_night_variance: float = 0.3  # a fixed working value; 0 is the conditional Poisson model
    base_periods: int = 3  # mean of the first three seasons; Knape 2023 (from memory) on single base years
    confidence: float = 0.95
    gate_revisited_sites: int = 10
    gate_effective_sites: float = 6.0
    gate_animals: float = 20.0  # base + period together: never a count alone
    sparse_period_animals: float = 5.0
    sparse_base_animals: float = 10.0
    fewest_effective_sites: float = 2.0  # below, t has less than one degree of freedom: no interval by site
    lattice_step: float = 0.15  # on the stretched axis of each site, see change_lattice.py
    lattice_reach: float = 4.8  # on the same axis, both ways


@dataclass(frozen=True, slots=True)
class ChangeCell:
    """The change of one region from the base to one period.

    ``ratio`` is activity-density in the period over its mean in the base, site by site; None where it is not
    defined. ``low``, ``high``, ``log_se``, ``df`` and ``p_value`` (two-sided, against no change) are None where no
    interval can be given; none is ever infinite. ``revisited_sites`` have returns in the period and in the base;
    ``animals_base`` and ``animals_period`` are counted on them. ``effective_sites`` is 1 / sum of squared shares of
    information. ``code`` is one of shown, is_base, no_returns, no_base_returns, no_revisited_sites,
    few_revisited_sites, few_animals, no_animals_in_base, few_effective_sites.
    """

    region: int
    period: int
    ratio: float | None
    low: float | None
    high: float | None
    log_se: float | None
    df: float | None
    effective_sites: float
    revisited_sites: int
    animals_base: float
    animals_period: float
    method: str
    p_value: float | None
    shown: bool
    code: str
    more_sites_needed: int


@dataclass(frozen=True, slots=True, eq=False)
class Influences:
    """What each site adds to the log ratio of each period, for composites of several groups.

    ``site`` (U,) and ``region`` (U,) name the rows; ``value`` (U, T) is the influence on the log ratio and
    ``share`` (U, T) the site's share of its information, both 0 where the site says nothing.
    ``model_variance`` (R, T) is the variance the working model gives the log ratio, ``open_variance`` (R, T) what
    classes leave open of it, ``counting_variance`` (R, T) the least that counts alone allow.
    """

    site: Ints
    region: Ints
    value: Floats
    share: Floats
    model_variance: Floats
    open_variance: Floats
    counting_variance: Floats


@dataclass(frozen=True, slots=True, eq=False)
class ChangeResult:
    """All regions and periods of one group.

    ``cells`` run over regions, then periods. ``base`` lists the periods whose mean is 1. ``warnings`` are codes:
    classes_without_expectations, not_converged.
    """

    cells: tuple[ChangeCell, ...]
    base: tuple[int, ...]
    influences: Influences
    n_regions: int
    n_periods: int
    iterations: int
    warnings: tuple[str, ...]

    def cell(self, region: int, period: int) -> ChangeCell:
        """Return the cell of a region and period."""
        return self.cells[region * self.n_periods + period]


def base_of(n_periods: int, settings: ChangeSettings) -> tuple[int, ...]:
    """Return the base periods: the first three seasons, or the first alone while there is none after three.

    With two or three seasons a mean of three would leave nothing to compare with it, so the first season is the
    base until the fourth has begun. Parameters: number of seasons so far; ``settings``. Returns: period numbers.
    Raises: nothing.
    """
    return tuple(range(settings.base_periods if n_periods > settings.base_periods else min(n_periods, 1)))


def check_change_rows(rows: ChangeInput, imputed: ImputedCounts | None) -> None:
    """Refuse arrays that do not belong together or lie outside their range.

    Parameters: ``rows``; ``imputed``. Returns: nothing. Raises: ValueError with the first fault found.
    """
    n = rows.region.size
    one_each = [rows.period, rows.site, rows.effort, rows.low, rows.high]
    if imputed is not None:
        one_each += [imputed.counts, imputed.variance]
    rules = (
        (all(array.shape == (n,) for array in one_each), "every array needs one entry per return"),
        (rows.n_regions >= 0 and rows.n_periods >= 0, "numbers of regions and periods must be zero or more"),
        (bool(((rows.region >= 0) & (rows.region < rows.n_regions)).all()), "regions must be numbered 0 to n - 1"),
        (bool(((rows.period >= 0) & (rows.period < rows.n_periods)).all()), "periods must be numbered 0 to n - 1"),
        (bool((np.isfinite(rows.effort) & (rows.effort > 0)).all()), "effort must be a number above zero"),
        (bool((rows.low >= 0).all()), "counts must be zero or more"),
        (bool(((rows.high >= rows.low) | (rows.high == OPEN_ABOVE)).all()), "a class must not end below its start"),
        (
            imputed is None or bool((np.isfinite(imputed.counts) & (imputed.counts >= 0)).all()),
            "imputed counts must be zero or more",
        ),
        (
            imputed is None or bool((np.isfinite(imputed.variance) & (imputed.variance >= 0)).all()),
            "imputed variances must be zero or more",
        ),
    )
    for holds, sentence in rules:
        if not holds:
            raise ValueError(sentence)
