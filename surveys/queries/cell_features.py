"""Grid cells of the newest release as features: effort, and on demand the index of the region that each lies in."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.db.models import QuerySet
from shapely.geometry import mapping

from surveys.errors import Fault, Faulty
from surveys.methods.geography import CELL_DEG, cell_around
from surveys.models import Release, ReleasedCell
from surveys.queries.features import (
    Feature,
    FeaturePage,
    Wanted,
    box_on_cells,
    matched,
    unknown_after,
    unknown_id,
    with_code,
)
from surveys.queries.ground import Ground
from surveys.queries.keyset import keyset_slice
from surveys.queries.release_shown import release_shown

#: As the unique constraint of the table has them, so that a page is read in order from its index.
_ORDER = ("season_id", "region_id", "cell_code")
_HALF_DEG = CELL_DEG / 2


def cells_page(ground: Ground, release: Release | None, wanted: Wanted) -> FeaturePage:
    """Return grid cells of a release. One query, and one that counts them all now and then.

    Where ``wanted`` names a group and a window, each cell brings the index of its region for them: the index is that
    of the whole region, never one of the cell. It is known for the release's own season alone.
    """
    if release is None:
        return FeaturePage([], False, 0)
    told = _of_region(release, wanted)
    after = _key(ground, wanted.after, unknown_after) if wanted.after else None
    found, last = keyset_slice(_cells(ground, release, wanted), _ORDER, after, wanted.limit)
    features = [_feature(ground, release, one, told) for one in found]
    total = matched(f"cells/{ground.mark}/{release.sha256}", wanted, lambda: _cells(ground, release, wanted))
    return FeaturePage(features, last is not None, total)


def cell_feature(ground: Ground, release: Release | None, identifier: str) -> Feature:
    """Return one grid cell. One query."""
    key = dict(zip(_ORDER, _key(ground, identifier, unknown_id), strict=True))
    found = ReleasedCell.objects.filter(release=release, **key).first() if release else None
    if release is None or found is None:
        raise unknown_id(identifier)
    return _feature(ground, release, found, lambda season, region: {})


def _cells(ground: Ground, release: Release, wanted: Wanted) -> QuerySet[ReleasedCell]:
    seasons = with_code(ground.seasons.values(), wanted.codes.get("season"))
    kept = [one.pk for one in seasons if wanted.moments is None or wanted.moments.touch(one.stretch)]
    regions = with_code(ground.regions.values(), wanted.codes.get("region"))
    found = release.cells.filter(season_id__in=kept, region_id__in=[one.pk for one in regions])
    return found.filter(box_on_cells(wanted.box, _HALF_DEG)) if wanted.box else found


def _key(ground: Ground, identifier: str, refusal: Callable[[str], Exception]) -> tuple[int, int, str]:
    """Return season, region and cell that an id names. A cell's code has full stops of its own."""
    season_code, _, rest = identifier.partition(".")
    region_code, _, cell = rest.partition(".")
    season = with_code(ground.seasons.values(), season_code)
    region = with_code(ground.regions.values(), region_code)
    if not (season and region and cell) or "\0" in cell:
        raise refusal(identifier)
    return season[0].pk, region[0].pk, cell


def _feature(ground: Ground, release: Release, cell: ReleasedCell, told: _Told) -> Feature:
    season, region = ground.seasons[cell.season_id], ground.regions[cell.region_id]
    properties = {
        "square": cell.cell_code,
        "season": season.code,
        "region": region.code,
        "region_name": region.name,
        "sites": cell.sites,
        "returns": cell.returns,
        "trap_nights": cell.trap_nights,
        **told(season.pk, region.code),
        "release": release.version,
        "licence": season.licence,
        "invented": season.invented,
    }
    identifier = f"{season.code}.{region.code}.{cell.cell_code}"
    return Feature(identifier, mapping(cell_around(cell.cell_latitude, cell.cell_longitude)), properties)


# --- the index of the region ------------------------------------------------------------------------

_Told = Callable[[int, str], dict[str, Any]]


def _of_region(release: Release, wanted: Wanted) -> _Told:
    """Return what is told of a region of a season (its key and its code): nothing unless group and window are named."""
    group, window = wanted.codes.get("group"), wanted.codes.get("window")
    if group is None and window is None:
        return lambda season, region: {}
    if group is None or window is None:
        sentence = "A cell shows the index of its region for one group in one window. Name both: group and window."
        raise _faulty("group" if group is None else "window", sentence)
    shown = release_shown(release)
    _refuse_unknown("group", group, [one.code for one in shown.groups])
    _refuse_unknown("window", window, [one.code for one in shown.windows])

    def told(season: int, region: str) -> dict[str, Any]:
        own = shown.figure(group=group, window=window, region=region) if season == release.season_id else None
        return {
            "region_group": group,
            "region_window": window,
            "region_label": str(own.label) if own else None,
            "region_estimate": own.estimate if own else None,
            "region_low": own.low if own else None,
            "region_high": own.high if own else None,
        }

    return told


def _refuse_unknown(name: str, given: str, known: list[str]) -> None:
    if given not in known:
        raise _faulty(name, f"{given[:40]!r} is no {name} of the newest release. It has: {', '.join(known)}.")


def _faulty(name: str, sentence: str) -> Faulty:
    return Faulty(sentence, faults=(Fault(f"/{name}", "unknown_code", sentence),))
