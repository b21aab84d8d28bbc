"""The returns of a whole season as arrays, and how the level index of each group is read from them."""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surveys.methods.level_layout import Layout, arrange_rows, canonical_order
from surveys.methods.level_records import Bools, Floats, Ints, LevelInput
from surveys.methods.level_terms import TermRows, build_terms

#: Bounds of a count where a group was not answered, and the upper one of a class open above.
UNANSWERED, OPEN = -2, -1

#: More than there are days in a calendar, so that no two sites share a site-night.
NIGHTS_APART = 4_000_000


@dataclass(frozen=True, slots=True)
class ListedWindow:
    """A survey window: its code, its first and its last day."""

    code: str
    first_day: date
    last_day: date


@dataclass(frozen=True, slots=True)
class SeasonList:
    """What a season asks about, by code and in its own order; ``weights`` are those of the habitats."""

    season: str
    groups: tuple[str, ...]
    habitats: tuple[str, ...]
    weights: tuple[float, ...]
    regions: tuple[str, ...]
    windows: tuple[ListedWindow, ...]

    @property
    def places(self) -> list[tuple[int, int]]:
        """The positions of region and window of each cell of the index, in the order of its numbers."""
        return [(region, window) for region in range(len(self.regions)) for window in range(len(self.windows))]


@dataclass(frozen=True, slots=True)
class CatchFrame:
    """All usable returns of a season as arrays: n returns, G groups in the season's order.

    ``region``, ``window`` and ``habitat`` are positions in the season's lists; ``site`` is the site's number,
    ``site_night`` tells site and night apart; ``trap_nights`` is effort, ``rim_ratio`` mouth over standard mouth
    (1 where not measured), ``settling`` 0 settled, 1 fresh, -1 unknown; ``day`` counts days; ``temp_max_c`` and
    ``temp_min_c`` are NaN where not told; ``low`` and ``high`` (G, n) bound the counts: ``low`` is -2 where a group
    was not answered, ``high`` -1 where a class is open above. Returns stand in the order in which the level index
    sorts them. Whole numbers may come in less than eight bytes each, where all of them fit.
    """

    report: Ints
    site: Ints
    region: Ints
    window: Ints
    habitat: Ints
    day: Ints
    site_night: Ints
    trap_nights: Floats
    rim_ratio: Floats
    settling: Ints
    temp_max_c: Floats
    temp_min_c: Floats
    school: Bools
    first_return: Bools
    low: NDArray[np.int32]
    high: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.report)

    def known(self, group: int) -> Bools | slice:
        """Say which returns answered a group: a slice when all did."""
        answered = self.low[group] >= 0
        return slice(None) if answered.all() else answered

    def of_sites(self, sites: Ints) -> CatchFrame:
        """Keep the returns of some sites, in their order."""
        return self.keep(np.isin(self.site, sites))

    def keep(self, kept: Bools) -> CatchFrame:
        """Keep some returns, in their order."""
        return CatchFrame(**{name: getattr(self, name)[..., kept] for name in CatchFrame.__slots__})


class LevelRows:
    """The returns of a season as the level index reads them, laid out once for all groups.

    A cell is a region x window. Shared effects: habitat (all but the first), settling, the observer, and the day
    within its window, linear and quadratic, from -1 to 1.
    """

    def __init__(self, frame: CatchFrame, lists: SeasonList) -> None:
        self.frame = frame
        self.n_cells = len(lists.regions) * len(lists.windows)
        self.cell = frame.region.astype(np.int32) * len(lists.windows) + frame.window
        weights = np.array(lists.weights, dtype=np.float64)
        self.habitat_weights = weights / weights.sum()
        self.terms = build_terms(term_rows(frame, lists), len(lists.habitats))

    def with_bounds(self, low: NDArray[np.int32], high: NDArray[np.int32]) -> LevelRows:
        """Return the same rows with the bounds of other groups, (G, n) each; nothing else is copied."""
        found = copy(self)
        found.frame = replace(self.frame, low=low, high=high)
        return found

    def of_group(self, group: int, *, rim_exponent: float) -> LevelInput:
        """Return the rows of one group, those left out that did not answer it."""
        known = self.frame.known(group)
        effort = self.frame.trap_nights * self.frame.rim_ratio**rim_exponent
        return self._rows(known, effort, self.frame.low[group], self.frame.high[group])

    def layout_of_all(self, *, rim_exponent: float) -> Layout:
        """Return all returns arranged, to be shared by the groups that every return answered."""
        effort = self.frame.trap_nights * self.frame.rim_ratio**rim_exponent
        nothing = np.zeros(len(self.frame), dtype=np.int32)
        return arrange_rows(self._rows(slice(None), effort, nothing, nothing))

    def every_return(self) -> LevelInput:
        """Return a row for each return, without counts: only to put them into order."""
        nothing = np.zeros(len(self.frame), dtype=np.int32)
        return self._rows(slice(None), self.frame.trap_nights * self.frame.rim_ratio, nothing, nothing)

    def _rows(self, known: Bools | slice, effort: Floats, low: NDArray[Any], high: NDArray[Any]) -> LevelInput:
        frame = self.frame
        return LevelInput(
            cell=self.cell[known],
            site=frame.site[known],
            effort=effort[known],
            low=low[known],
            high=high[known],
            kinds=self.terms.kinds,
            kind=self.terms.kind[known],
            habitat=frame.habitat[known],
            night=frame.site_night[known],
            n_cells=self.n_cells,
            habitat_weights=self.habitat_weights,
            covariates_of_habitat=self.terms.of_habitat,
        )


def number_site_nights(site: Ints, day: Ints) -> Ints:
    """Give every site and day a number of its own, (n,); ``day`` counts days from the year 1 on."""
    return np.asarray(site.astype(np.int64) * NIGHTS_APART + day)


def order_in_frame(columns: Mapping[str, NDArray[Any]], lists: SeasonList) -> Ints | slice:
    """Return the order in which the level index sorts returns, whatever they caught: found once for all groups.

    Parameters: ``columns`` of a CatchFrame (n,), without ``low`` and ``high``; ``lists`` of the season.
    Returns: the order, a slice where they stand so already; returns that tie stay as they come. Raises: nothing.
    """
    nothing = np.zeros((len(lists.groups), 0), dtype=np.int32)
    return canonical_order(LevelRows(CatchFrame(**columns, low=nothing, high=nothing), lists).every_return())


def term_rows(frame: CatchFrame, lists: SeasonList) -> TermRows:
    """Return what the shared effects of a season's returns are read from."""
    return TermRows(
        site=frame.site,
        habitat=frame.habitat,
        settling=frame.settling,
        in_window=days_in_window(frame, lists),
        school=frame.school,
        first_return=frame.first_return,
    )


def days_in_window(frame: CatchFrame, lists: SeasonList) -> Floats:
    """Return each return's day within its window, from -1 on the first to 1 on the last, (n,)."""
    firsts = np.array([window.first_day.toordinal() for window in lists.windows], dtype=np.float64)
    lasts = np.array([window.last_day.toordinal() for window in lists.windows], dtype=np.float64)
    middle = (firsts + lasts) / 2
    half = np.maximum((lasts - firsts) / 2, 1.0)
    days: Floats = (frame.day - middle[frame.window]) / half[frame.window]
    return days
