"""The returns of a season and of those before it on one set of lists: what the change index is laid out from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surveys.methods.change_rows import SeasonsRows, columns_of
from surveys.methods.level_records import LevelInput
from surveys.models import Season
from surveys.queries.frames import UNANSWERED, CatchFrame, LevelRows, NightInput, term_rows
from surveys.queries.seasons import SeasonLists


@dataclass(frozen=True, slots=True)
class _Part:
    """The returns of one season, their places and habitats numbered as in the latest season."""

    lists: SeasonLists
    frame: CatchFrame
    cell: NDArray[np.int64]
    window: NDArray[np.int64]
    habitat: NDArray[np.int64]
    covariates: NDArray[np.float64]

    def bounds(self, group: str) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """Return lowest and highest count of a group in every return, unanswered where the season did not ask."""
        found = [position for position, one in enumerate(self.lists.groups) if one.code == group]
        if not found:
            nothing = np.full(len(self.frame), UNANSWERED, dtype=np.int32)
            return nothing, nothing
        return self.frame.low[found[0]], self.frame.high[found[0]]


class ChangeRows:
    """The returns that tell of a change, laid out once for all groups. No query.

    A place is a region x window of the latest season. A window of an earlier season belongs to the one with the same
    code; returns in other windows, or in a habitat that the latest season does not list, are left out.
    """

    def __init__(self, given: NightInput) -> None:
        self.lists = given.lists
        self.level = LevelRows(given.frame, given.lists)
        now = (given.lists, given.frame.of_sites(given.returning))
        self.parts = [self._part(lists, frame) for lists, frame in (*((e.lists, e.frame) for e in given.earlier), now)]

    def _part(self, lists: SeasonLists, frame: CatchFrame) -> _Part:
        now = self.lists
        region = _renumbered(frame.region, [one.pk for one in lists.regions], [one.pk for one in now.regions])
        habitat = _renumbered(frame.habitat, [one.pk for one in lists.habitats], [one.pk for one in now.habitats])
        window = _renumbered(frame.window, [one.code for one in lists.windows], [one.code for one in now.windows])
        kept = (region >= 0) & (habitat >= 0) & (window >= 0)
        rows = replace(term_rows(frame, lists), habitat=habitat)
        return _Part(
            lists=lists,
            frame=CatchFrame(**{name: getattr(frame, name)[..., kept] for name in CatchFrame.__slots__}),
            cell=(region * len(now.windows) + window)[kept],
            window=window[kept],
            habitat=habitat[kept],
            covariates=columns_of(rows, self.level.terms.names)[kept],
        )

    def seasons_of(self, group: str) -> list[Season]:
        """Return the seasons that ask for a group, in time order, the latest last."""
        return [part.lists.season for part in self.parts if any(one.code == group for one in part.lists.groups)]

    def of_group(self, group: str) -> SeasonsRows:
        """Return the rows of one group in the seasons that ask for it, those left out that did not answer it."""
        asked = self.seasons_of(group)
        parts = [part for part in self.parts if part.lists.season in asked]
        bounds = [part.bounds(group) for part in parts]
        low, high = (np.concatenate([both[end] for both in bounds]) for end in (0, 1))
        known = low >= 0
        n_places, sizes = self.level.n_cells, [len(part.frame) for part in parts]
        period = np.repeat(np.arange(len(parts)), sizes)
        effort = _joined(parts, "trap_nights") * _joined(parts, "rim_ratio")
        return SeasonsRows(
            level=LevelInput(
                cell=(period * n_places + np.concatenate([part.cell for part in parts]))[known],
                site=_joined(parts, "site")[known],
                effort=effort[known],
                low=low[known],
                high=high[known],
                covariates=np.concatenate([part.covariates for part in parts])[known],
                habitat=np.concatenate([part.habitat for part in parts])[known],
                night=_joined(parts, "site_night")[known],
                n_cells=n_places * len(parts),
                habitat_weights=self.level.habitat_weights,
                covariates_of_habitat=self.level.terms.of_habitat,
            ),
            window=np.concatenate([part.window for part in parts])[known],
            maximum_c=_joined(parts, "temp_max_c")[known],
            minimum_c=_joined(parts, "temp_min_c")[known],
            n_places=n_places,
            n_periods=len(parts),
        )


def _joined(parts: Sequence[_Part], name: str) -> NDArray[Any]:
    return np.concatenate([getattr(part.frame, name) for part in parts])


def _renumbered(places: NDArray[np.int64], listed: Sequence[Any], now: Sequence[Any]) -> NDArray[np.int64]:
    """Return positions on one list as positions on another, -1 where the other has no such entry."""
    known = {entry: position for position, entry in enumerate(now)}
    return np.array([known.get(entry, -1) for entry in listed], dtype=np.int64)[places]
