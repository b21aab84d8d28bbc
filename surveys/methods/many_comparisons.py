"""Many changes tested at once: which of them stand when false discoveries are held to a share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from surveys.methods.level_records import Floats


@dataclass(frozen=True, slots=True, eq=False)
class ManyComparisons:
    """``adjusted`` p-values (n,), nan where there was none; ``standing`` (n,): at or below the rate; ``tests`` made."""

    adjusted: Floats
    standing: NDArray[np.bool_]
    tests: int


def adjust_for_many(p_values: Floats, *, rate: float = 0.05) -> ManyComparisons:
    """Benjamini-Hochberg adjustment over all regions and groups of one table.

    Only figures that are shown belong in it: give nan for the others, they are neither counted nor adjusted. The
    tests share gardens and are mostly positively dependent, for which the rate holds too (Benjamini & Yekutieli 2001,
    from memory).
    Parameters: ``p_values`` (n,) with nan where there is none; ``rate`` share of false discoveries allowed.
    Returns: ManyComparisons in the order given. Raises: ValueError when a p-value lies outside 0 to 1, or the rate
    outside 0 to 1 (both exclusive).
    References: Benjamini & Hochberg 1995 (from memory); computed by scipy.stats.false_discovery_control.
    """
    values = np.asarray(p_values, dtype=float)
    known = ~np.isnan(values)
    if not 0.0 < rate < 1.0:
        raise ValueError(f"the rate is {rate}; it must lie between 0 and 1")
    if bool(((values[known] < 0.0) | (values[known] > 1.0)).any()):
        raise ValueError("a p-value lies outside 0 to 1; give shares, and nan where there is none")
    adjusted = np.full(values.shape, np.nan)
    if known.any():
        adjusted[known] = stats.false_discovery_control(values[known], method="bh")
    standing = known & (np.where(known, adjusted, 1.0) <= rate)
    return ManyComparisons(adjusted, standing, int(known.sum()))
