"""The returns of a season and of those before it on one set of lists: what the change index is laid out from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surveys.methods.change_rows import SeasonsRows
from surveys.methods.level_records import Floats, Ints, LevelInput
from surveys.methods.level_terms import columns_of, part_by_kind
from surveys.methods.season_frame import UNANSWERED, CatchFrame, LevelRows, SeasonList, term_rows


@dataclass(frozen=True, slots=True)
class SeasonReturns:
    """A season's lists and the returns of it that a change reads."""

    lists: SeasonList
    frame: CatchFrame


@dataclass(frozen=True, slots=True)
class _Part:
    """The returns of one season, their places and habitats numbered as in the latest season."""

    lists: SeasonList
    frame: CatchFrame
    cell: Ints
    window: Ints
    habitat: Ints
    kinds: Floats
    kind: NDArray[np.int32]

    def bounds(self, group: str) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """Return lowest and highest count of a group in every return, unanswered where the season did not ask."""
        if group not in self.lists.groups:
            nothing = np.full(len(self.frame), UNANSWERED, dtype=np.int32)
            return nothing, nothing
        position = self.lists.groups.index(group)
        return self.frame.low[position], self.frame.high[position]


class SeveralSeasons:
    """The returns that tell of a change to the season ``now``, laid out once for all groups.

    ``earlier`` seasons stand in time order. Only the sites ``returning``, with returns in two seasons or more, are
    read. A place is a region x window of the latest season. A window of an earlier season belongs to the one with the
    same code; returns in other windows, or in a habitat that the latest season does not list, are left out. ``level``
    rows of the latest season, where they are laid out already, save time.
    """

    def __init__(
        self, now: SeasonReturns, earlier: Sequence[SeasonReturns], returning: Ints, level: LevelRows | None = None
    ) -> None:
        self.lists = now.lists
        level = level or LevelRows(now.frame, now.lists)
        # Of the level only what has no row is kept: the seasons' own columns stand in the parts.
        self._n_places, self._effects = level.n_cells, level.terms.names
        self._habitat_weights, self._of_habitat = level.habitat_weights, level.terms.of_habitat
        self.parts = [self.part(one.lists, one.frame.of_sites(returning)) for one in (*earlier, now)]

    def part(self, lists: SeasonList, frame: CatchFrame) -> _Part:
        """Number some returns of a season as in the latest one, those left out that have no place there."""
        now = self.lists
        region = _renumbered(frame.region, lists.regions, now.regions)
        habitat = _renumbered(frame.habitat, lists.habitats, now.habitats)
        window = _renumbered(frame.window, [one.code for one in lists.windows], [one.code for one in now.windows])
        kept = (region >= 0) & (habitat >= 0) & (window >= 0)
        different, kind = part_by_kind(replace(term_rows(frame, lists), habitat=habitat))
        return _Part(
            lists=lists,
            frame=frame.keep(kept),
            cell=(region * len(now.windows) + window)[kept],
            window=window[kept],
            habitat=habitat[kept],
            kinds=columns_of(different, self._effects),
            kind=kind[kept],
        )

    def seasons_of(self, group: str) -> list[str]:
        """Return the codes of the seasons that ask for a group, in time order, the latest last."""
        return [part.lists.season for part in self.parts if group in part.lists.groups]

    def compared_groups(self) -> list[str]:
        """Return the groups of the latest season that an earlier one has asked for, too."""
        return [group for group in self.lists.groups if len(self.seasons_of(group)) > 1]

    def of_group(self, group: str) -> SeasonsRows:
        """Return the rows of one group in the seasons that ask for it, those left out that did not answer it."""
        parts = [part for part in self.parts if group in part.lists.groups]
        bounds = [part.bounds(group) for part in parts]
        known = [low >= 0 for low, _ in bounds]

        def joined(columns: Sequence[NDArray[Any]]) -> NDArray[Any]:
            return np.concatenate([column[rows] for column, rows in zip(columns, known, strict=True)])

        def of_frames(name: str) -> NDArray[Any]:
            return joined([getattr(part.frame, name) for part in parts])

        n_places = self._n_places
        first_kinds = np.cumsum([0, *(len(part.kinds) for part in parts)])
        period = np.repeat(np.arange(len(parts)), [int(rows.sum()) for rows in known])
        return SeasonsRows(
            level=LevelInput(
                cell=period * n_places + joined([part.cell for part in parts]),
                site=of_frames("site"),
                effort=of_frames("trap_nights") * of_frames("rim_ratio"),
                low=joined([low for low, _ in bounds]),
                high=joined([high for _, high in bounds]),
                kinds=np.concatenate([part.kinds for part in parts]),
                kind=joined([part.kind + np.int32(first) for part, first in zip(parts, first_kinds, strict=False)]),
                habitat=joined([part.habitat for part in parts]),
                night=of_frames("site_night"),
                n_cells=n_places * len(parts),
                habitat_weights=self._habitat_weights,
                covariates_of_habitat=self._of_habitat,
            ),
            window=joined([part.window for part in parts]),
            maximum_c=of_frames("temp_max_c"),
            minimum_c=of_frames("temp_min_c"),
            n_places=n_places,
            n_periods=len(parts),
        )


def _renumbered(places: Ints, listed: Sequence[str], now: Sequence[str]) -> Ints:
    """Return positions on one list as positions on another, -1 where the other has no such entry."""
    known = {entry: position for position, entry in enumerate(now)}
    return np.array([known.get(entry, -1) for entry in listed], dtype=np.int64)[places]
