"""What each part of a night's computing does: from arrays and a few plain values to plain values.

The same whether a worker does all parts alone or many workers share them. Results are JSON as text: every number comes
back to the last digit.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from surveys.methods.change_records import ChangeSettings
from surveys.methods.groups_seen import groups_seen
from surveys.methods.groups_seen_records import GroupsSeenSettings
from surveys.methods.level_records import LevelSettings
from surveys.methods.season_change_figures import change_figures, change_of_group, describe_change
from surveys.methods.season_index import describe_components, estimate_exponent, level_figures
from surveys.queries.night_frames import NightFrames
from surveys.services.held_parts import read_shared, write_shared
from surveys.vocabulary import PartKind

Given = Mapping[str, Any]
Work = Callable[[], dict[str, Any]]


def as_text(plain: Any) -> str:
    """Return plain values as text; numbers of numpy become those of Python, and lose nothing."""
    return json.dumps(plain, default=lambda number: number.item())


def work_on(frames: NightFrames, kind: PartKind, given: Given) -> Work:
    """Read what a part is computed from and return its work, which reads nothing more and may run in a thread.

    Raises LookupError where the columns of the part are gone.
    """
    return _READERS[kind](frames, given)


def _level(frames: NightFrames, given: Given) -> Work:
    """``given``: a ``group``, a rim ``exponent``, ``level`` settings; ``held`` where the night ``holds`` any."""
    group, exponent, lists = given["group"], given["exponent"], frames.lists
    rows, position = frames.level_rows(group)
    held, chosen = read_shared(given["held"]), LevelSettings(**given["level"])
    # Beside held parts a layout is most of the work that is left, and most groups are answered by every return.
    layout = frames.layout(exponent) if given["holds"] else None

    def work() -> dict[str, Any]:
        result = estimate_exponent(rows, position, exponent, chosen, held=held, layout=layout)
        figures = level_figures(result, lists, lists.groups.index(group), exponent)
        return {
            "figures": [asdict(figure) for figure in figures],
            "components": describe_components(result),
            "shared": write_shared(result.shared),
        }

    return work


def _change(frames: NightFrames, given: Given) -> Work:
    """``given``: code of a ``group``, ``level`` settings, and its ``shared`` parts at rim exponent 1."""
    group, chosen = given["group"], ChangeSettings()
    seasons = frames.several_seasons(group)
    shared, level = read_shared(given["shared"]), LevelSettings(**given["level"])

    def work() -> dict[str, Any]:
        found = change_of_group(seasons, group, shared, level, chosen)
        return {
            "figures": [asdict(figure) for figure in change_figures(found, seasons.lists, group)],
            "described": describe_change(seasons.seasons_of(group), found, chosen),
        }

    return work


def _groups_seen(frames: NightFrames, given: Given) -> Work:
    """``given``: the ``seed``."""
    record, chosen = frames.site_nights(), GroupsSeenSettings()

    def work() -> dict[str, Any]:
        found = groups_seen(record, chosen, np.random.default_rng(given["seed"]))
        return {
            "regions": [asdict(region) for region in found.regions],
            "described": {
                "settings": asdict(chosen),
                "groups": list(found.groups),
                "groups_left_out": list(found.groups_left_out),
                "base_effort": found.base_effort,
                "base_coverage": found.base_coverage,
            },
        }

    return work


_READERS: dict[PartKind, Callable[[NightFrames, Given], Work]] = {
    PartKind.LEVEL: _level,
    PartKind.CHANGE: _change,
    PartKind.GROUPS_SEEN: _groups_seen,
}
