"""The shared effects of the level index as columns: habitat, settling, season, observer, where they can be told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surveys.methods.level_layout import count_distinct
from surveys.methods.level_records import Bools, Floats, Ints

FEWEST_SITES = 5  # as for a thin habitat: an effect seen at fewer sites on either side is left out

SETTLED, FRESH, UNKNOWN_SETTLING = 0, 1, -1


@dataclass(frozen=True, slots=True, eq=False)
class TermRows:
    """What the effects are read from, one entry per return (n of them).

    ``site`` numbers; ``habitat`` positions 0 to H - 1; ``settling`` 0 settled, 1 fresh, -1 unknown;
    ``in_window`` day within its window from -1 to 1; ``school`` whether a school sent it; ``first_return``
    whether it is the first of its sender.
    """

    site: Ints
    habitat: Ints
    settling: Ints
    in_window: Floats
    school: Bools
    first_return: Bools


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """``covariates`` (n, p), the row at which each habitat is predicted (H, p), names kept and left out."""

    covariates: Floats
    of_habitat: Floats
    names: tuple[str, ...]
    left_out: tuple[str, ...]


def build_terms(rows: TermRows, n_habitats: int) -> Terms:
    """Lay out the shared effects of a season, leaving out those that too few sites could show.

    A habitat is predicted settled, at mid-window, as a household sees it that has sent before. The person who
    counts is not told apart from the garden: nearly every garden has one, so both are in the site effect.
    Parameters: ``rows``; ``n_habitats``. Returns: Terms. Raises: nothing.
    References: O'Hara & Kotze 2010 and Kotze et al. 2012 (counts with season and effort in the model); the rule of
    what is left out is an own construction, METHODS.md, section 5.
    """
    habitats = np.eye(n_habitats)[:, 1:]
    two_sided = {
        "fresh": rows.settling == FRESH,
        "settling_unknown": rows.settling == UNKNOWN_SETTLING,
        "school": rows.school,
        "first_return": rows.first_return,
    }
    kept = [name for name, holds in two_sided.items() if can_be_told(rows.site, holds)]
    season = np.column_stack([rows.in_window, rows.in_window**2 - 1 / 3])
    sides = [two_sided[name].astype(float) for name in kept]
    covariates = np.column_stack([habitats[rows.habitat], *sides, season])
    at_mid_window = np.tile([*(0.0 for _ in kept), 0.0, -1 / 3], (n_habitats, 1))
    return Terms(
        covariates=np.ascontiguousarray(covariates.reshape(rows.site.size, n_habitats + 1 + len(kept))),
        of_habitat=np.column_stack([habitats, at_mid_window]),
        names=(*(f"habitat_{h}" for h in range(1, n_habitats)), *kept, "season", "season_squared"),
        left_out=tuple(name for name in two_sided if name not in kept),
    )


def can_be_told(site: Ints, holds: Bools) -> bool:
    """Say whether enough sites stand on both sides of a yes-or-no effect."""
    return all(count_distinct(site[side]) >= FEWEST_SITES for side in (holds, ~holds))
