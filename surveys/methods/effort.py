"""How much trapping a return stands for: trap-nights, and the width of the cup's mouth.

A lost, flooded or disturbed trap has no effort, and so no rate: it is missing, never a zero.
"""

from __future__ import annotations

import math

HOURS_PER_TRAP_NIGHT = 24.0  # one whole day-night cycle: the definition of a trap-night
STANDARD_MOUTH_MM = 75.0  # protocol 1: the mouth of the UK Environmental Change Network's cup


def trap_nights(exposure_h: float, traps_pooled: int, *, recovered: bool = True) -> float | None:
    """Return the trap-nights of one return: hours / 24, times the traps whose catch is added up.

    Parameters
    ----------
    exposure_h : elapsed hours between setting and emptying.
    traps_pooled : number of traps whose catches are one return.
    recovered : False when the trap was lost, flooded or disturbed.

    Returns
    -------
    Trap-nights, or None when there is no catch to divide: not recovered, no time open, no trap.

    References: Kotze D.J. et al. (2012) PLoS ONE 7: e40923 (lost traps are missing, effort is an offset).
    """
    if not recovered or traps_pooled < 1 or not math.isfinite(exposure_h) or exposure_h <= 0.0:
        return None
    return exposure_h / HOURS_PER_TRAP_NIGHT * traps_pooled


def rim_offset(mouth_mm: float, exponent: float, standard_mm: float = STANDARD_MOUTH_MM) -> float:
    """Return the catch of a mouth relative to the standard one: (mouth / standard) ** exponent.

    Parameters
    ----------
    mouth_mm, standard_mm : inside widths in millimetres, above zero.
    exponent : 1 if the catch grows with the rim's length, 0 if it does not grow.

    Raises
    ------
    ValueError : a width that is not above zero.

    References: Luff M.L. (1975) Oecologia 19: 345-357 (exponent 1); Work T.T. et al. (2002) Environ. Entomol. 31
    (less than in proportion), hence both exponents are published.
    """
    if not (mouth_mm > 0.0 and standard_mm > 0.0):
        raise ValueError(f"A mouth is wider than 0 mm, but {mouth_mm:g} mm and a standard of {standard_mm:g} mm came.")
    return float((mouth_mm / standard_mm) ** exponent)


def effort(
    *,
    exposure_h: float,
    traps_pooled: int,
    mouth_mm: float | None,
    exponent: float,
    recovered: bool = True,
    standard_mm: float = STANDARD_MOUTH_MM,
) -> float | None:
    """Return the effort that divides a count: trap-nights times the rim offset.

    Parameters
    ----------
    exposure_h, traps_pooled, recovered : see :func:`trap_nights`.
    mouth_mm, exponent, standard_mm : see :func:`rim_offset`; ``mouth_mm`` is None when it was not answered.

    Returns
    -------
    Standard trap-nights. None when :func:`trap_nights` has none, or when the mouth is unknown and the exponent
    is not 0 (with exponent 0 the mouth does not matter).
    """
    nights = trap_nights(exposure_h, traps_pooled, recovered=recovered)
    if nights is None or (mouth_mm is None and exponent != 0.0):
        return None
    return nights if mouth_mm is None else nights * rim_offset(mouth_mm, exponent, standard_mm)
