"""What goes into the comparison of groups seen, and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from surveys.vocabulary import IndexLabel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SEEN, NOT_SEEN, NOT_KNOWN = 1, 0, -1  #: not known: did not look, or could not tell; it is never a zero
LABEL = "groups seen"  #: what every figure of these modules is called
ORDERS = (0, 1, 2)  #: orders q of the Hill numbers: all groups, common groups, very common groups


@dataclass(frozen=True, slots=True, eq=False)
class SiteNights:
    """What was found on each of n site-nights, the sampling units, for a list of G groups.

    ``region`` (n,) numbers ``regions``; ``site`` (n,) any whole numbers, one per site; ``answers`` (n, G) hold
    SEEN (1), NOT_SEEN (0: looked for and not found) or NOT_KNOWN (-1), in the order of ``groups``.
    """

    regions: tuple[str, ...]
    groups: tuple[str, ...]
    region: Ints
    site: Ints
    answers: Ints


@dataclass(frozen=True, slots=True, eq=False)
class Incidence:
    """On how many of ``units`` sampling units each group was seen: ``frequencies`` (G,), zeros allowed.

    Counts of individuals are the special case in which every unit holds one group: ``units`` is then their sum.
    """

    frequencies: Ints
    units: int

    def __post_init__(self) -> None:
        """Refuse frequencies that no set of units can give."""
        most = int(self.frequencies.max(initial=0))
        if self.units < 0 or self.frequencies.min(initial=0) < 0 or most > self.units:
            raise ValueError(
                f"A group was seen on up to {most} of {self.units} units, which cannot be. Expected frequencies from 0 "
                "to the number of units. Count each unit once for each group."
            )

    @property
    def positive(self) -> Ints:
        """Return the frequencies of the groups that were seen at all."""
        return np.asarray(self.frequencies[self.frequencies > 0])

    @property
    def total(self) -> int:
        """Return U, the number of sightings: the sum of the frequencies."""
        return int(self.frequencies.sum())

    def seen_on(self, times: int) -> int:
        """Return Q_k, the number of groups seen on exactly ``times`` units."""
        return int(np.count_nonzero(self.frequencies == times))


@dataclass(frozen=True, slots=True)
class GroupsSeenSettings:
    """The constants of the comparison. ``answered_share`` decides which groups are compared at all."""

    confidence: float = 0.95
    bootstrap_draws: int = 200  # Chao et al. 2014 and Hsieh et al. 2016 use 50 to 200 for a standard error
    gate_sites: int = 10  # the gate of the level index, for the same reason
    gate_site_nights: int = 20
    answered_share: float = 0.9  # own choice; METHODS.md, section groups seen
    most_site_nights: int = 500  # of a region; beyond, a fixed sample of gardens; METHODS.md, section 8
    farthest: float = 2.0  # extrapolation at most to twice the sample, Chao et al. 2014

    def __post_init__(self) -> None:
        """Refuse settings under which no interval over sites exists."""
        if min(self.bootstrap_draws, self.gate_sites, self.gate_site_nights) < 2 or not 1.0 <= self.farthest <= 2.0:
            raise ValueError(
                f"Settings of {self.bootstrap_draws} draws, {self.gate_sites} sites, {self.gate_site_nights} nights "
                f"and {self.farthest:g} times the sample came. Expected at least 2 of each of the first three, for an "
                "interval over sites, and from 1 to 2 times the sample."
            )


@dataclass(frozen=True, slots=True)
class Figure:
    """An estimate with its interval, all three finite and low <= value <= high."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Standardised:
    """Hill numbers of orders 0, 1 and 2 at ``effort`` site-nights, where the sample ``coverage`` is expected.

    ``extrapolated`` when the effort lies beyond the region's own number of site-nights.
    """

    effort: float
    coverage: float
    hill: tuple[Figure, Figure, Figure]
    extrapolated: bool


@dataclass(frozen=True, slots=True)
class RegionFigures:
    """Everything estimated for one region; of each triple the orders are 0, 1 and 2.

    ``chao2`` is the estimated number of groups that one could see there; ``asymptotic`` the Hill numbers of an
    endless season (the first is ``chao2``); ``observed`` those of the returns as they came, whose intervals are for
    another season like it.
    """

    seen_once: int
    seen_twice: int
    coverage: Figure
    chao2: Figure
    observed: tuple[Figure, Figure, Figure]
    asymptotic: tuple[Figure, Figure, Figure]
    at_effort: Standardised
    at_coverage: Standardised


@dataclass(frozen=True, slots=True)
class RegionGroupsSeen:
    """One region: what it rests on, whether it may be shown, and its figures (None when it may not).

    ``site_nights`` are those used; ``left_out`` those with an unanswered group. ``codes`` name what a reader must
    know; :mod:`surveys.methods.groups_seen_words` has a sentence for each.
    """

    region: str
    shown: IndexLabel
    codes: tuple[str, ...]
    sites: int
    site_nights: int
    left_out: int
    groups_seen: int
    figures: RegionFigures | None


@dataclass(frozen=True, slots=True)
class GroupsSeen:
    """All regions on the same list of groups, at the same effort and at the same coverage.

    ``base_effort`` (site-nights) and ``base_coverage`` (share) are None when no region may be shown.
    """

    label: str
    groups: tuple[str, ...]
    groups_left_out: tuple[str, ...]
    base_effort: int | None
    base_coverage: float | None
    regions: tuple[RegionGroupsSeen, ...]
