"""The change of every group since the base seasons: part of a night's run, computed beside the indices."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from surveys.methods.change_records import ChangeSettings
from surveys.methods.change_temperature import ChangeSideBySide
from surveys.methods.level_records import LevelSettings
from surveys.methods.season_change_figures import (
    ChangeFigure,
    change_figures,
    change_of_group,
    describe_change,
    with_many_adjusted,
)
from surveys.methods.side_by_side import results_in_order
from surveys.models import ChangeValue, Run
from surveys.queries.change_rows import several_seasons
from surveys.queries.night import EarlierSeason, NightInput
from surveys.queries.seasons import SeasonLists
from surveys.services.held_parts import read_shared, unstored


@dataclass(frozen=True, slots=True)
class Changes:
    """The changes of a run, not stored yet, and what its parameters say of them; both empty in a first season."""

    values: list[ChangeValue] = field(default_factory=list)
    described: dict[str, Any] = field(default_factory=dict)


def kept_changes(run: Run) -> Changes:
    """Return the changes of an earlier run, to be shown again on a night that holds its shared parts. One query."""
    return Changes(unstored(ChangeValue.objects.filter(run=run)), run.parameters.get("change", {}))


def compute_changes(
    *, given: NightInput, shared: Mapping[str, Any], level: LevelSettings, still_ours: Callable[[], None]
) -> Changes:
    """Compute the change of every group that an earlier season has asked for, too.

    ``shared`` holds the shared parts of this run's level fit, by group code and rim exponent. ``still_ours`` is
    called after each group and every 20 seconds between; it may raise to stop.
    """
    if not given.earlier:
        return Changes()
    seasons, chosen = several_seasons(given), ChangeSettings()
    groups = seasons.compared_groups()

    def estimate(group: str) -> ChangeSideBySide:
        parts = read_shared(shared.get(group, {}).get("1"))
        return change_of_group(seasons, group, parts, level, chosen)

    figures: list[ChangeFigure] = []
    of_groups: dict[str, Any] = {}
    for group, found in zip(groups, results_in_order(estimate, groups, still_ours), strict=True):
        figures.extend(change_figures(found, seasons.lists, group))
        of_groups[group] = describe_change(seasons.seasons_of(group), found, chosen)
        still_ours()
    return Changes(
        [_value(given.lists, figure) for figure in with_many_adjusted(figures)],
        {"settings": asdict(chosen), "earlier": [_name(earlier) for earlier in given.earlier], "groups": of_groups},
    )


def _name(earlier: EarlierSeason) -> dict[str, Any]:
    season = earlier.lists.season
    return {
        "season": season.code,
        "title": season.title,
        "returns": earlier.returns,
        "snapshot_hash": earlier.digest,
    }


def _value(lists: SeasonLists, figure: ChangeFigure) -> ChangeValue:
    groups = {group.code: group for group in lists.groups}
    return ChangeValue(
        region=lists.regions[figure.region],
        window=lists.windows[figure.window],
        group=groups[figure.group],
        adjusted=figure.adjusted,
        code=figure.code,
        ratio=figure.ratio,
        low=figure.low,
        high=figure.high,
        p_value=figure.p_value,
        p_adjusted=figure.p_adjusted,
        revisited_sites=figure.revisited_sites,
        effective_sites=figure.effective_sites,
        more_sites_needed=figure.more_sites_needed,
    )
