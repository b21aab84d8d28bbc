"""The change of one group to the latest season of a release: a part of its index series, as a level is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from surveys.methods.change_records import ChangeSettings
from surveys.methods.level_records import LevelSettings, SharedParts
from surveys.methods.season_change import SeasonReturns, SeveralSeasons
from surveys.methods.season_change_figures import ChangeFigure, change_figures, change_of_rows, describe_change
from surveys.methods.season_frame import SeasonList
from surveys.release_files.index_columns import Columns


@dataclass(frozen=True, slots=True)
class ChangePart:
    """The change of a ``group`` over the ``seasons`` that ask for it, by number, the latest last.

    ``shared`` parts are those of the latest season's level, None where it learned nothing.
    """

    columns: Columns
    seasons: Mapping[int, SeasonList]
    group: str
    shared: SharedParts | None
    level: LevelSettings
    settings: ChangeSettings


@dataclass(frozen=True, slots=True)
class ChangeFound:
    """What is shown of the change of a group, and what is told of it."""

    figures: Sequence[ChangeFigure]
    described: dict[str, Any]


def find_change(part: ChangePart) -> ChangeFound:
    """Estimate the change of a group to the latest season, as caught and adjusted to nights of one warmth."""
    found = change_of_rows(_seasons(part).of_group(part.group), part.shared, part.level, part.settings)
    *_, lists = part.seasons.values()
    codes = [one.season for one in part.seasons.values()]
    return ChangeFound(change_figures(found, lists, part.group), describe_change(codes, found, part.settings))


def _seasons(part: ChangePart) -> SeveralSeasons:
    *earlier, now = (
        SeasonReturns(replace(lists, groups=(part.group,)), part.columns.frame(number, lists.groups.index(part.group)))
        for number, lists in part.seasons.items()
    )
    return SeveralSeasons(now, earlier, part.columns.returning())
