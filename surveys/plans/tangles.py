"""Boundaries whose lines cross so often that comparing them would take hours: found before anything is compared.

Two combs of ten thousand teeth each, laid across, meet a hundred million times. Lines that may meet are counted by
their boxes, piece by piece, and the counting stops early.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry
from shapely.strtree import STRtree

#: Lines of an honest boundary meet their two neighbours and a few more; this many for each, and a handful on top.
MEETINGS_A_LINE = 12
MEETINGS_ON_TOP = 20_000
_PIECE = 32


def tangles_in(places: Sequence[BaseGeometry]) -> set[int]:
    """Return the positions of those boundaries whose lines meet lines too often, their own or others'."""
    lines = [_lines_of(place) for place in places]
    if not lines:
        return set()
    owner = np.repeat(np.arange(len(lines)), [len(one) for one in lines])
    every = np.concatenate(lines)
    tree = STRtree(every)
    return {n for n, own in enumerate(lines) if _meets_too_often(tree, own, int((owner == n).sum()))}


def _meets_too_often(tree: STRtree, own: NDArray[np.object_], number: int) -> bool:
    allowed, met = MEETINGS_A_LINE * number + MEETINGS_ON_TOP, 0
    for start in range(0, len(own), _PIECE):
        met += tree.query(own[start : start + _PIECE]).shape[1]
        if met > allowed:
            return True
    return False


def _lines_of(place: BaseGeometry) -> NDArray[np.object_]:
    """Return every line of a boundary from one point to the next."""
    rings = shapely.get_rings(shapely.get_parts(place))
    points = [shapely.get_coordinates(ring) for ring in rings]
    pairs = [np.stack([one[:-1], one[1:]], axis=1) for one in points if len(one) > 1]
    found: NDArray[np.object_] = shapely.linestrings(np.concatenate(pairs)) if pairs else np.array([], dtype=object)
    return found
