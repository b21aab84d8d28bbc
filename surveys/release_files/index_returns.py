"""The returns of a release as columns: what the index reads of them, for all seasons together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from surveys.methods.level_records import Ints
from surveys.methods.season_frame import SeasonList
from surveys.release_files.index_identifiers import read_identifiers, written
from surveys.release_files.reading import most_rows, table_batches
from surveys.release_files.tables import RETURNS

#: A code that is empty, and one that is not on the list of its season.
EMPTY, UNLISTED = -1, -2

#: What is read of returns.csv.
_READ = (
    "return_id", "season", "region", "site_id", "habitat", "window", "night", "trap_nights", "rim_ratio", "fresh",
    "school", "first_return", "temp_min_c", "temp_max_c", "left_out",
)  # fmt: skip
#: Columns of codes, the list on which each stands, and the file of that list.
_CODED = {"region": "regions.csv", "habitat": "habitats.csv", "window": "windows.csv"}
_DAYS_BEFORE_1970 = date(1970, 1, 1).toordinal()


@dataclass(frozen=True, slots=True, eq=False)
class ReleasedReturns:
    """Every return of a release, in the order of its file (n); all columns but the first four of those that enter (m).

    ``identifier`` (n,); ``season`` (n,) numbers the seasons in time order; ``site`` (n,) is the rank of its identifier
    among those of the whole release, so that a site keeps its number over seasons; ``enters`` (n,) says which returns
    enter an index. ``columns`` (m,) are named as in :class:`surveys.methods.season_frame.CatchFrame`.
    """

    identifier: NDArray[np.bytes_]
    season: NDArray[np.int16]
    site: NDArray[np.int32]
    enters: NDArray[np.bool_]
    columns: Mapping[str, NDArray[Any]]

    def returning(self, seasons: Sequence[int]) -> Ints:
        """Return the sites with returns in two or more of some seasons, sorted, whether these enter an index or not."""
        among = np.isin(self.season, np.asarray(seasons, dtype=np.int16))
        many = int(self.season.max(initial=0)) + 1
        visits = np.unique(self.site[among].astype(np.int64) * many + self.season[among])
        sites, seen = np.unique(visits // many, return_counts=True)
        return np.asarray(sites[seen >= 2], dtype=np.int64)


def read_returns(folder: Path, lists: Sequence[SeasonList]) -> ReleasedReturns:
    """Read the returns of a release; ``lists`` of its seasons in time order.

    Raises ValueError with a sentence where a return stands there twice, or one that enters an index has no place in
    the lists of its season, no effort, or a night outside its window.
    """
    parts = (_read_batch(batch, lists) for batch in table_batches(folder, RETURNS, _READ) if len(batch))
    joined = _put_together(parts, most_rows(folder, RETURNS)) or _read_batch(_nothing(), lists)
    identifier, season, site_id, enters = (joined.pop(name) for name in ("identifier", "season", "site_id", "enters"))
    _refuse_twice(identifier)
    site = np.unique(site_id, return_inverse=True)[1].reshape(-1).astype(np.int32)
    return ReleasedReturns(identifier, season, site, enters, joined)


def _read_batch(batch: pa.RecordBatch, lists: Sequence[SeasonList]) -> dict[str, NDArray[Any]]:
    _refuse_empty(batch)
    identifier = read_identifiers(batch.column("return_id"), "return_id of returns.csv")
    season = _seasons(batch.column("season"), lists)
    enters = batch.column("left_out").is_null().to_numpy(zero_copy_only=False)
    places = {name: _positions(batch.column(name), season, lists, name)[enters] for name in _CODED}
    rows = batch.filter(pa.array(enters))
    columns = {
        **places,
        "day": rows.column("night").cast(pa.int32()).to_numpy() + np.int32(_DAYS_BEFORE_1970),
        "settling": rows.column("fresh").cast(pa.int8()).fill_null(-1).to_numpy(),
        "school": rows.column("school").to_numpy(zero_copy_only=False),
        "first_return": rows.column("first_return").to_numpy(zero_copy_only=False),
        "rim_ratio": rows.column("rim_ratio").fill_null(1.0).to_numpy(),
        **{name: _numbers(rows.column(name)) for name in ("trap_nights", "temp_max_c", "temp_min_c")},
    }
    _refuse_misplaced(rows, season[enters], columns, lists)
    site_id = read_identifiers(batch.column("site_id"), "site_id of returns.csv")
    return {"identifier": identifier, "season": season, "site_id": site_id, "enters": enters, **columns}


def _put_together(parts: Iterable[Mapping[str, NDArray[Any]]], most: int) -> dict[str, NDArray[Any]]:
    """Put columns together that come in parts, of ``most`` rows at most; nothing where there is no part.

    Each stands in its place at once: a thousand small pieces, let go later, would leave holes in the memory.
    """
    columns: dict[str, NDArray[Any]] = {}
    filled: dict[str, int] = {}
    for part in parts:
        for name, values in part.items():
            if name not in columns:
                columns[name], filled[name] = np.empty(most, dtype=values.dtype), 0
            columns[name][filled[name] : filled[name] + len(values)] = values
            filled[name] += len(values)
    return {name: column[: filled[name]] for name, column in columns.items()}


def _nothing() -> pa.RecordBatch:
    """Return the rows of a release without a return."""
    fields = {column.name: column for column in RETURNS.columns}
    kinds = {"boolean": pa.bool_(), "number": pa.float64(), "date": pa.date32()}
    empty = [pa.array([], kinds.get(fields[name].kind, pa.string())) for name in _READ]
    return pa.RecordBatch.from_arrays(empty, names=list(_READ))


def _numbers(column: pa.Array) -> NDArray[np.float64]:
    """Return numbers, NaN where there is none."""
    return np.asarray(column.fill_null(np.nan).to_numpy(), dtype=np.float64)


def _seasons(column: pa.Array, lists: Sequence[SeasonList]) -> NDArray[np.int16]:
    known = {one.season: number for number, one in enumerate(lists)}
    encoded = column.dictionary_encode()
    words = encoded.dictionary.to_pylist()
    strange = [word for word in words if word not in known]
    if strange:
        raise ValueError(f"returns.csv has returns of the season {strange[0]!r}, which is not in seasons.csv.")
    numbers = np.array([known[word] for word in words], dtype=np.int16)
    return np.asarray(numbers[encoded.indices.to_numpy()])


def _positions(
    column: pa.Array, season: NDArray[np.int16], lists: Sequence[SeasonList], name: str
) -> NDArray[np.int16]:
    """Return the place of each code on the list of its own season."""
    encoded = column.dictionary_encode()
    words = encoded.dictionary.to_pylist()
    listed = [{code: place for place, code in enumerate(_codes(one, name))} for one in lists]
    table = np.array([[*(known.get(word, UNLISTED) for word in words), EMPTY] for known in listed], dtype=np.int16)
    return np.asarray(table.reshape(len(lists), -1)[season, encoded.indices.fill_null(len(words)).to_numpy()])


def _codes(lists: SeasonList, name: str) -> Sequence[str]:
    if name == "window":
        return [window.code for window in lists.windows]
    return lists.regions if name == "region" else lists.habitats


def _refuse_empty(batch: pa.RecordBatch) -> None:
    for column in RETURNS.columns:
        if column.required and column.name in _READ and batch.column(column.name).null_count:
            raise ValueError(f"returns.csv has a return without {column.name}, which may not be empty.")


def _refuse_twice(identifier: NDArray[np.bytes_]) -> None:
    ordered = np.sort(identifier)
    twice = np.flatnonzero(ordered[1:] == ordered[:-1])
    if twice.size:
        raise ValueError(f"returns.csv has the return {written(ordered[twice[0]])} twice. Each may stand there once.")


def _refuse_misplaced(
    rows: pa.RecordBatch, season: NDArray[np.int16], columns: Mapping[str, NDArray[Any]], lists: Sequence[SeasonList]
) -> None:
    """Raise ValueError with a sentence where a return that enters an index cannot be part of it."""
    for name, file in _CODED.items():
        said = f"its {name} is {{{name}!r}}; expected one of those that {file} lists for its season"
        _refuse_where(columns[name] < 0, rows, said)
    for name in ("trap_nights", "rim_ratio"):
        strange = ~(np.isfinite(columns[name]) & (columns[name] > 0))
        _refuse_where(strange, rows, f"its {name} is {{{name}!r}}; expected a number above zero")
    first, last = (_window_days(lists, end)[season, columns["window"]] for end in ("first_day", "last_day"))
    outside = (columns["day"] < first) | (columns["day"] > last)
    _refuse_where(outside, rows, "its night {night} lies outside its window {window!r}, as windows.csv has it")


def _window_days(lists: Sequence[SeasonList], end: str) -> Ints:
    """Return the first or last day of every window, (seasons, most windows)."""
    days = np.zeros((len(lists), max(len(one.windows) for one in lists)), dtype=np.int64)
    for number, one in enumerate(lists):
        days[number, : len(one.windows)] = [getattr(window, end).toordinal() for window in one.windows]
    return days


def _refuse_where(wrong: NDArray[np.bool_], rows: pa.RecordBatch, said: str) -> None:
    if wrong.any():
        row = rows.slice(int(np.flatnonzero(wrong)[0]), 1).to_pylist()[0]
        raise ValueError(
            f"In returns.csv the return {row['return_id']} of {row['season']} is to enter the index, as its left_out "
            f"is empty, but {said.format(**row)}."
        )
