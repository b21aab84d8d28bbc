"""The published activity index as features: one for each season, region, group and window of the runs shown."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any, NamedTuple

from django.db.models import QuerySet

from surveys.models import IndexValue, Run
from surveys.queries.features import (
    Feature,
    FeaturePage,
    Wanted,
    in_box,
    matched,
    unknown_after,
    unknown_id,
    with_code,
)
from surveys.queries.ground import Ground
from surveys.queries.keyset import keyset_slice
from surveys.vocabulary import RunState

#: As the tables have them, so that a page is read in order from an index that is there.
_ORDER = ("region_id", "group_id", "window_id")
_TOLD = (
    "estimate", "low", "high", "sites", "site_nights", "returns", "trap_nights", "more_sites_needed", "rim_exponent",
)  # fmt: skip


class ShownRun(NamedTuple):
    """The run that is shown for a season."""

    pk: int
    season: int
    night: date
    method_version: str


def shown_runs(ground: Ground) -> list[ShownRun]:
    """Return the run that is shown for each opened season, in the order of the features. One query."""
    rows = Run.objects.filter(state=RunState.PUBLISHED, season_id__in=list(ground.seasons)).order_by("season_id")
    return [ShownRun(*row) for row in rows.values_list("pk", "season_id", "night", "method_version")]


def index_page(ground: Ground, runs: list[ShownRun], wanted: Wanted) -> FeaturePage:
    """Return index values. One query for each season on the page, and one that counts them all now and then."""
    after = _key(ground, wanted.after, unknown_after) if wanted.after else None
    asked = wanted.codes.get("season")
    of_season = [one for one in runs if asked is None or ground.seasons[one.season].code == asked]
    rows: list[tuple[ShownRun, IndexValue]] = []
    for run in of_season:
        if after and run.season < after[0]:
            continue
        left = wanted.limit + 1 - len(rows)
        behind = after[1:] if after and run.season == after[0] else None
        found, _ = keyset_slice(_values(ground, [run], wanted), _ORDER, behind, left)
        rows += [(run, one) for one in found]
        if len(rows) > wanted.limit:
            break
    features = [_feature(ground, run, one) for run, one in rows[: wanted.limit]]
    mark = f"index-values/{ground.mark}/{[one.pk for one in of_season]}"
    total = matched(mark, wanted, lambda: _values(ground, of_season, wanted))
    return FeaturePage(features, len(rows) > wanted.limit, total)


def index_feature(ground: Ground, runs: list[ShownRun], identifier: str) -> Feature:
    """Return one index value. One query."""
    season, *key = _key(ground, identifier, unknown_id)
    for run in (one for one in runs if one.season == season):
        found = IndexValue.objects.filter(run_id=run.pk, rim_exponent=1, **dict(zip(_ORDER, key, strict=True))).first()
        if found is not None:
            return _feature(ground, run, found)
    raise unknown_id(identifier)


def _values(ground: Ground, runs: list[ShownRun], wanted: Wanted) -> QuerySet[IndexValue]:
    """Return the published values of some runs that are asked for."""
    found = IndexValue.objects.filter(run_id__in=[one.pk for one in runs], rim_exponent=1)
    if wanted.box or "region" in wanted.codes:
        regions = in_box(with_code(ground.regions.values(), wanted.codes.get("region")), wanted.box)
        found = found.filter(region_id__in=[one.pk for one in regions])
    if wanted.moments or "window" in wanted.codes:
        windows = with_code(ground.windows.values(), wanted.codes.get("window"))
        kept = [one.pk for one in windows if wanted.moments is None or wanted.moments.touch(one.stretch)]
        found = found.filter(window_id__in=kept)
    if "group" in wanted.codes:
        groups = with_code(ground.groups.values(), wanted.codes["group"])
        found = found.filter(group_id__in=[one.pk for one in groups])
    return found


def _key(ground: Ground, identifier: str, refusal: Callable[[str], Exception]) -> tuple[int, int, int, int]:
    """Return season, region, group and window that an id names."""
    parts = identifier.split(".")
    if len(parts) != 4:
        raise refusal(identifier)
    season = with_code(ground.seasons.values(), parts[0])
    region = with_code(ground.regions.values(), parts[1])
    windows = [one for one in with_code(ground.windows.values(), parts[2]) if season and one.season == season[0].pk]
    group = with_code(ground.groups.values(), parts[3])
    if not (season and region and windows and group):
        raise refusal(identifier)
    return season[0].pk, region[0].pk, group[0].pk, windows[0].pk


def _feature(ground: Ground, run: ShownRun, value: Any) -> Feature:
    season, region = ground.seasons[run.season], ground.regions[value.region_id]
    window, group = ground.windows[value.window_id], ground.groups[value.group_id]
    properties = {
        "season": season.code,
        "region": region.code,
        "region_name": region.name,
        "window": window.code,
        "first_day": window.first_day.isoformat(),
        "last_day": window.last_day.isoformat(),
        "group": group.code,
        "group_name": group.name,
        "label": str(value.label),
        **{name: getattr(value, name) for name in _TOLD},
        "night": run.night.isoformat(),
        "method_version": run.method_version,
        "licence": season.licence,
        "invented": season.invented,
    }
    identifier = ".".join((season.code, region.code, window.code, group.code))
    return Feature(identifier, region.outline.geometry, properties)
