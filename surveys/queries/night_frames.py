"""What each part of a night is computed from: held in memory by the worker that read it, or written for all workers.

Both give the same arrays, so that a part gives the same whoever does it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, replace
from datetime import date
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from django.db import connection
from numpy.typing import NDArray
from psycopg import Cursor

from surveys.methods.groups_seen_records import SiteNights
from surveys.methods.level_layout import Layout
from surveys.methods.season_change import SeasonReturns, SeveralSeasons
from surveys.methods.season_frame import CatchFrame, LevelRows, ListedWindow, SeasonList, number_site_nights
from surveys.queries.change_rows import several_seasons
from surveys.queries.groups_seen import pooled_site_nights, site_nights
from surveys.queries.night import NightInput

#: Columns of a frame that are written, with the type in which they are computed with.
COLUMNS: Mapping[str, str] = {
    "site": "i8", "region": "i8", "window": "i8", "habitat": "i8", "day": "i8", "trap_nights": "f8", "rim_ratio": "f8",
    "settling": "i8", "temp_max_c": "f8", "temp_min_c": "f8", "school": "?", "first_return": "?",
}  # fmt: skip
BOUNDS = "i4"  #: type in which the bounds of counts are computed with
NOW = 0  #: number of the night's own season; earlier ones follow in time order
LISTS, RETURNING = "lists", "returning"

#: Columns that a level or groups seen never read.
_OF_CHANGE = frozenset({"temp_max_c", "temp_min_c"})


_READ = "SELECT name, kind, content FROM surveys_jobcolumn WHERE job_id = %s AND fence = %s AND name = ANY(%s)"


class NightFrames(Protocol):
    """The returns of a night as its parts read them."""

    @property
    def lists(self) -> SeasonList:
        """The lists of the night's season."""

    def level_rows(self, group: str) -> tuple[LevelRows, int]:
        """Return rows that hold a group, and its position in them."""

    def layout(self, exponent: int) -> Layout:
        """Return all returns arranged under a rim exponent."""

    def several_seasons(self, group: str) -> SeveralSeasons:
        """Return the returns of all seasons that tell of the change of a group."""

    def site_nights(self) -> SiteNights:
        """Return the site-nights of the season."""


class ReadNight:
    """A night in the memory of the worker that read it. No query."""

    def __init__(self, given: NightInput) -> None:
        self._given = given
        self._layouts: dict[int, Layout] = {}
        self.lists = given.lists.by_code

    @cached_property
    def _rows(self) -> LevelRows:
        return LevelRows(self._given.frame, self.lists)

    @cached_property
    def _several(self) -> SeveralSeasons:
        return several_seasons(self._given)

    def level_rows(self, group: str) -> tuple[LevelRows, int]:
        """Return the rows of all groups, and a group's position among them."""
        return self._rows, self.lists.groups.index(group)

    def layout(self, exponent: int) -> Layout:
        """Return all returns arranged under a rim exponent, once for each."""
        if exponent not in self._layouts:
            self._layouts[exponent] = self._rows.layout_of_all(rim_exponent=exponent)
        return self._layouts[exponent]

    def several_seasons(self, group: str) -> SeveralSeasons:
        """Return the returns of all seasons and groups."""
        return self._several

    def site_nights(self) -> SiteNights:
        """Return the site-nights of the season."""
        return site_nights(self._given.frame, self._given.lists)


