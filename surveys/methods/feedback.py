"""What a household's night was worth: its catch beside comparable traps, and its own habitats side by side.

A band of percentiles among traps, never a rank among people, and no score. The place of a trap among comparable ones
is a share below plus half of the ties (mid-rank). Counts given as classes leave a range, which is kept as a band.

References: mid-rank places (ridits), Bross 1958 Biometrics 14: 18-38; score
limits of a share, Wilson 1927 J. Am. Stat. Assoc. 22: 209-212; effective number of clustered units, Kish 1965 Survey
Sampling, 8.2. All from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy import special

from surveys.methods.level_records import OPEN_ABOVE, Floats, Ints

FEWEST_TRAPS = 20  # own rule, METHODS.md, section Feedback
FEWEST_SITES = 10  # of other gardens; own rule, METHODS.md, section Feedback
SAME_RATE = 1e-9  # relative; two rates this near are a tie
FEW_NIGHTS = 4  # below it, one lucky night moves a habitat's rate by a quarter or more (planning value)


class Basis(StrEnum):
    """Which traps a catch is compared with, from the most alike to the least."""

    HABITAT_AND_SETTLING = "habitat_and_settling"
    HABITAT = "habitat"
    ALL_HABITATS = "all_habitats"
    TOO_FEW = "too_few"


class Caution(StrEnum):
    """What to bear in mind beside a household's own habitats, the most serious first."""

    ONE_HABITAT = "one_habitat"
    ONE_NIGHT = "one_night"
    FEW_NIGHTS = "few_nights"
    DIFFERENT_NIGHTS = "different_nights"
    SETTLING_DIFFERS = "settling_differs"
    ENOUGH_NIGHTS = "enough_nights"


@dataclass(frozen=True, slots=True)
class OwnCatch:
    """One trap's night of one group: ``effort`` in trap-nights x rim offset, ``high`` -1 where the class is open.

    ``fresh`` is None when not answered. ``night`` numbers the nights of the season.
    """

    site: int
    habitat: int
    fresh: bool | None
    effort: float
    low: int
    high: int
    night: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class SeasonCatches:
    """The usable returns of one group and season, one entry of each array per return (n of them).

    ``fresh`` is 1, 0, or -1 when not answered; the other columns as in :class:`OwnCatch`.
    """

    site: Ints
    habitat: Ints
    fresh: Ints
    effort: Floats
    low: Ints
    high: Ints


@dataclass(frozen=True, slots=True)
class Beside:
    """One catch beside comparable traps of other gardens.

    ``rate_low`` and ``rate_high`` are animals per trap-night (equal when exact, infinite above an open class).
    ``below``, ``same`` and ``above`` are shares of the comparable traps: surely lower, equal or not to be told apart,
    surely higher. ``percentile_low`` and ``percentile_high`` bound the mid-rank place (0 to 1) over all that the
    classes leave open; ``about_low`` and ``about_high`` add what chance leaves open with so few gardens. All are None
    where too few comparable traps exist: then ``traps`` and ``sites`` say how many there are.
    """

    basis: Basis
    traps: int
    sites: int
    rate_low: float
    rate_high: float
    below: float | None
    same: float | None
    above: float | None
    percentile_low: float | None
    percentile_high: float | None
    about_low: float | None
    about_high: float | None


@dataclass(frozen=True, slots=True)
class HabitatRate:
    """A household's own traps in one habitat: ``returns``, ``trap_nights``, animals and rate per trap-night."""

    habitat: int
    returns: int
    nights: int
    trap_nights: float
    animals_low: int
    animals_high: int | None
    rate_low: float
    rate_high: float


@dataclass(frozen=True, slots=True)
class OwnHabitats:
    """A household's habitats side by side, the order being that of their numbers, with what to bear in mind."""

    habitats: tuple[HabitatRate, ...]
    caution: Caution


