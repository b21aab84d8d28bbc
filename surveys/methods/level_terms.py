"""The shared effects of the level index as columns: habitat, settling, season, observer, where they can be told."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

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
    """The shared effects of a season.

    ``kinds`` (K, p) are the different covariates and ``kind`` (n,) says which each return has; ``of_habitat`` (H, p)
    is the row at which each habitat is predicted; ``names`` of columns are those kept, beside those ``left_out``.
    """

    kinds: Floats
    kind: NDArray[np.int32]
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
    names = (*(f"habitat_{h}" for h in range(1, n_habitats)), *kept, "season", "season_squared")
    different, kind = part_by_kind(rows)
    at_mid_window = np.tile([*(0.0 for _ in kept), 0.0, -1 / 3], (n_habitats, 1))
    return Terms(
        kinds=columns_of(different, names),
        kind=kind,
        of_habitat=np.column_stack([habitats, at_mid_window]),
        names=names,
        left_out=tuple(name for name in two_sided if name not in kept),
    )


def part_by_kind(rows: TermRows) -> tuple[TermRows, NDArray[np.int32]]:
    """Keep one return of each kind that the effects can tell apart, and say of every return which kind it is (n,)."""
    day = np.unique(rows.in_window, return_inverse=True)[1]
    code = day.reshape(-1).astype(np.int64)
    for column in (rows.habitat, rows.settling, rows.school, rows.first_return):
        code *= int(column.max(initial=0)) + 2
        code += column
        code += 1
    _, first, kind = np.unique(code, return_index=True, return_inverse=True)
    different = TermRows(*(getattr(rows, field.name)[first] for field in fields(TermRows)))
    return different, kind.reshape(-1).astype(np.int32)


def columns_of(rows: TermRows, names: tuple[str, ...]) -> Floats:
    """Lay out the shared effects of some returns in columns that a season, this one or another, has kept.

    Parameters: ``rows`` (n), habitats numbered as in that season; ``names`` of its columns (p), as of Terms.
    Returns: covariates (n, p). Raises: KeyError for a name that is not known.
    """
    known = {
        "fresh": rows.settling == FRESH,
        "settling_unknown": rows.settling == UNKNOWN_SETTLING,
        "school": rows.school,
        "first_return": rows.first_return,
        "season": rows.in_window,
        "season_squared": rows.in_window**2 - 1 / 3,
    }
    known |= {name: rows.habitat == int(name.removeprefix("habitat_")) for name in names if name.startswith("habitat_")}
    columns = [np.asarray(known[name], dtype=float) for name in names]
    return np.column_stack(columns) if columns else np.zeros((rows.site.size, 0))


def can_be_told(site: Ints, holds: Bools) -> bool:
    """Say whether enough sites stand on both sides of a yes-or-no effect."""
    return all(count_distinct(site[side]) >= FEWEST_SITES for side in (holds, ~holds))
