"""What the simulator is told, and what it makes: frozen records only."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from .records import Answer

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class WindowPlan:
    """A survey window: code, first and last day."""

    code: str
    first_day: date
    last_day: date


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """The true state of an invented season.

    ``rate`` (R, W, G): animals per trap-night in a settled 75 mm trap of the reference habitat at
    mid-window, mean over gardens. ``habitat_effect`` (H, G) multiplies it, ``weights`` (H,) are the
    season's published weights. ``fresh_effect`` (G,) multiplies fresh traps; ``season_slope`` and
    ``season_curve`` (G,) act on x and x^2 of the day within its window (x in -1..1),
    so that mid-window (x = 0) is untouched. ``warmth_per_c`` (G,) acts on the log of the catch, per
    degree of the daily maximum. ``site_variance`` and ``night_variance`` (G,) are the
    squared coefficients of variation of the gamma factors of a garden and of a garden's trap-night.
    ``site_sharing`` (0 to 1) is the correlation of the normal scores behind a garden's factors: how far a
    garden that is good for one group is good for another.
    ``habitat_mix`` (R, H): how often a region's gardens put a trap into each habitat.
    """

    groups: tuple[str, ...]
    ceilings: tuple[int, ...]
    look_alikes: tuple[tuple[int, int], ...]
    habitats: tuple[str, ...]
    weights: Floats
    regions: tuple[str, ...]
    boundaries: tuple[str, ...]
    windows: tuple[WindowPlan, ...]
    rate: Floats
    habitat_effect: Floats
    fresh_effect: Floats
    season_slope: Floats
    season_curve: Floats
    warmth_per_c: Floats
    site_variance: Floats
    site_sharing: float
    night_variance: Floats
    habitat_mix: Floats


@dataclass(frozen=True, slots=True)
class Garden:
    """One simulated garden or school ground. ``habitats`` holds one code for each trap, from trap 1 on."""

    number: int
    school: bool
    region: int
    latitude: float
    longitude: float
    habitats: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SimulatedReturn:
    """One return as it would be sent, and what the sender does not know.

    ``fields`` are the reported columns by name. ``slip`` names the error that was planted (None:
    none); ``extreme`` marks an honest night far outside the usual; ``true_answers`` are what a
    careful count of that tray would have said.
    """

    uuid: UUID
    garden: int
    trap: int
    habitat: str
    set_at: datetime
    emptied_at: datetime
    fields: tuple[tuple[str, Any], ...]
    note: str
    answers: tuple[Answer, ...]
    true_answers: tuple[Answer, ...]
    slip: str | None
    extreme: bool


@dataclass(frozen=True, slots=True)
class Simulated:
    """A simulated season: its gardens and what they send."""

    gardens: tuple[Garden, ...]
    returns: tuple[SimulatedReturn, ...]
