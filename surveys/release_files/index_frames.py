"""From the tables of a release to the columns that the index is computed from, season by season."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surveys.methods.level_records import Ints
from surveys.methods.season_frame import SeasonList, order_in_frame
from surveys.release_files.index_columns import KINDS, OF_CHANGE, Columns, completed
from surveys.release_files.index_counts import BLANK, Bounds, Counted, read_counts
from surveys.release_files.index_lists import ReleasedSeason
from surveys.release_files.index_returns import ReleasedReturns, read_returns


@dataclass(frozen=True, slots=True)
class ReadingPart:
    """The release in a ``folder``, its ``seasons`` in time order, and those ``compared``, the latest among them."""

    folder: Path
    seasons: Sequence[ReleasedSeason]
    compared: Sequence[ReleasedSeason]
    columns: Columns


def read_columns(part: ReadingPart) -> list[int]:
    """Read the returns and counts of a release and write their columns down. Returns how many enter each season.

    Rows may stand in any order: not a digit depends on it. Raises ValueError with a sentence for what does not fit.
    """
    lists = [season.lists for season in part.seasons]
    returns = read_returns(part.folder, lists)
    numbers = [number for number, season in enumerate(part.seasons) if season in part.compared]
    part.columns.write_returning(returns.returning(numbers))
    entering = np.flatnonzero(returns.enters)
    position = np.full(len(returns.identifier), -1, dtype=np.int32)
    bounds: list[Bounds] = []
    for number, one in enumerate(lists):
        order = _order(returns, number, one)
        position[entering[order]] = np.arange(len(order), dtype=np.int32)
        part.columns.write_frame(number, _columns(returns, order))
        low, high = (np.full((len(one.groups), len(order)), BLANK, dtype=np.int32) for _ in range(2))
        bounds.append((low, high))
    found = Counted(returns.identifier, returns.season, position, lists, bounds)
    del returns, entering, position
    read_counts(part.folder, found)
    for number, (low, high) in enumerate(bounds):
        part.columns.write_bounds(number, low, high)
    return [low.shape[1] for low, _ in bounds]


def _columns(
    returns: ReleasedReturns, rows: Ints, *, leave_out: frozenset[str] = frozenset()
) -> dict[str, NDArray[Any]]:
    """Return the columns of a frame for some of the returns that enter."""
    site = returns.site[returns.enters][rows]
    return {
        name: (site if name == "site" else returns.columns[name][rows]).astype(kind, copy=False)
        for name, kind in KINDS.items()
        if name not in leave_out
    }


def _order(returns: ReleasedReturns, number: int, lists: SeasonList) -> Ints:
    """Return the rows of a season's frame among the returns that enter, in the order of the level index.

    Those that tie stand in the order of their identifiers, so that sums do not depend on the order of the file.
    """
    rows = np.flatnonzero(returns.season[returns.enters] == number)
    rows = rows[np.argsort(returns.identifier[returns.enters][rows], kind="stable")]
    return np.asarray(rows[order_in_frame(completed(_columns(returns, rows, leave_out=OF_CHANGE)), lists)])
