"""What crosses the border of the methods: frozen records in, frozen records out.

No model, queryset or dictionary of requests comes in here. ``None`` always means "not answered";
it never stands for a zero.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surveys.vocabulary import AnswerKind, Mark, Outcome, QueryKind, QueryReason, Standing


@dataclass(frozen=True, slots=True)
class Answer:
    """One group's answer.

    ``low`` and ``high`` bound the count: equal for a number and for "none" (0, 0); ``high`` is
    ``None`` for the open class; both are ``None`` for "did not look" and "could not tell".
    """

    group: str
    kind: AnswerKind
    low: int | None
    high: int | None

    @property
    def known(self) -> bool:
        """Say whether the answer bounds a count at all."""
        return self.low is not None


@dataclass(frozen=True, slots=True, eq=False)
class Counts:
    """The answers of one return as bounds of its counts: ``low`` and ``high`` (G,), in the order of ``groups``.

    Both are NaN where nothing is known; ``high`` is infinite for the open class.
    """

    groups: tuple[str, ...]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Report:
    """Everything one return says about one trap and one exposure, as it was sent.

    Instants are aware; lengths in millimetres, hours in ``_h``, temperatures in degrees Celsius.
    Closed words are the values of the lists in :mod:`surveys.vocabulary` (named in comments).
    """

    set_at: datetime
    emptied_at: datetime
    latitude: float
    longitude: float
    sent_at: datetime
    season_opens: datetime
    season_closes: datetime
    time_precision: str | None = None  # TimePrecision
    habitat: str | None = None  # a habitat code of the season
    mouth_mm: float | None = None
    depth_mm: float | None = None
    material: str | None = None  # CupMaterial
    wall: str | None = None  # CupWall
    colour: str | None = None  # CupColour
    nesting: str | None = None  # CupNesting
    rim: str | None = None  # Rim
    rim_gap: str | None = None  # RimGap
    cover: str | None = None  # Cover
    cover_kind: str | None = None  # CoverKind
    cover_gap_mm: float | None = None
    cover_width_mm: float | None = None
    guard: str | None = None  # Guard
    guard_hole_mm: float | None = None
    refuge: str | None = None  # Refuge
    liquid: str | None = None  # Liquid
    water_mm: float | None = None
    drain_holes: str | None = None  # DrainHoles
    settled_h: float | None = None
    hole_reuse: str | None = None  # HoleReuse
    disturbance: str | None = None  # Disturbance
    pesticide: str | None = None  # YesNo: pesticide or slug pellets within 14 days
    looks: str | None = None  # Looks
    traps_open: int | None = None  # traps open at the site that night
    spacing_m: float | None = None  # to the nearest other trap
    traps_pooled: int = 1  # how many traps' catches are added up in this return
    ground_cover: str | None = None  # GroundCover
    vegetation: str | None = None  # VegetationHeight
    temp_min_c: float | None = None
    temp_max_c: float | None = None
    temp_source: str | None = None  # TemperatureSource
    rain: str | None = None  # Rain
    wind: str | None = None  # Wind
    ground: str | None = None  # GroundWetness
    trap_state: str | None = None  # TrapState
    counted_in: str | None = None  # CountedIn
    looked_for_all: str | None = None  # YesNo
    remains_seen: str | None = None  # YesNo
    vertebrate_seen: str | None = None  # YesNo
    release: str | None = None  # Release
    closing: str | None = None  # Closing
    note: str = ""
    answers: tuple[Answer, ...] = ()


@dataclass(frozen=True, slots=True)
class Finding:
    """What one check found: its outcome and a sentence the family can act on."""

    check: str
    outcome: Outcome
    sentence: str
    marks: frozenset[Mark] = frozenset()


@dataclass(frozen=True, slots=True)
class ProtocolResult:
    """All findings of one return and what follows from them as a whole.

    ``trap_nights`` is None when no effort can be stated (see :mod:`surveys.methods.effort`);
    ``fresh`` is True below the protocol's settling time, None when not answered;
    ``rim_ratio`` is mouth over standard mouth (1.0 for 75 mm), None when unknown or out of range.
    """

    findings: tuple[Finding, ...]
    standing: Standing
    trap_nights: float | None
    exposure_h: float
    whole_nights: int
    rim_ratio: float | None
    fresh: bool | None

    @property
    def held(self) -> bool:
        """Say whether some check asks that a coordinator looks first."""
        return any(finding.outcome == Outcome.HOLD for finding in self.findings)


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Another return that screening compares with: a sibling of that night, or an earlier night.

    ``same_trap`` and ``hours_apart`` (between the two set instants, never negative) say how near.
    """

    reference: str  # the client-made id of that return
    same_trap: bool
    same_night: bool
    hours_apart: float
    answers: tuple[Answer, ...] | Counts


@dataclass(frozen=True, slots=True)
class Usual:
    """What a trap like this one usually catches of one group, per trap-night.

    ``mean`` is the negative-binomial mean and ``size`` its k (variance = mean + mean^2 / k).
    ``site_shape`` and ``site_rate`` are the gamma of the site's own factor (both equal before any
    history: mean one; after catching ``y`` where ``m`` was expected: shape + y, rate + m).
    """

    group: str
    mean: float
    size: float
    ceiling: int
    site_shape: float
    site_rate: float


@dataclass(frozen=True, slots=True)
class Suspicion:
    """One reason to let a person look, with its evidence as plain data for a page to draw."""

    kind: QueryKind
    reason: QueryReason
    sentence: str
    gentle_sentence: str
    probability: float
    evidence: dict[str, Any] = field(default_factory=dict)
