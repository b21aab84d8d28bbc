"""The frames of a release's seasons as columns in a folder: each part of the index reads those that it needs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surveys.methods.level_records import Ints
from surveys.methods.season_frame import CatchFrame, number_site_nights

#: Columns of a frame with the types in which they are kept: a million returns in as few bytes as hold them.
KINDS = {
    "site": np.int32, "region": np.int16, "window": np.int16, "habitat": np.int16, "day": np.int32,
    "settling": np.int8, "trap_nights": np.float64, "rim_ratio": np.float64, "temp_max_c": np.float64,
    "temp_min_c": np.float64, "school": np.bool_, "first_return": np.bool_,
}  # fmt: skip
#: Columns that a level never reads.
OF_CHANGE = frozenset({"temp_max_c", "temp_min_c"})

_RETURNING = "returning"


@dataclass(frozen=True, slots=True)
class Columns:
    """Where the columns stand. Seasons go by their number in time order, groups by their place on its list."""

    folder: Path

    def write_frame(self, season: int, columns: dict[str, NDArray[Any]]) -> None:
        """Write the columns of a season that are the same for all groups."""
        for name in KINDS:
            self._write(f"{season}-{name}", columns[name])

    def write_bounds(self, season: int, low: NDArray[np.int32], high: NDArray[np.int32]) -> None:
        """Write the bounds of all groups of a season, (G, n) each."""
        for group, bounds in enumerate(zip(low, high, strict=True)):
            self._write(f"{season}-bounds-{group}", np.stack(bounds))

    def write_returning(self, sites: Ints) -> None:
        """Write the sites that tell of a change."""
        self._write(_RETURNING, sites)

    def returning(self) -> Ints:
        """Read the sites that tell of a change."""
        return np.asarray(self._read(_RETURNING))

    def frame(self, season: int, group: int, *, leave_out: frozenset[str] = frozenset()) -> CatchFrame:
        """Read the returns of a season with the answers of one group, which then is its only one.

        Columns to ``leave_out`` hold zeros, which take no memory.
        """
        low, high = self._read(f"{season}-bounds-{group}")
        read = {name: self._read(f"{season}-{name}") for name in KINDS if name not in leave_out}
        return CatchFrame(**completed(read), low=low[None], high=high[None])

    def _write(self, name: str, column: NDArray[Any]) -> None:
        np.save(self.folder / f"{name}.npy", column, allow_pickle=False)

    def _read(self, name: str) -> NDArray[Any]:
        return np.asarray(np.load(self.folder / f"{name}.npy", allow_pickle=False))


def completed(columns: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
    """Return all columns of a frame but the bounds; those that are not given, and the report, hold zeros."""
    n = len(columns["site"])
    zeros: dict[str, NDArray[Any]] = {
        name: np.broadcast_to(np.zeros(1, dtype=kind), (n,)) for name, kind in {"report": np.int64, **KINDS}.items()
    }
    return {**zeros, **columns, "site_night": number_site_nights(columns["site"], columns["day"])}
