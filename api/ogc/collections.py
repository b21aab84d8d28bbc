"""The collections there are, and what is said of each."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from rest_framework.request import Request
from rest_framework.response import Response

from api.ogc.asked import COMMON
from api.ogc.base import GEOJSON, JSON, OpenResource, answer, link
from surveys.errors import NotFound
from surveys.methods.geography import CELL_DEG
from surveys.queries import cell_features, features, index_features
from surveys.queries.features import Feature, FeaturePage, Wanted
from surveys.queries.ground import Ground, Stretch, ground
from surveys.queries.releases import newest_release
from surveys.queries.replica import may_lag
from surveys.vocabulary import LICENCE_URLS, Licence

CRS84 = "http://www.opengis.net/def/crs/OGC/1.3/CRS84"
GREGORIAN = "http://www.opengis.net/def/uom/ISO-8601/0/Gregorian"
_ORIGIN = (
    "Gardens are those of volunteers, who choose themselves. No feature is a garden: the smallest is a grid cell of "
    "0.1 degrees with five gardens or more."
)


class Regions:
    """The regions, from the lists of opened seasons."""

    def __init__(self, found: Ground) -> None:
        self.ground, self.mark = found, found.mark

    def page(self, wanted: Wanted) -> FeaturePage:
        return features.regions_page(self.ground, wanted)

    def feature(self, identifier: str) -> Feature:
        return features.region_feature(self.ground, identifier)


class IndexValues:
    """The index values of the runs that are shown."""

    def __init__(self, found: Ground) -> None:
        self.ground, self.runs = found, index_features.shown_runs(found)
        self.mark = f"{found.mark}/{[run.pk for run in self.runs]}"

    def page(self, wanted: Wanted) -> FeaturePage:
        return index_features.index_page(self.ground, self.runs, wanted)

    def feature(self, identifier: str) -> Feature:
        return index_features.index_feature(self.ground, self.runs, identifier)


class Cells:
    """The grid cells of the newest release."""

    def __init__(self, found: Ground) -> None:
        self.ground, self.release = found, newest_release()
        self.mark = f"{found.mark}/{self.release.sha256 if self.release else ''}"

    def page(self, wanted: Wanted) -> FeaturePage:
        return cell_features.cells_page(self.ground, self.release, wanted)

    def feature(self, identifier: str) -> Feature:
        return cell_features.cell_feature(self.ground, self.release, identifier)


@dataclass(frozen=True, slots=True)
class Collection:
    """One collection. ``codes`` are query parameters of its own: by name, what each of them does."""

    id: str
    title: str
    description: str
    codes: Mapping[str, str]
    #: How far a feature may reach beyond the regions, in degrees.
    reach: float
    open: Callable[[Ground], Regions | IndexValues | Cells]

    @property
    def parameters(self) -> tuple[str, ...]:
        """Every query parameter that its items know."""
        return (*COMMON, *self.codes)


COLLECTIONS: tuple[Collection, ...] = (
    Collection(
        "regions",
        "Regions",
        f"The regions of the seasons that were opened, with their boundaries. {_ORIGIN}",
        {"season": "Regions of this season.", "code": "The region with this code."},
        0.0,
        Regions,
    ),
    Collection(
        "index-values",
        "Activity index by region",
        "The activity index of each season, region, survey window and group: animals per trap-night, mean over "
        "gardens, with its 95 % interval (low, high). Estimate and interval are null where there are too few returns. "
        f"Places are outlines of the regions, with less detail than their boundaries. {_ORIGIN}",
        {
            "season": "Values of this season.",
            "region": "Values of this region.",
            "window": "Values of this survey window.",
            "group": "Values of this animal group.",
        },
        0.0,
        IndexValues,
    ),
    Collection(
        "cells",
        "Effort by grid cell",
        "Sites, returns and trap-nights in each grid cell of the newest release. With the parameters group and window, "
        "each cell also brings the activity index of the region that it lies in (region_estimate, region_low, "
        "region_high, region_label): a figure of the whole region, the same in all its cells, and never one of the "
        f"cell. {_ORIGIN}",
        {
            "season": "Cells of this season.",
            "region": "Cells of this region.",
            "group": "Animal group of the region's index. Goes with window.",
            "window": "Survey window of the region's index. Goes with group.",
        },
        CELL_DEG,
        Cells,
    ),
)


def collection_by_id(identifier: str) -> Collection:
    """Return a collection, or refuse an id that is none."""
    for one in COLLECTIONS:
        if one.id == identifier:
            return one
    known = ", ".join(one.id for one in COLLECTIONS)
    raise NotFound(f"There is no collection {identifier[:40]!r}. There are: {known}.")


class Collections(OpenResource):
    """All collections (section 7.13)."""

    @may_lag
    def get(self, request: Request) -> Response:
        found = ground()
        body = {
            "links": [link(request, "self", "collections", JSON, "The collections"), *_licences(request, found)],
            "collections": [_told(request, found, one) for one in COLLECTIONS],
        }
        return answer(request, body, mark=found.mark)


class OneCollection(OpenResource):
    """One collection (section 7.14)."""

    @may_lag
    def get(self, request: Request, collection: str) -> Response:
        chosen, found = collection_by_id(collection), ground()
        return answer(request, _told(request, found, chosen), mark=found.mark)


def _told(request: Request, found: Ground, one: Collection) -> dict[str, Any]:
    own = f"collections/{one.id}"
    return {
        "id": one.id,
        "title": one.title,
        "description": one.description,
        **_extent(found, one.reach),
        "itemType": "feature",
        "crs": [CRS84],
        "links": [
            link(request, "self", own, JSON, one.title),
            link(request, "items", f"{own}/items", GEOJSON, f"{one.title}: features"),
            link(request, "describedby", "/codebook/", "text/html", "What the columns mean"),
            *_licences(request, found),
        ],
    }


def _licences(request: Request, found: Ground) -> Iterable[dict[str, str]]:
    used = sorted({one.licence for one in found.seasons.values()})
    return [link(request, "license", LICENCE_URLS[Licence(one)], "text/html", one) for one in used]


def _extent(found: Ground, reach: float) -> dict[str, Any]:
    """Return the box around all regions and the time of all seasons; nothing before there are any."""
    boxes = [one.boundary.shape.bounds for one in found.regions.values()]
    stretches = [one.stretch for one in found.seasons.values()]
    if not boxes or not stretches:
        return {}
    west, south, east, north = zip(*boxes, strict=True)
    edges = [
        max(min(west) - reach, -180), max(min(south) - reach, -90), min(max(east) + reach, 180),
        min(max(north) + reach, 90),
    ]  # fmt: skip
    spatial = {"bbox": [[round(edge, 6) for edge in edges]], "crs": CRS84}
    return {"extent": {"spatial": spatial, "temporal": {"interval": [_interval(stretches)], "trs": GREGORIAN}}}


def _interval(stretches: list[Stretch]) -> list[str]:
    ends = (min(one.first for one in stretches), max(one.end for one in stretches))
    return [_instant(one) for one in ends]


def _instant(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
