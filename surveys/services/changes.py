"""The change of every group since the base seasons: part of a night's run, computed beside the indices."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from surveys.methods.change_records import ChangeCell, ChangeResult, ChangeSettings, base_of
from surveys.methods.change_rows import lay_out_change
from surveys.methods.change_temperature import ChangeSideBySide, change_side_by_side
from surveys.methods.level_records import LevelSettings
from surveys.methods.many_comparisons import adjust_for_many
from surveys.models import ChangeValue, Group, Run
from surveys.queries.change_rows import ChangeRows
from surveys.queries.frames import EarlierSeason, NightInput
from surveys.services.held_parts import read_shared, unstored
from surveys.services.side_by_side import results_in_order


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
    rows, chosen = ChangeRows(given), ChangeSettings()
    groups = [group for group in given.lists.groups if len(rows.seasons_of(group.code)) > 1]

    def estimate(group: Group) -> ChangeSideBySide:
        # The published exponent of the rim is 1; a garden keeps its cups, so that another would change little.
        parts = read_shared(shared.get(group.code, {}).get("1"))
        laid_out = lay_out_change(rows.of_group(group.code), parts, level)
        return change_side_by_side(laid_out.rows, laid_out.temperatures, chosen, imputed=laid_out.imputed)

    values: list[ChangeValue] = []
    of_groups: dict[str, Any] = {}
    for group, found in zip(groups, results_in_order(estimate, groups, still_ours), strict=True):
        values.extend(_values(given, group, found))
        seasons = [season.code for season in rows.seasons_of(group.code)]
        of_groups[group.code] = _describe(seasons, found, chosen)
        still_ours()
    _adjust_for_many(values)
    return Changes(
        values,
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


def _describe(seasons: list[str], found: ChangeSideBySide, chosen: ChangeSettings) -> dict[str, Any]:
    return {
        "base": [seasons[period] for period in base_of(len(seasons), chosen)],
        "temperatures": {source.value: count for source, count in found.effect.source.items()},
        "temperature_sentence": found.effect.sentence,
        "warnings": sorted({*found.raw.warnings, *found.adjusted.warnings}),
    }


def _values(given: NightInput, group: Group, found: ChangeSideBySide) -> list[ChangeValue]:
    """Return both changes of every region and window to the latest season."""
    places = [(region, window) for region in given.lists.regions for window in given.lists.windows]
    values = []
    for number, (region, window) in enumerate(places):
        raw, adjusted = (_latest(result, number) for result in (found.raw, found.adjusted))
        place = {"region": region, "window": window, "group": group}
        values.append(_value(raw, _code(raw), adjusted=False, **place))
        # The adjusted change stands beside the one as caught, and never without it.
        code = _code(adjusted) if _code(raw) == "shown" else _code(raw)
        values.append(_value(adjusted, code, adjusted=True, **place))
    return values


def _latest(result: ChangeResult, place: int) -> ChangeCell:
    return result.cell(place, result.n_periods - 1)


def _code(cell: ChangeCell) -> str:
    """Return the code of a cell; one that may be shown must have an interval with its figure inside."""
    if not cell.shown:
        return cell.code
    if cell.ratio is None or cell.low is None or cell.high is None or cell.p_value is None:
        return "no_interval"
    return "shown" if cell.low <= cell.ratio <= cell.high else "no_interval"


def _value(cell: ChangeCell, code: str, *, adjusted: bool, **place: Any) -> ChangeValue:
    shown = code == "shown"
    return ChangeValue(
        **place,
        adjusted=adjusted,
        code=code,
        ratio=cell.ratio if shown else None,
        low=cell.low if shown else None,
        high=cell.high if shown else None,
        p_value=cell.p_value if shown else None,
        revisited_sites=cell.revisited_sites,
        effective_sites=cell.effective_sites,
        more_sites_needed=cell.more_sites_needed,
    )


def _adjust_for_many(values: list[ChangeValue]) -> None:
    """Fill in the p values adjusted over all shown changes of the run: as caught, and apart from them adjusted."""
    for adjusted in (False, True):
        shown = [value for value in values if value.adjusted == adjusted and value.p_value is not None]
        many = adjust_for_many(np.array([value.p_value for value in shown], dtype=float))
        for value, p_adjusted in zip(shown, many.adjusted, strict=True):
            value.p_adjusted = float(p_adjusted)
