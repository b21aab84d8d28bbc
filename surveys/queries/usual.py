"""What is usual, as the last night left it, and where a return stands in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import shape

from surveys.errors import NotFound
from surveys.methods.screening_records import RegionFrame
from surveys.methods.usual import plan_baseline, split_size
from surveys.models import Region, UsualCatch
from surveys.queries.seasons import SeasonLists

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """What is usual by region, window, habitat and group: ``mean``, ``size`` and ``site_shape`` (R, W, H, G).

    ``since`` (R, W, H): the night that found this to be usual; ``nights`` (R, W, H): trap-nights it was learned from.
    """

    mean: Floats
    size: Floats
    site_shape: Floats
    since: Ints
    nights: Floats


@lru_cache(maxsize=4)
def baseline(lists: SeasonLists, generation: int) -> Baseline:
    """Return what is usual, from one generation or, before there is one, from planning values.

    One query for each generation: it is written whole and never changes, so nobody may write into it. Raises NotFound
    for a generation that is not there any more, as a later night has learned. Rows written before this was kept have
    neither effort nor the night that found them usual: a return stands for a trap-night, and they are news.
    """
    planned = [plan_baseline(group.planning_typical, group.planning_high) for group in lists.groups]
    size, site_shape = split_size(np.array([one[1] for one in planned]))
    cells = (len(lists.regions), len(lists.windows), len(lists.habitats))
    found = Baseline(
        mean=np.tile(np.array([one[0] for one in planned]), (*cells, 1)),
        size=np.tile(size, (*cells, 1)),
        site_shape=np.tile(site_shape, (*cells, 1)),
        since=np.zeros(cells, dtype=np.int64),
        nights=np.zeros(cells),
    )
    if generation:
        regions, windows, habitats, groups = (
            {row.pk: place for place, row in enumerate(listed)}
            for listed in (lists.regions, lists.windows, lists.habitats, lists.groups)
        )
        rows = UsualCatch.objects.filter(season=lists.season, generation=generation).values_list(
            "region_id", "window_id", "habitat_id", "group_id", "mean", "size", "site_shape", "since", "trap_nights",
            "returns",
        )  # fmt: skip
        if not rows:
            raise NotFound(f"What was usual on night {generation} of {lists.season.code} is not kept any more.")
        for region, window, habitat, group, mean, night_size, shape_, since, nights, returns in rows:
            cell = (regions[region], windows[window], habitats[habitat])
            at = (*cell, groups[group])
            found.mean[at], found.size[at], found.site_shape[at] = mean, night_size, shape_
            found.since[cell] = since or generation
            found.nights[cell] = max(found.nights[cell], nights or returns)
    return found


@lru_cache(maxsize=4)
def region_frames(lists: SeasonLists, generation: int) -> dict[tuple[int, int], RegionFrame]:
    """Return the frame of each region and window: what its usable returns were expected to catch.

    No query but that of :func:`baseline`, whose generation it belongs to.
    """
    usual = baseline(lists, generation)
    codes = tuple(group.code for group in lists.groups)
    frames = {}
    for region, row in enumerate(lists.regions):
        rings = _rings(row)
        for window in range(len(lists.windows)):
            nights = usual.nights[region, window]
            frames[region, window] = RegionFrame(
                groups=codes,
                expected_total=nights @ usual.mean[region, window],
                trap_nights=float(nights.sum()),
                rings=rings,
            )
    return frames


def _rings(region: Region) -> tuple[Floats, ...]:
    outline = shape(region.boundary)
    parts = outline.geoms if outline.geom_type == "MultiPolygon" else [outline]
    return tuple(
        np.asarray(ring.coords, dtype=np.float64)[:, :2] for part in parts for ring in (part.exterior, *part.interiors)
    )


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Where n returns stand in the arrays of a season: ``region``, ``window`` and ``habitat`` (n,)."""

    region: Ints
    window: Ints
    habitat: Ints

    @property
    def cell(self) -> tuple[Ints, Ints, Ints]:
        """Return what an array (R, W, H, ...) is indexed by."""
        return self.region, self.window, self.habitat


def places_of(lists: SeasonLists, *, region: Ints, day: Ints, habitat: Ints) -> Places:
    """Return the places of n returns: keys of regions and habitats and ordinal days (n,) in. No query.

    A night between two windows counts to the nearest, the earlier one where both are as near; a habitat that is not
    in the season's list to the last, "other". Raises KeyError for a region of another season.
    """
    first = np.array([row.first_day.toordinal() for row in lists.windows])
    last = np.array([row.last_day.toordinal() for row in lists.windows])
    away = np.maximum(np.maximum(first - day[:, None], day[:, None] - last), 0)
    regions = {row.pk: place for place, row in enumerate(lists.regions)}
    habitats = {row.pk: place for place, row in enumerate(lists.habitats)}
    other = len(lists.habitats) - 1
    return Places(
        region=_looked_up(region, lambda key: regions[key]),
        window=np.argmin(away, axis=1).astype(np.int64),
        habitat=_looked_up(habitat, lambda key: habitats.get(key, other)),
    )


def _looked_up(keys: Ints, place: Callable[[int], int]) -> Ints:
    """Return the place of each key; few keys are many rows'."""
    unique, which = np.unique(keys, return_inverse=True)
    return np.array([place(int(key)) for key in unique], dtype=np.int64)[which] if len(unique) else keys
