"""The change of every group since the base seasons: part of a night's run, computed beside the indices."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from surveys.methods.change_records import ChangeSettings
from surveys.methods.level_records import LevelSettings
from surveys.methods.season_change_figures import ChangeFigure, with_many_adjusted
from surveys.models import ChangeValue, Run
from surveys.queries.night import EarlierSeason, NightInput
from surveys.queries.seasons import SeasonLists
from surveys.services.held_parts import unstored
from surveys.services.part_doers import DoParts, here
from surveys.vocabulary import PartKind


@dataclass(frozen=True, slots=True)
class Changes:
    """The changes of a run, not stored yet, and what its parameters say of them; both empty in a first season."""

    values: list[ChangeValue] = field(default_factory=list)
    described: dict[str, Any] = field(default_factory=dict)


def kept_changes(run: Run) -> Changes:
    """Return the changes of an earlier run, to be shown again on a night that holds its shared parts. One query."""
    return Changes(unstored(ChangeValue.objects.filter(run=run)), run.parameters.get("change", {}))


def compute_changes(
    *,
    given: NightInput,
    shared: Mapping[str, Any],
    level: LevelSettings,
    still_ours: Callable[[], None],
    do: DoParts | None = None,
) -> Changes:
    """Compute the change of every group that an earlier season has asked for, too.

    ``shared`` holds the shared parts of this run's level fit, by group code and rim exponent. ``still_ours`` is
    called after each group and every 20 seconds between; it may raise to stop. ``do`` does the parts, this process
    where it is None.
    """
    if not given.earlier:
        return Changes()
    asked_before = {group.code for earlier in given.earlier for group in earlier.lists.groups}
    groups = [group.code for group in given.lists.groups if group.code in asked_before]
    settings = asdict(level)
    parts = [{"group": group, "level": settings, "shared": shared.get(group, {}).get("1")} for group in groups]
    figures: list[ChangeFigure] = []
    of_groups: dict[str, Any] = {}
    found = (do or here(given))(PartKind.CHANGE, parts, still_ours)
    for group, result in zip(groups, found, strict=True):
        figures.extend(ChangeFigure(**figure) for figure in result["figures"])
        of_groups[group] = result["described"]
        still_ours()
    return Changes(
        [_value(given.lists, figure) for figure in with_many_adjusted(figures)],
        {
            "settings": asdict(ChangeSettings()),
            "earlier": [_name(earlier) for earlier in given.earlier],
            "groups": of_groups,
        },
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
