"""The features of a collection, page by page, and each one by its id."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from rest_framework.request import Request
from rest_framework.response import Response

from api.ogc.asked import wanted
from api.ogc.base import GEOJSON, JSON, OpenResource, answer, link
from api.ogc.collections import collection_by_id
from surveys.queries.features import Feature
from surveys.queries.ground import ground
from surveys.queries.replica import may_lag


class Items(OpenResource):
    """The features of one collection (sections 7.15 and 7.16)."""

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        self.query_parameters = collection_by_id(kwargs["collection"]).parameters
        super().initial(request, *args, **kwargs)

    @may_lag
    def get(self, request: Request, collection: str) -> Response:
        chosen = collection_by_id(collection)
        asked = wanted({name: str(value) for name, value in request.query_params.items()}, tuple(chosen.codes))
        opened = chosen.open(ground())
        page = opened.page(asked)
        own = f"collections/{chosen.id}"
        links = [
            link(request, "self", request.build_absolute_uri(), GEOJSON, "This page"),
            link(request, "collection", own, JSON, chosen.title),
        ]
        following = _next(request, page.features[-1].id) if page.more else ""
        if following:
            links.append(link(request, "next", following, GEOJSON, "The next page"))
        body = {
            "type": "FeatureCollection",
            "timeStamp": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            "numberMatched": page.matched,
            "numberReturned": len(page.features),
            "features": [_written(one) for one in page.features],
            "links": links,
        }
        return answer(request, body, mark=opened.mark, form=GEOJSON, next_page=following)


class OneItem(OpenResource):
    """One feature (section 7.17)."""

    @may_lag
    def get(self, request: Request, collection: str, fid: str) -> Response:
        chosen = collection_by_id(collection)
        opened = chosen.open(ground())
        own = f"collections/{chosen.id}"
        links = [
            link(request, "self", f"{own}/items/{fid}", GEOJSON, "This feature"),
            link(request, "collection", own, JSON, chosen.title),
        ]
        body = {**_written(opened.feature(fid)), "links": links}
        return answer(request, body, mark=opened.mark, form=GEOJSON)


def _next(request: Request, last: str) -> str:
    """Return the address of the next page: the same question, behind the last feature of this one."""
    parameters = request.query_params.copy()
    parameters["after"] = last
    return request.build_absolute_uri(f"{request.path}?{parameters.urlencode()}")


def _written(feature: Feature) -> dict[str, Any]:
    return {
        "type": "Feature",
        "id": feature.id,
        "geometry": feature.geometry,
        "properties": feature.properties,
    }
