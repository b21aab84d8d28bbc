"""From the tables of a release to the arrays that the index is computed from, season by season."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surveys.methods.level_records import Ints
from surveys.methods.season_frame import CatchFrame, SeasonList, number_site_nights, order_in_frame
from surveys.release_files.index_counts import BLANK, Counted, read_counts
from surveys.release_files.index_lists import ReleasedSeason
from surveys.release_files.index_returns import ReleasedReturns, read_returns

#: Columns of a frame with their types; those of the answers come from counts.csv.
_TYPES: Mapping[str, type] = {
    "region": np.int64,
    "window": np.int64,
    "habitat": np.int64,
    "day": np.int64,
    "settling": np.int64,
    "trap_nights": np.float64,
    "rim_ratio": np.float64,
    "temp_max_c": np.float64,
    "temp_min_c": np.float64,
    "school": np.bool_,
    "first_return": np.bool_,
}


@dataclass(frozen=True, slots=True, eq=False)
class ReleasedFrames:
    """The frame of each season of a release, by its code, and the sites that tell of a change to its own season."""

    frames: Mapping[str, CatchFrame]
    returning: Ints


def read_frames(folder: Path, seasons: Sequence[ReleasedSeason], compared: Sequence[ReleasedSeason]) -> ReleasedFrames:
    """Read the returns and counts of a release; ``compared`` are the seasons of a change, the latest among them.

    Rows may stand in any order: not a digit depends on it. Raises ValueError with a sentence for what does not fit.
    """
    lists = [season.lists for season in seasons]
    returns = read_returns(folder, lists)
    numbers = [number for number, season in enumerate(seasons) if season in compared]
    returning = returns.returning(numbers)
    orders = [_order(returns, number, one) for number, one in enumerate(lists)]
    frames = {
        one.season: _frame(returns, order, number, len(one.groups))
        for number, (one, order) in enumerate(zip(lists, orders, strict=True))
    }
    entering = np.flatnonzero(returns.enters)
    position = np.full(len(returns.identifier), -1, dtype=np.int32)
    for order in orders:
        position[entering[order]] = np.arange(len(order), dtype=np.int32)
    found = Counted(returns.identifier, returns.season, position, lists, frames)
    del returns, orders, entering, position
    read_counts(folder, found)
    return ReleasedFrames(frames, returning)


def _columns(returns: ReleasedReturns, rows: Ints, number: int) -> dict[str, NDArray[Any]]:
    """Return the columns of a frame for some of the returns that enter, ``report`` being the rank of its identifier."""
    columns: dict[str, NDArray[Any]] = {name: returns.columns[name][rows].astype(kind) for name, kind in _TYPES.items()}
    site = returns.site[returns.enters][rows]
    columns |= {"report": np.arange(len(rows)), "site": site}
    return columns | {"site_night": number_site_nights(site, columns["day"])}


def _order(returns: ReleasedReturns, number: int, lists: SeasonList) -> Ints:
    """Return the rows of a season's frame among the returns that enter, in the order of the level index.

    Those that tie stand in the order of their identifiers, so that sums do not depend on the order of the file.
    """
    rows = np.flatnonzero(returns.season[returns.enters] == number)
    rows = rows[np.argsort(returns.identifier[returns.enters][rows], kind="stable")]
    return np.asarray(rows[order_in_frame(_columns(returns, rows, number), lists)])


def _frame(returns: ReleasedReturns, order: Ints, number: int, groups: int) -> CatchFrame:
    blank = (np.full((groups, len(order)), BLANK, dtype=np.int32) for _ in range(2))
    low, high = blank
    return CatchFrame(**_columns(returns, order, number), low=low, high=high)
