"""The counts of a release, read in batches straight into the arrays of its seasons: no row is kept as text."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from surveys.methods.level_layout import count_distinct
from surveys.methods.level_records import Ints
from surveys.methods.season_frame import OPEN, UNANSWERED, SeasonList
from surveys.release_files.index_identifiers import read_identifiers, written
from surveys.release_files.reading import table_batches
from surveys.release_files.tables import COUNTS

#: Bounds of a count of which no row was read yet.
BLANK = -3

#: A group that a season does not ask for.
_NOT_ASKED = -1
#: Counts are kept in 32 bits.
_LARGEST = 2**31 - 1
_READ = ("return_id", "group", "count_min", "count_max")

#: Lowest and highest counts of a season, (G, n) each.
Bounds = tuple[NDArray[np.int32], NDArray[np.int32]]


class Counted:
    """Where each answer belongs: the ``bounds`` of the seasons, and the place of each return in its own.

    ``identifier``, ``season`` and ``position`` (n,) are those of all returns of the release; ``position`` is -1 where
    a return enters no index. ``lists`` and ``bounds`` stand in the order of the numbers in ``season``.
    """

    def __init__(
        self,
        identifier: NDArray[np.bytes_],
        season: NDArray[np.int16],
        position: NDArray[np.int32],
        lists: Sequence[SeasonList],
        bounds: Sequence[Bounds],
    ) -> None:
        order = np.argsort(identifier, kind="stable")
        self._identifier, self._season, self._position = identifier[order], season[order], position[order]
        self._groups = [{group: place for place, group in enumerate(one.groups)} for one in lists]
        self._bounds = bounds

    def take(self, batch: pa.RecordBatch) -> None:
        """Put the answers of some rows in their places.

        Raises ValueError with a sentence where a row names no return of the release, says what no count can be, or
        repeats an answer.
        """
        identifier = read_identifiers(batch.column("return_id"), "return_id of counts.csv")
        least, most = (_whole_numbers(batch.column(name), name) for name in ("count_min", "count_max"))
        refuse_bounds(identifier, least, most)
        found = self._find(identifier)
        season, position = self._season[found], self._position[found]
        group = self._group(batch.column("group"), season)
        low, high = _bounds(least, most)
        for number in np.unique(season):
            rows = (season == number) & (position >= 0) & (group != _NOT_ASKED)
            self._place(self._bounds[number], identifier[rows], group[rows], position[rows], (low[rows], high[rows]))

    def finish(self) -> None:
        """Say of every answer that no row told of that it was not given."""
        for bounds in self._bounds:
            for counts in bounds:
                counts[counts == BLANK] = UNANSWERED

    def _find(self, identifier: NDArray[np.bytes_]) -> Ints:
        """Return the place of each identifier among the sorted ones; rows of one return mostly stand together."""
        new = np.r_[True, identifier[1:] != identifier[:-1]][: identifier.size]
        wanted = identifier[new]
        at = np.searchsorted(self._identifier, wanted)
        known = at < self._identifier.size
        known[known] = self._identifier[at[known]] == wanted[known]
        if not known.all():
            strange = written(wanted[~known][0])
            raise ValueError(f"counts.csv has answers of the return {strange}, which is not in returns.csv.")
        return np.asarray(at[np.cumsum(new) - 1])

    def _group(self, column: pa.Array, season: NDArray[np.int16]) -> NDArray[np.int16]:
        if column.null_count:
            raise ValueError("counts.csv has a row without group, which may not be empty.")
        encoded = column.dictionary_encode()
        words = encoded.dictionary.to_pylist()
        table = np.array([[known.get(word, _NOT_ASKED) for word in words] for known in self._groups], dtype=np.int16)
        return np.asarray(table.reshape(len(self._groups), -1)[season, encoded.indices.to_numpy()])

    @staticmethod
    def _place(
        into: Bounds,
        identifier: NDArray[np.bytes_],
        group: NDArray[np.int16],
        position: NDArray[np.int32],
        found: Bounds,
    ) -> None:
        low, high = into
        place = group.astype(np.int64) * low.shape[1] + position
        again = low.reshape(-1)[place] != BLANK
        if not again.any() and count_distinct(place) < place.size:
            order = np.argsort(place, kind="stable")
            again[order[1:]] = place[order][1:] == place[order][:-1]
        if again.any():
            one = written(identifier[np.flatnonzero(again)[0]])
            raise ValueError(f"counts.csv answers a group of the return {one} twice. Each may be answered once.")
        low[group, position], high[group, position] = found


def read_counts(folder: Path, counted: Counted) -> None:
    """Read counts.csv into the bounds. Raises ValueError with a sentence for what does not fit."""
    for batch in table_batches(folder, COUNTS, _READ):
        if len(batch):
            counted.take(batch)
    counted.finish()


#: Stands for an empty cell on the way.
_NOTHING = -1


def _whole_numbers(column: pa.Array, name: str) -> Ints:
    numbers: Ints = column.fill_null(_NOTHING).to_numpy()
    negative = (numbers < 0) & column.is_valid().to_numpy(zero_copy_only=False)
    if negative.any() or (numbers > _LARGEST).any():
        strange = int(numbers[negative | (numbers > _LARGEST)][0])
        raise ValueError(f"counts.csv holds the {name} {strange}; expected a whole number from 0 to {_LARGEST}.")
    return numbers


def refuse_bounds(identifier: NDArray[np.bytes_], low: Ints, high: Ints) -> None:
    """Raise ValueError with a sentence where an answer has an upper bound that is below, or without, its lower one."""
    wrong = (high != _NOTHING) & ((low == _NOTHING) | (high < low))
    if wrong.any():
        row = int(np.flatnonzero(wrong)[0])
        least = "no count_min" if low[row] == _NOTHING else f"the count_min {low[row]}"
        raise ValueError(
            f"In counts.csv an answer of the return {written(identifier[row])} has the count_max {high[row]} and "
            f"{least}; expected a count_min that is not above it."
        )


def _bounds(low: Ints, high: Ints) -> Bounds:
    """Return bounds as the methods read them."""
    unanswered = low == _NOTHING
    bounded = np.where(high == _NOTHING, OPEN, high)
    return (
        np.where(unanswered, UNANSWERED, low).astype(np.int32),
        np.where(unanswered, UNANSWERED, bounded).astype(np.int32),
    )
