"""What goes into the level index of one group, and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from surveys.vocabulary import IndexLabel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

OPEN_ABOVE = -1  #: the ``high`` of a class without an upper bound


@dataclass(frozen=True, slots=True, eq=False)
class LevelInput:
    """The usable returns of one group, one entry of each array per return (n of them).

    ``effort`` is in trap-nights x rim offset. ``low`` and ``high`` bound the count: equal when exact,
    ``high`` -1 for a class open above. ``covariates``: habitat minus reference, fresh, season
    linear and quadratic, each centred and of the order of one (the ridge is a prior of sd 2 on each). Many returns
    share theirs: ``kinds`` (K, p) are the different ones, ``kind`` (n,) says which each return has.
    ``night`` numbers the site-nights. ``covariates_of_habitat`` (H, p) is the row at which each habitat
    is predicted (settled, mid-season); ``habitat_weights`` (H,) are the published weights, summing to 1.
    """

    cell: Ints
    site: Ints
    effort: Floats
    low: Ints
    high: Ints
    kinds: Floats
    kind: NDArray[np.int32]
    habitat: Ints
    night: Ints
    n_cells: int
    habitat_weights: Floats
    covariates_of_habitat: Floats

    @property
    def covariates(self) -> Floats:
        """The covariates of each return (n, p), laid out anew whenever they are asked for: they take much memory."""
        return np.asarray(self.kinds[self.kind])


@dataclass(frozen=True, slots=True)
class LevelSettings:
    """The constants of the level index. Where each comes from stands in METHODS.md, section 5."""

    confidence: float = 0.95
    ridge: float = 0.25  # METHODS.md, section 5.2: prior sd 2 on each effect
    guard_seed: int = 20260321  # any fixed number; it is stored with the run
    guard_draws: int = 12  # METHODS.md, section 5.6
    guard_power: float = 1.25  # why not 1 stands in guard.py
    site_prior_centre: float = 0.8  # METHODS.md, section 5.3, median of a log-normal
    night_prior_centre: float = 1.0  # METHODS.md, section 5.3
    prior_log_sd: float = 1.0  # METHODS.md, section 5.3
    lattice_step: float = 0.3  # METHODS.md, section 5.3, on log site rate
    sample_returns: int = 40_000  # shared parts are learned from so many first; METHODS.md, section 14
    gate_sites: int = 10  # METHODS.md, section 5.8
    gate_site_nights: int = 20  # METHODS.md, section 5.8
    gate_expected_count: float = 10.0  # METHODS.md, section 5.8, from the pooled rate
    wide_above: float = 0.5  # METHODS.md, section 5.8, planning relative standard error
    lean_below_sites: int = 30  # METHODS.md, section 5.3, sites with animals
    thin_habitat_sites: int = 5  # METHODS.md, section 5.7
    thin_habitat_animals: int = 5  # METHODS.md, section 5.7


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


@dataclass(frozen=True, slots=True, eq=False)
class SharedParts:
    """What all cells of a group share: learned from everything, or held from an earlier night.

    ``beta`` (p,) and its ``covariance`` (p, p); squared coefficients of variation between sites and between nights
    of a site; ``guard`` and whether its draws were steady; ``merged_habitats`` read as one; ``leaning`` where the
    components lean on their prior; ``settled`` where the effects were.
    """

    beta: Floats
    covariance: Floats
    site_variance: float
    night_variance: float
    guard: float
    guard_steady: bool
    merged_habitats: tuple[int, ...]
    leaning: bool
    settled: bool


@dataclass(frozen=True, slots=True)
class LevelResult:
    """All cells of one group with what they share.

    ``site_variance`` is the squared coefficient of variation between sites, ``night_variance`` that of
    nights within a site. ``guard`` (>= 1) has widened every interval. ``warnings`` are codes. ``shared`` holds
    all of it for a night that changes little; None where nothing could be learned.
    """

    cells: tuple[LevelCell, ...]
    beta: tuple[float, ...]
    site_variance: float
    night_variance: float
    guard: float
    components_lean_on_prior: bool
    iterations: int
    warnings: tuple[str, ...]
    shared: SharedParts | None = field(default=None, compare=False)
