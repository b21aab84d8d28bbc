"""The raw change and the temperature-adjusted one, side by side."""

from __future__ import annotations

from dataclasses import dataclass, replace

from surveys.methods.change import estimate_change
from surveys.methods.change_records import ChangeInput, ChangeResult, ChangeSettings, ImputedCounts, base_of
from surveys.methods.level_records import Floats
from surveys.methods.temperature import (
    TemperatureEffect,
    TemperatureInput,
    effect_of_temperature,
    log_variance_of_temperature,
)


@dataclass(frozen=True, slots=True, eq=False)
class ChangeSideBySide:
    """``raw`` and ``adjusted`` change of one group; what temperature did, and the log variance it added (R, T)."""

    raw: ChangeResult
    adjusted: ChangeResult
    effect: TemperatureEffect
    added_log_variance: Floats


def change_side_by_side(
    rows: ChangeInput,
    temperatures: TemperatureInput,
    settings: ChangeSettings,
    *,
    imputed: ImputedCounts | None = None,
) -> ChangeSideBySide:
    """Estimate the change as caught, and as it would be had all nights been equally warm.

    Parameters: ``rows``; ``temperatures`` in the same order; ``settings``; ``imputed`` as for estimate_change.
    Returns: ChangeSideBySide. Raises: ValueError when arrays do not belong together or a temperature cannot be.
    References: temperature.py.
    """
    if temperatures.region.shape != rows.region.shape:
        raise ValueError("found temperatures for another number of returns; expected one entry per return")
    effect = effect_of_temperature(temperatures)
    base = base_of(rows.n_periods, settings)
    added = log_variance_of_temperature(
        effect, rows.effort, temperatures, base, n_regions=rows.n_regions, n_periods=rows.n_periods
    )
    warmed = replace(rows, effort=rows.effort * effect.multiplier)
    adjusted = estimate_change(warmed, settings, imputed=imputed, extra_log_variance=added)
    return ChangeSideBySide(estimate_change(rows, settings, imputed=imputed), adjusted, effect, added)
