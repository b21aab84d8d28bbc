"""What goes into the level index of one group, and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from surveys.vocabulary import IndexLabel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

OPEN_ABOVE = -1  #: the ``high`` of a class without an upper bound


@dataclass(frozen=True, slots=True, eq=False)
class LevelInput:
    """The usable returns of one group, one entry of each array per return (n of them).

    ``effort`` is in trap-nights x rim offset. ``low`` and ``high`` bound the count: equal when exact,
    ``high`` -1 for a class open above. ``covariates`` (n, p): habitat minus reference, fresh, season
    linear and quadratic, each centred and of the order of one (the ridge is a prior of sd 2 on each).
    ``night`` numbers the site-nights. ``covariates_of_habitat`` (H, p) is the row at which each habitat
    is predicted (settled, mid-season); ``habitat_weights`` (H,) are the published weights, summing to 1.
    """

    cell: Ints
    site: Ints
    effort: Floats
    low: Ints
    high: Ints
    covariates: Floats
    habitat: Ints
    night: Ints
    n_cells: int
    habitat_weights: Floats
    covariates_of_habitat: Floats


@dataclass(frozen=True, slots=True)
class LevelSettings:
    """The constants of the level index. Defaults are those of the method study."""

    confidence: float = 0.95
    ridge: float = 0.25  # method study 1.2: prior sd 2 on each effect
    guard_seed: int = 20260321  # any fixed number; it is stored with the run
    guard_draws: int = 12  # method study 1.7
    guard_power: float = 1.25  # 1.0 in the study; why it is raised stands in guard.py
    site_prior_centre: float = 0.8  # method study 1.3, median of a log-normal
    night_prior_centre: float = 1.0  # method study 1.3
    prior_log_sd: float = 1.0  # method study 1.3
    lattice_step: float = 0.3  # method study 1.3, on log site rate
    gate_sites: int = 10  # method study 7.2
    gate_site_nights: int = 20  # method study 7.2
    gate_expected_count: float = 10.0  # method study 7.2, from the pooled rate
    wide_above: float = 0.5  # method study 7.2, planning relative standard error
    lean_below_sites: int = 30  # method study 7.4, sites with animals
    thin_habitat_sites: int = 5  # method study 7.4
    thin_habitat_animals: int = 5  # method study 7.4


@dataclass(frozen=True, slots=True)
class LevelCell:
    """The index of one cell: rates per trap-night, averaged over habitats by the published weights.

    ``estimate``, ``low`` and ``high`` are None only in a cell without any return; otherwise ``high`` is
    finite. ``expected_count`` comes from the pooled rate and this cell's effort. ``more_sites_needed`` is
    0 once the gate is passed. ``code`` is one of shown, wide, few_sites, few_site_nights,
    few_expected, no_returns.
    """

    estimate: float | None
    low: float | None
    high: float | None
    sites: int
    site_nights: int
    returns: int
    trap_nights: float
    expected_count: float
    planning_rse: float | None
    shown: IndexLabel
    more_sites_needed: int
    code: str


@dataclass(frozen=True, slots=True)
class LevelResult:
    """All cells of one group with what they share.

    ``site_variance`` is the squared coefficient of variation between sites, ``night_variance`` that of
    nights within a site. ``guard`` (>= 1) has widened every interval. ``warnings`` are codes.
    """

    cells: tuple[LevelCell, ...]
    beta: tuple[float, ...]
    site_variance: float
    night_variance: float
    guard: float
    components_lean_on_prior: bool
    iterations: int
    warnings: tuple[str, ...]
