"""From the returns of several seasons to what the change index reads: efforts and counts on one footing.

The shared effects of the latest season (habitat, settling, season, observer) are taken out of the efforts of all of
them, and classes are expected by the machinery of the level index, so that a garden that sends classes one year and
numbers the next is compared with itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from surveys.methods.change_records import ChangeInput, ImputedCounts
from surveys.methods.level_fit import fit_cells
from surveys.methods.level_layout import arrange_rows, canonical_order, select_rows
from surveys.methods.level_records import OPEN_ABOVE, Bools, Floats, Ints, LevelInput, LevelSettings, SharedParts
from surveys.methods.poststratification import merge_habitats
from surveys.methods.shared_effects import exposure_of
from surveys.methods.temperature import TemperatureInput


@dataclass(frozen=True, slots=True, eq=False)
class SeasonsRows:
    """The usable returns of one group in several seasons, one entry of each array per return (n of them).

    ``level`` holds them as the level index reads them, its cells numbered ``period * n_places + place`` with seasons
    in time order from 0; ``window`` (n,) numbers the window; ``maximum_c`` and ``minimum_c`` (n,) are degrees
    Celsius, nan where not told.
    """

    level: LevelInput
    window: Ints
    maximum_c: Floats
    minimum_c: Floats
    n_places: int
    n_periods: int


@dataclass(frozen=True, slots=True, eq=False)
class ChangeRows:
    """What the change index of one group is estimated from, in one order."""

    rows: ChangeInput
    imputed: ImputedCounts
    temperatures: TemperatureInput


def lay_out_change(given: SeasonsRows, shared: SharedParts | None, settings: LevelSettings) -> ChangeRows:
    """Put efforts and counts of several seasons on one footing.

    The effort becomes ``m = effort exp(x'beta)`` with the effects of the latest season. A class becomes the count
    expected given the class, all returns of its site in that season and window, and the mean of that season, region
    and window, at the components of the latest season. Returns of a season, region and window in which every count
    is open above are left out: no mean exists there.
    Parameters: ``given``; ``shared`` what the level fit of the latest season learned, None where it learned nothing;
    ``settings`` of the level. Returns: ChangeRows, empty without ``shared``. Raises: nothing.
    References: own construction; METHODS.md, sections 4, 6 and 14.
    """
    level = given.level
    kept = np.flatnonzero(has_upper_bound(level) & (shared is not None))
    if shared is None or not kept.size:
        nothing = np.zeros(0)
        return name_rows(given, kept, select_rows(level, kept), nothing, ImputedCounts(nothing, nothing))
    chosen = merge_habitats(select_rows(level, kept), shared.merged_habitats)
    order = canonical_order(chosen)
    kept, chosen = kept[order], select_rows(chosen, np.arange(kept.size)[order])
    layout = arrange_rows(chosen)
    exposure = exposure_of(layout, shared.beta)
    # The covariates are most of a layout, and have done their part.
    layout = replace(layout, covariates=np.zeros((exposure.size, 0)))
    fit = fit_cells(layout, settings, shared, exposure=exposure)
    return name_rows(given, kept, chosen, fit.exposure, ImputedCounts(fit.imputed.counts, fit.imputed.variance))


def has_upper_bound(level: LevelInput) -> Bools:
    """Say which returns (n,) lie in a cell where some count has an upper bound."""
    bounded = np.bincount(level.cell, weights=level.high != OPEN_ABOVE, minlength=level.n_cells) > 0
    return np.asarray(bounded[level.cell])


def name_rows(
    given: SeasonsRows, kept: Ints, chosen: LevelInput, exposure: Floats, imputed: ImputedCounts
) -> ChangeRows:
    """Put the ``chosen`` returns, which stand at ``kept`` in ``given``, into the records of the change index."""
    place, period = chosen.cell % given.n_places, chosen.cell // given.n_places
    return ChangeRows(
        rows=ChangeInput(
            region=place,
            period=period,
            site=chosen.site,
            effort=exposure,
            low=chosen.low,
            high=chosen.high,
            n_regions=given.n_places,
            n_periods=given.n_periods,
        ),
        imputed=imputed,
        temperatures=TemperatureInput(
            region=place,
            period=period,
            window=given.window[kept],
            maximum_c=given.maximum_c[kept],
            minimum_c=given.minimum_c[kept],
        ),
    )