def check_catch(low: int, high: int, effort: float) -> None:
    """Refuse a catch without effort or with a class that ends below its start. Raises ValueError with a sentence."""
    if not (math.isfinite(effort) and effort > 0):
        raise ValueError(f"Effort: found {effort:g} trap-nights, expected a number above 0.")
    if low < 0 or (high != OPEN_ABOVE and high < low):
        raise ValueError(f"Count: found {low} to {high}, expected 0 or more and an end not below the start.")


def place_beside(
    own: OwnCatch,
    season: SeasonCatches,
    *,
    confidence: float = 0.95,
    fewest_traps: int = FEWEST_TRAPS,
    fewest_sites: int = FEWEST_SITES,
) -> Beside:
    """Place one catch beside comparable traps of the same season.

    Traps of the same habitat, fresh or settled alike, are taken if there are enough; else the same habitat whatever the
    settling; else all habitats; ``basis`` says which. The own garden never counts.
    Parameters: ``own`` catch; ``season`` the usable returns of the same group and season; ``confidence``; the fewest
    traps and other gardens. Returns: Beside. Raises: ValueError for a catch that is none.
    References: module docstring.
    """
    check_catch(own.low, own.high, own.effort)
    basis, rows = comparable_rows(own, season, fewest_traps, fewest_sites)
    rate_low = own.low / own.effort
    rate_high = math.inf if own.high == OPEN_ABOVE else own.high / own.effort
    traps, sites = int(rows.sum()), int(np.unique(season.site[rows]).size)
    if basis == Basis.TOO_FEW:
        return Beside(basis, traps, sites, rate_low, rate_high, None, None, None, None, None, None, None)
    low, high = rates_of(season, rows)
    below, above = surely_below(high, rate_low), surely_below(-low, -rate_high)
    ends = mid_rank(rate_low, high), mid_rank(rate_high, low)
    gardens = effective_gardens(season.site[rows])
    return Beside(
        basis=basis,
        traps=traps,
        sites=sites,
        rate_low=rate_low,
        rate_high=rate_high,
        below=below,
        same=max(0.0, 1.0 - below - above),
        above=above,
        percentile_low=ends[0],
        percentile_high=ends[1],
        about_low=wilson_limits(ends[0], gardens, confidence)[0],
        about_high=wilson_limits(ends[1], gardens, confidence)[1],
    )


def comparable_rows(
    own: OwnCatch, season: SeasonCatches, fewest_traps: int, fewest_sites: int
) -> tuple[Basis, np.typing.NDArray[np.bool_]]:
    """Choose the traps to compare with, and say on which basis.

    Where the own settling is not known the first basis is left out. With too few on every basis the rows are those of
    the last one. Parameters and returns: as above. Raises: nothing.
    """
    others = season.site != own.site
    habitat = others & (season.habitat == own.habitat)
    alike = habitat & (season.fresh == own.fresh) if own.fresh is not None else np.zeros_like(others)
    for basis, rows in ((Basis.HABITAT_AND_SETTLING, alike), (Basis.HABITAT, habitat), (Basis.ALL_HABITATS, others)):
        if rows.sum() >= fewest_traps and np.unique(season.site[rows]).size >= fewest_sites:
            return basis, rows
    return Basis.TOO_FEW, others


