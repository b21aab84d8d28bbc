"""Temperature: a companion of the change index that asks what the catch would have been on nights of one warmth.

Animals walk more on warm nights, so a warm season raises the catch without one more animal. Over 38 time series, mostly
of ground beetles on farmland, the total catch rose by 0.0863 (standard error 0.0058) on the log scale per degree of
the daily maximum and by 0.0497 (0.0107) per degree of the minimum, each fitted alone. So one of the two is used for a
return, never both: the maximum where it is known, else the minimum. What is true of that mean need not be true of
every group: the adjusted change stands beside the raw one and never replaces it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from surveys.methods.level_records import Floats, Ints


@dataclass(frozen=True, slots=True)
class Coefficient:
    """Rise of the log catch per degree Celsius, its standard error, and the reference temperature it is taken from."""

    per_degree: float
    error: float
    reference_c: float


MAXIMUM = Coefficient(0.0863, 0.0058, 18.0)  # Saska and others 2013, abstract; reference: a fixed choice, see below
MINIMUM = Coefficient(0.0497, 0.0107, 8.0)
# The references are round planning values for a mild trapping season, fixed once and published. A change compares
# periods, so that with one coefficient any other choice would leave every ratio as it is; they matter only where some
# returns have a maximum and others only a minimum.


class TemperatureSource(StrEnum):
    """Where the temperature of a return came from."""

    MAXIMUM = "maximum"
    MINIMUM = "minimum"
    SEASON_MAXIMUM = "season_maximum"
    SEASON_MINIMUM = "season_minimum"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, eq=False)
class TemperatureInput:
    """One entry per return (n): region, period, season window, and degrees Celsius, nan where not known."""

    region: Ints
    period: Ints
    window: Ints
    maximum_c: Floats
    minimum_c: Floats


@dataclass(frozen=True, slots=True, eq=False)
class TemperatureEffect:
    """``multiplier`` (n,) of the effort, and ``lever_maximum`` and ``lever_minimum`` (n,): degrees above the reference
    that the multiplier stands for, 0 where the coefficient was not used.

    ``source`` counts the returns by where their temperature came from; ``sentence`` says it.
    """

    multiplier: Floats
    lever_maximum: Floats
    lever_minimum: Floats
    source: dict[TemperatureSource, int]
    sentence: str


def check_temperatures(temperatures: TemperatureInput) -> None:
    """Refuse arrays of different lengths and temperatures that no garden has.

    Parameters: ``temperatures``. Returns: nothing. Raises: ValueError with what was found.
    """
    n = temperatures.region.size
    arrays = (temperatures.period, temperatures.window, temperatures.maximum_c, temperatures.minimum_c)
    if any(array.shape != (n,) for array in arrays):
        raise ValueError("every array needs one entry per return")
    for name, values in (("maximum", temperatures.maximum_c), ("minimum", temperatures.minimum_c)):
        strange = ~np.isnan(values) & ~((values > -60.0) & (values < 60.0))
        if strange.any():
            found = float(values[strange][0])
            raise ValueError(
                f"found a {name} of {found:g} degrees; expected Celsius between -60 and 60, nan if unknown"
            )


def season_means(values: Floats, temperatures: TemperatureInput) -> Floats:
    """Give every return the mean of the known values of its region, period and window (n,), nan where none is known.

    Parameters: ``values`` (n,) with nan; ``temperatures`` for the places. Returns: means. Raises: nothing.
    """
    if values.size == 0:
        return values.copy()
    place = temperatures.region.astype(np.int64)
    for column in (temperatures.period, temperatures.window):
        place = place * (int(column.max()) + 1) + column
    member = np.unique(place, return_inverse=True)[1].reshape(-1)
    known = ~np.isnan(values)
    number = np.bincount(member, known)
    total = np.bincount(member, np.where(known, values, 0.0))
    return np.asarray(np.where(number > 0, total / np.maximum(number, 1), np.nan)[member])


def effect_of_temperature(temperatures: TemperatureInput) -> TemperatureEffect:
    """Find exp(b (T - T_ref)) for every return: the factor by which its effort counts for more on warm nights.

    In this order: the return's own maximum; its own minimum; the mean maximum of its region in the same period and
    season window; the mean minimum there; else the factor is 1 and the return counts as one of unknown warmth.
    Parameters: ``temperatures``. Returns: TemperatureEffect. Raises: ValueError, see check_temperatures.
    References: Saska and others 2013, J. Appl. Ecol. 50: 181-189 (abstract read; the model is exponential in T).
    """
    check_temperatures(temperatures)
    n = temperatures.region.size
    levers = {MAXIMUM: np.zeros(n), MINIMUM: np.zeros(n)}
    left, source = np.ones(n, dtype=bool), {}
    steps = (
        (TemperatureSource.MAXIMUM, MAXIMUM, temperatures.maximum_c),
        (TemperatureSource.MINIMUM, MINIMUM, temperatures.minimum_c),
        (TemperatureSource.SEASON_MAXIMUM, MAXIMUM, season_means(temperatures.maximum_c, temperatures)),
        (TemperatureSource.SEASON_MINIMUM, MINIMUM, season_means(temperatures.minimum_c, temperatures)),
    )
    for name, coefficient, degrees in steps:
        used = left & ~np.isnan(degrees)
        levers[coefficient][used] = degrees[used] - coefficient.reference_c
        source[name], left = int(used.sum()), left & ~used
    source[TemperatureSource.UNKNOWN] = int(left.sum())
    rise = MAXIMUM.per_degree * levers[MAXIMUM] + MINIMUM.per_degree * levers[MINIMUM]
    return TemperatureEffect(np.exp(rise), levers[MAXIMUM], levers[MINIMUM], source, say_sources(source))


def say_sources(source: dict[TemperatureSource, int]) -> str:
    """Say in one sentence how many returns had a temperature of their own."""
    own = source[TemperatureSource.MAXIMUM] + source[TemperatureSource.MINIMUM]
    borrowed = source[TemperatureSource.SEASON_MAXIMUM] + source[TemperatureSource.SEASON_MINIMUM]
    return (
        f"{own} of {sum(source.values())} returns came with a temperature; {borrowed} took the mean of their region "
        f"and season, {source[TemperatureSource.UNKNOWN]} had none and count unadjusted."
    )


def mean_levers(
    lever: Floats, effort: Floats, temperatures: TemperatureInput, n_regions: int, n_periods: int
) -> Floats:
    """Mean degrees of each region and period (R, T), weighted by effort; nan without returns."""
    cell = temperatures.region * n_periods + temperatures.period
    total, warm = (np.bincount(cell, w, minlength=n_regions * n_periods) for w in (effort, effort * lever))
    means = np.where(total > 0, warm / np.where(total > 0, total, 1.0), np.nan)
    return np.asarray(means.reshape(n_regions, n_periods))


def log_variance_of_temperature(
    effect: TemperatureEffect,
    effort: Floats,
    temperatures: TemperatureInput,
    base: tuple[int, ...],
    *,
    n_regions: int,
    n_periods: int,
) -> Floats:
    """Log variance that the error of the coefficients adds to each change: sum of (D x error)^2 (delta method).

    D is the mean temperature of the period less that of the base (the mean over its periods), in the degrees that
    were used; the two coefficients come from separate fits and are taken as independent.
    Parameters: ``effect``; ``effort`` (n,) before adjustment; ``temperatures`` for the places; ``base`` periods.
    Returns: (R, T), 0 where a side has no returns. Raises: nothing.
    References: delta method; errors of Saska and others 2013.
    """
    variance = np.zeros((n_regions, n_periods))
    for coefficient, lever in ((MAXIMUM, effect.lever_maximum), (MINIMUM, effect.lever_minimum)):
        means = mean_levers(lever, effort, temperatures, n_regions, n_periods)
        of_base = means[:, list(base)]
        visited = (~np.isnan(of_base)).sum(axis=1)
        mean_base = np.where(visited > 0, np.nansum(of_base, axis=1) / np.maximum(visited, 1), np.nan)
        variance += np.nan_to_num(((means - mean_base[:, None]) * coefficient.error) ** 2)
    return variance