class WrittenNight:
    """A night as its owner wrote it, read column by column where a part needs it. One query for each reading.

    What all parts read is kept as long as this object; the counts of a group are read for its part alone.
    """

    def __init__(self, job_id: int, fence: int) -> None:
        self._job_id, self._fence = job_id, fence
        self._layouts: dict[int, Layout] = {}

    @cached_property
    def _all_lists(self) -> list[SeasonList]:
        return [_listed(plain) for plain in json.loads(bytes(self._read([LISTS])[LISTS]))]

    @property
    def lists(self) -> SeasonList:
        """The lists of the night's season."""
        return self._all_lists[NOW]

    @cached_property
    def _frame(self) -> CatchFrame:
        """The night's own season without counts and temperatures."""
        return self._bare_frame(NOW, leave_out=_OF_CHANGE)

    @cached_property
    def _rows(self) -> LevelRows:
        return LevelRows(self._frame, self.lists)

    def level_rows(self, group: str) -> tuple[LevelRows, int]:
        """Return the rows of one group, and its position in them."""
        low, high = self._bounds(NOW, group)
        return self._rows.with_bounds(low[None], high[None]), 0

    def layout(self, exponent: int) -> Layout:
        """Return all returns arranged under a rim exponent, once for each."""
        if exponent not in self._layouts:
            self._layouts[exponent] = self._rows.layout_of_all(rim_exponent=exponent)
        return self._layouts[exponent]

    def several_seasons(self, group: str) -> SeveralSeasons:
        """Return the returns of all seasons that tell of the change of one group."""
        seasons = [self._of_group(number, group) for number in range(len(self._all_lists))]
        return SeveralSeasons(seasons[NOW], seasons[1:], self._read([RETURNING])[RETURNING], self._rows)

    def _of_group(self, number: int, group: str) -> SeasonReturns:
        lists, frame = self._all_lists[number], self._bare_frame(number)
        if group not in lists.groups:
            return SeasonReturns(replace(lists, groups=()), frame)
        low, high = self._bounds(number, group)
        return SeasonReturns(replace(lists, groups=(group,)), replace(frame, low=low[None], high=high[None]))

    def site_nights(self) -> SiteNights:
        """Return the site-nights of the season; the counts of one group at a time are in memory."""
        bounds = (self._bounds(NOW, group) for group in self.lists.groups)
        return pooled_site_nights(self._frame, self.lists, bounds)

    def _bounds(self, number: int, group: str) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        names = [column_name(number, bound, group) for bound in ("low", "high")]
        found = self._read(names)
        low, high = (found[name].astype(BOUNDS, copy=False) for name in names)
        return low, high

    def _bare_frame(self, number: int, leave_out: frozenset[str] = frozenset()) -> CatchFrame:
        names = {column_name(number, name): name for name in COLUMNS if name not in leave_out}
        found = {names[name]: column.astype(COLUMNS[names[name]]) for name, column in self._read(list(names)).items()}
        n = len(found["site"])
        unread = {name: np.broadcast_to(np.zeros(1, dtype=COLUMNS[name]), (n,)) for name in leave_out}
        nothing = np.zeros((0, n), dtype=BOUNDS)
        return CatchFrame(
            **found,
            **unread,
            report=np.broadcast_to(np.zeros(1, dtype=np.int64), (n,)),
            site_night=number_site_nights(found["site"], found["day"]),
            low=nothing,
            high=nothing,
        )

    def _read(self, names: list[str]) -> dict[str, NDArray[Any]]:
        """Read columns by name. One query. Raises LookupError when one is not there."""
        found: dict[str, NDArray[Any]] = {}
        connection.ensure_connection()
        # Bytes in binary: as text they would be twice as long.
        with Cursor(connection.connection) as cursor:
            cursor.execute(_READ, [self._job_id, self._fence, names], binary=True)
            for name, kind, content in cursor:
                found[name] = np.frombuffer(content, dtype=np.uint8 if kind == "json" else kind)
        if missing := set(names) - set(found):
            raise LookupError(f"Columns {sorted(missing)} of job {self._job_id} are gone; its claim has ended.")
        return found


def column_name(season: int, name: str, group: str = "") -> str:
    """Return the name under which a column of a season, or of a group in it, is written."""
    return f"{season}/{name}/{group}" if group else f"{season}/{name}"


def written_columns(given: NightInput) -> Iterator[tuple[str, str, bytes]]:
    """Yield name, type and bytes of each column that parts of a night read, in as few bytes as hold it. No query."""
    frames = [(given.lists.by_code, given.frame), *((one.lists.by_code, one.frame) for one in given.earlier)]
    yield LISTS, "json", json.dumps([_plain(lists) for lists, _ in frames]).encode()
    yield RETURNING, *_packed(given.returning)
    for number, (lists, frame) in enumerate(frames):
        for name in COLUMNS:
            yield column_name(number, name), *_packed(getattr(frame, name))
        for position, group in enumerate(lists.groups):
            yield column_name(number, "low", group), *_packed(frame.low[position])
            yield column_name(number, "high", group), *_packed(frame.high[position])


def _packed(column: NDArray[Any]) -> tuple[str, bytes]:
    """Return a column as the smallest type that holds each of its values, and its bytes."""
    kind = column.dtype
    if kind.kind == "i":
        ends = (int(column.min(initial=0)), int(column.max(initial=0)))
        kind = next(np.dtype(f"i{size}") for size in (1, 2, 4, 8) if _fits(ends, size))
    stored = kind.newbyteorder("<")
    return stored.str, column.astype(stored).tobytes()


def _fits(ends: tuple[int, int], size: int) -> bool:
    limits = np.iinfo(f"i{size}")
    return bool(limits.min <= ends[0] and ends[1] <= limits.max)


def _plain(lists: SeasonList) -> dict[str, Any]:
    windows = [[one.code, one.first_day.isoformat(), one.last_day.isoformat()] for one in lists.windows]
    return {**asdict(lists), "windows": windows}


def _listed(plain: Mapping[str, Any]) -> SeasonList:
    return SeasonList(
        season=plain["season"],
        groups=tuple(plain["groups"]),
        habitats=tuple(plain["habitats"]),
        weights=tuple(plain["weights"]),
        regions=tuple(plain["regions"]),
        windows=tuple(
            ListedWindow(code, date.fromisoformat(first), date.fromisoformat(last))
            for code, first, last in plain["windows"]
        ),
    )