def rates_of(season: SeasonCatches, rows: np.typing.NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Lowest and highest rate per trap-night of the chosen returns; the highest is infinite for an open class."""
    effort = season.effort[rows]
    high = np.where(season.high[rows] == OPEN_ABOVE, np.inf, season.high[rows].astype(float))
    return season.low[rows] / effort, np.asarray(high / effort)


def is_tie(rates: Floats, own: float) -> np.typing.NDArray[np.bool_]:
    """Say which rates equal the own one; two open classes are a tie as well."""
    if math.isinf(own):
        return np.isinf(rates)
    return np.asarray(np.abs(rates - own) <= SAME_RATE * np.maximum(np.abs(rates), abs(own)), dtype=bool) & ~np.isinf(
        rates
    )


def surely_below(rates: Floats, own: float) -> float:
    """Share of ``rates`` (n,) below the own one, ties left out."""
    return float(((rates < own) & ~is_tie(rates, own)).mean())


def mid_rank(own: float, rates: Floats) -> float:
    """Place of a rate among others: share below plus half the share of ties. References: Bross 1958."""
    return surely_below(rates, own) + 0.5 * float(is_tie(rates, own).mean())


def effective_gardens(site: Ints) -> float:
    """Number of gardens that say as much: n^2 / sum n_s^2, as if traps of one garden always agreed (Kish 1965)."""
    per_site = np.unique(site, return_counts=True)[1].astype(float)
    return float(per_site.sum() ** 2 / (per_site**2).sum())


def wilson_limits(share: float, number: float, confidence: float) -> tuple[float, float]:
    """Score limits of a share of ``number`` (may be fractional): the roots of |share - p| = z sqrt(p (1-p) / n).

    Parameters: ``share``; ``number`` > 0; ``confidence``. Returns: low, high within 0 to 1. Raises: nothing.
    References: Wilson 1927.
    """
    z = float(special.ndtri(0.5 + confidence / 2.0))
    middle = share + z * z / (2.0 * number)
    reach = z * math.sqrt(share * (1.0 - share) / number + (z / (2.0 * number)) ** 2)
    scale = 1.0 + z * z / number
    # The share itself lies within its limits; rounding must not say otherwise at 0 and 1.
    return min(share, max(0.0, (middle - reach) / scale)), max(share, min(1.0, (middle + reach) / scale))


def own_habitats(catches: Sequence[OwnCatch]) -> OwnHabitats:
    """Put a household's own habitats side by side, as sums over sums per trap-night, with a caution.

    Parameters: ``catches`` of one group, one garden and one season. Returns: OwnHabitats.
    Raises: ValueError for a catch that is none.
    """
    for catch in catches:
        check_catch(catch.low, catch.high, catch.effort)
    numbers = sorted({catch.habitat for catch in catches})
    rates = tuple(habitat_rate(number, [c for c in catches if c.habitat == number]) for number in numbers)
    return OwnHabitats(rates, caution_for(catches, rates))


def habitat_rate(habitat: int, catches: Sequence[OwnCatch]) -> HabitatRate:
    """Sum a habitat's traps: animals over trap-nights (never the mean of single rates)."""
    effort = sum(catch.effort for catch in catches)
    low = sum(catch.low for catch in catches)
    is_open = any(catch.high == OPEN_ABOVE for catch in catches)
    high = None if is_open else sum(catch.high for catch in catches)
    nights = len({catch.night for catch in catches})
    top = math.inf if high is None else high / effort
    return HabitatRate(habitat, len(catches), nights, effort, low, high, low / effort, top)


def caution_for(catches: Sequence[OwnCatch], rates: Sequence[HabitatRate]) -> Caution:
    """Choose the one caution that matters most."""
    nights = {number.habitat: {c.night for c in catches if c.habitat == number.habitat} for number in rates}
    settling = {number.habitat: {c.fresh for c in catches if c.habitat == number.habitat} for number in rates}
    rules = (
        (len(rates) < 2, Caution.ONE_HABITAT),
        (any(rate.nights < 2 for rate in rates), Caution.ONE_NIGHT),
        (any(rate.nights < FEW_NIGHTS for rate in rates), Caution.FEW_NIGHTS),
        (len({frozenset(own) for own in nights.values()}) > 1, Caution.DIFFERENT_NIGHTS),
        (len({frozenset(own) for own in settling.values()}) > 1, Caution.SETTLING_DIFFERS),
    )
    return next((caution for holds, caution in rules if holds), Caution.ENOUGH_NIGHTS)
