"""Which cells may be shown: decided by the design and by the count that the pooled rate predicts, not by their own."""

from __future__ import annotations

import math
from dataclasses import dataclass

from surveys.methods.level_records import LevelSettings
from surveys.vocabulary import IndexLabel

MOST_SITES_ASKED = 9999  # a number for a sentence, not for arithmetic
NIGHTS_PER_SITE = 2.0  # 20 site-nights over 10 sites, METHODS.md, section 5.8; used before anybody has sent any


@dataclass(frozen=True, slots=True)
class CellDesign:
    """Sites, site-nights and the count that the pooled rate predicts for one cell's effort."""

    sites: int
    site_nights: int
    expected_count: float


@dataclass(frozen=True, slots=True)
class Passage:
    """What the gate says: a label, a code for the reason, and how many more gardens would open it."""

    label: IndexLabel
    code: str
    more_sites_needed: int


def planning_error(pooled_rate: float, exposure: float, dispersion: float, clumping: float) -> float:
    """Relative standard error that the design gives at the pooled rate: sqrt(1/(r T) + 1/kappa).

    Parameters: ``pooled_rate``; weighted ``exposure`` T, its ``dispersion`` phi and ``clumping`` C at that rate.
    Returns: share; infinite at a pooled rate of 0. Raises: nothing. References: METHODS.md, section 5.8.
    """
    if pooled_rate <= 0.0:
        return math.inf
    return math.sqrt(dispersion / (pooled_rate * exposure) + clumping / exposure**2)


def sites_missing(design: CellDesign, usual: CellDesign, settings: LevelSettings) -> int:
    """How many more gardens the cell needs if they send what gardens usually send.

    Parameters: ``design`` of the cell; ``usual`` totals over some sites, from which one garden's part is taken;
    ``settings`` with the gate's numbers. Where nobody has sent any yet, only sites and nights count.
    Returns: whole number, 0 when nothing is missing. Raises: nothing.
    """
    nights_each = usual.site_nights / usual.sites if usual.sites else NIGHTS_PER_SITE
    wanted = [float(settings.gate_sites - design.sites), (settings.gate_site_nights - design.site_nights) / nights_each]
    short = settings.gate_expected_count - design.expected_count
    if short > 0 and usual.expected_count > 0:
        wanted.append(short * usual.sites / usual.expected_count)
    return min(max(0, math.ceil(max(wanted) - 1e-9)), MOST_SITES_ASKED)


def pass_gate(design: CellDesign, usual: CellDesign, error: float, settings: LevelSettings) -> Passage:
    """Decide whether a level may be shown, and why not.

    Parameters: ``design`` of the cell; ``usual`` totals from which one garden's part is taken; ``error`` planning
    relative standard error; ``settings`` with the gate's numbers.
    Returns: Passage. Raises: nothing. References: METHODS.md, section 5.8.
    """
    missing = sites_missing(design, usual, settings)
    checks = (
        (design.sites >= settings.gate_sites, "few_sites"),
        (design.site_nights >= settings.gate_site_nights, "few_site_nights"),
        (design.expected_count >= settings.gate_expected_count, "few_expected"),
    )
    for passed, code in checks:
        if not passed:
            return Passage(IndexLabel.TOO_FEW, code if design.sites else "no_returns", max(missing, 1))
    wide = error > settings.wide_above
    return Passage(IndexLabel.WIDE, "wide", 0) if wide else Passage(IndexLabel.SHOWN, "shown", 0)
