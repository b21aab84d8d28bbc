"""A checker of OGC API Features, Part 1: Core 1.0.1 (OGC 17-069r4), of its classes core and geojson.

Each rule names the requirement it comes from, as the standard's own list of requirements has it (/req/...). It knows
nothing of this service but its address: it follows links.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from urllib.parse import quote, urlsplit

from shapely import is_ccw
from shapely.geometry import Polygon, shape

CORE = "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/core"
GEOJSON_CLASS = "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/geojson"
JSON, GEOJSON = "application/json", "application/geo+json"
#: No collection of a test has so many pages.
MOST_PAGES = 500


@dataclass(frozen=True)
class Heard:
    """An answer: status, media type, and the document in it."""

    status: int
    media_type: str
    body: Any


Read = Callable[[str], Heard]


@dataclass
class Check:
    """What was found wrong, and how features are read."""

    read: Read
    faults: list[str] = field(default_factory=list)

    def hold(self, fine: bool, requirement: str, told: str) -> bool:
        """Note a fault unless a rule holds."""
        if not fine:
            self.faults.append(f"{requirement}: {told}")
        return fine

    def link(self, document: Any, rel: str, requirement: str) -> dict[str, str]:
        """Return the link with a relation; a missing one, or one without type, is a fault."""
        found = [one for one in document.get("links", ()) if one.get("rel") == rel]
        if not self.hold(bool(found), requirement, f"no link {rel!r}"):
            return {}
        self.hold(bool(found[0].get("type")) and bool(found[0].get("href")), requirement, f"link {rel!r} has no type")
        return dict(found[0])

    def fetch(self, address: str, requirement: str, media_type: str = JSON) -> Any:
        """Return the document at an address, an empty one where there is none."""
        heard = self.read(address)
        self.hold(heard.status == 200, requirement, f"{address} answers {heard.status}")
        self.hold(heard.media_type.split(";")[0] == media_type, requirement, f"{address} is {heard.media_type}")
        return heard.body if isinstance(heard.body, dict) else {}


def faults_of(read: Read, home: str) -> list[str]:
    """Return every fault of the service whose front door is ``home``."""
    check = Check(read)
    landing = check.fetch(home, "/req/core/root-success")
    description = check.link(landing, "service-desc", "/req/core/root-success")
    if description:
        heard = read(description["href"])
        check.hold(heard.status == 200, "/req/core/api-definition-success", f"answers {heard.status}")
        check.hold("openapi" in heard.body, "/req/core/api-definition-success", "is no OpenAPI description")
    _conformance(check, check.link(landing, "conformance", "/req/core/root-success").get("href", ""))
    data = check.link(landing, "data", "/req/core/root-success").get("href", "")
    _unknown_parameter(check, home)
    if data:
        _collections(check, data)
    return check.faults


def _conformance(check: Check, address: str) -> None:
    classes = check.fetch(address, "/req/core/conformance-success").get("conformsTo", []) if address else []
    for one in (CORE, GEOJSON_CLASS):
        check.hold(one in classes, "/req/core/conformance-success", f"{one} is not declared")


def _unknown_parameter(check: Check, address: str) -> None:
    joint = "&" if "?" in address else "?"
    status = check.read(f"{address}{joint}no-such-parameter=1").status
    check.hold(status == 400, "/req/core/query-param-unknown", f"{address} answers {status} to an unknown parameter")


def _collections(check: Check, address: str) -> None:
    found = check.fetch(address, "/req/core/fc-md-success")
    check.link(found, "self", "/req/core/fc-md-links")
    _unknown_parameter(check, address)
    listed = found.get("collections", [])
    check.hold(bool(listed), "/req/core/fc-md-items", "there are no collections")
    for one in listed:
        items = check.link(one, "items", "/req/core/fc-md-items-links")
        check.hold(items.get("type") == GEOJSON, "/req/geojson/definition", "the items are no GeoJSON")
        alone = check.fetch(f"{address}/{one.get('id')}", "/req/core/sfc-md-success")
        check.hold(alone == one, "/req/core/sfc-md-success", f"{one.get('id')} is another one alone")
        _extent(check, one)
        if items:
            _items(check, one, items["href"])


def _extent(check: Check, collection: Any) -> None:
    extent = collection.get("extent", {})
    for edges in extent.get("spatial", {}).get("bbox", []):
        check.hold(len(edges) in (4, 6), "/req/core/fc-md-extent", f"a box of {len(edges)} numbers")
    for interval in extent.get("temporal", {}).get("interval", []):
        check.hold(len(interval) == 2, "/req/core/fc-md-extent", f"an interval of {len(interval)} instants")


def _items(check: Check, collection: Any, address: str) -> None:
    _unknown_parameter(check, address)
    for wrong in ("limit=0", "limit=many", "bbox=1,2,3", "bbox=1,2,3,x", "bbox=1,2,181,4", "datetime=then",
                  "datetime=2026-13-01T00:00:00Z", "datetime=../.."):  # fmt: skip
        status = check.read(f"{address}?{wrong}").status
        check.hold(status == 400, "/req/core/query-param-invalid", f"{wrong} is answered with {status}")
    large = check.fetch(f"{address}?limit=999999", "/req/core/fc-limit-response-1", GEOJSON)
    seen = list(walk(check, f"{address}?limit=7", 7))
    ids = [one.get("id") for one in seen]
    check.hold(len(set(ids)) == len(ids), "/req/core/fc-response", "a feature stands on two pages")
    matched = large.get("numberMatched", len(ids))
    check.hold(matched == len(ids), "/req/core/fc-numberMatched", f"{matched} match and {len(ids)} are there")
    _extent_holds(check, collection, seen)
    for one in (*seen[:3], *seen[-1:]):
        _feature(check, address, one)


def walk(check: Check, address: str, limit: int) -> Iterator[Any]:
    """Yield the features of all pages, by their links "next"; a page that was seen before ends it, as a fault."""
    visited: set[str] = set()
    while address:
        if not check.hold(
            address not in visited and len(visited) < MOST_PAGES, "/rec/core/fc-next-1", "next goes round"
        ):
            return
        visited.add(address)
        page = check.fetch(address, "/req/core/fc-response", GEOJSON)
        features = page.get("features", [])
        check.hold(page.get("type") == "FeatureCollection", "/req/geojson/content", "is no FeatureCollection")
        check.hold(len(features) <= limit, "/req/core/fc-limit-response-1", f"{len(features)} on a page of {limit}")
        check.hold(
            page.get("numberReturned", len(features)) == len(features), "/req/core/fc-numberReturned", "miscounted"
        )
        _time_stamp(check, page)
        check.link(page, "self", "/req/core/fc-links")
        yield from features
        following = [one for one in page.get("links", ()) if one.get("rel") == "next"]
        for one in following:
            check.hold(one.get("type") == GEOJSON, "/req/core/fc-rel-type", "the link next has no type")
        address = following[0]["href"] if following else ""


def _time_stamp(check: Check, page: Any) -> None:
    if "timeStamp" in page:
        try:
            fine = datetime.fromisoformat(page["timeStamp"]).tzinfo is not None
        except ValueError:
            fine = False
        check.hold(fine, "/req/core/fc-timeStamp", f"{page['timeStamp']!r} is no instant")


def _extent_holds(check: Check, collection: Any, features: list[Any]) -> None:
    boxes = collection.get("extent", {}).get("spatial", {}).get("bbox", [])
    if not boxes or len(boxes[0]) != 4:
        return
    west, south, east, north = boxes[0]
    for one in features:
        edges = shape(one["geometry"]).bounds
        fine = west <= edges[0] and south <= edges[1] and east >= edges[2] and north >= edges[3]
        check.hold(fine, "/req/core/fc-md-extent", f"{one['id']} lies outside the extent")


def _feature(check: Check, items: str, feature: Any) -> None:
    check.hold(feature.get("type") == "Feature", "/req/geojson/content", "is no Feature")
    _geometry(check, feature)
    address = f"{items}/{quote(str(feature.get('id')), safe='')}"
    alone = check.fetch(address, "/req/core/f-success", GEOJSON)
    check.hold(alone.get("id") == feature.get("id"), "/req/core/f-success", f"{feature.get('id')} has another id alone")
    for name in ("geometry", "properties"):
        check.hold(alone.get(name) == feature.get(name), "/req/core/f-success", f"{name} of {feature.get('id')} differ")
    check.link(alone, "self", "/req/core/f-links")
    check.link(alone, "collection", "/req/core/f-links")
    _unknown_parameter(check, address)
    missing = check.read(f"{items}/no-such-feature").status
    check.hold(missing == 404, "/req/core/http", f"a feature that is not there answers {missing}")


def _geometry(check: Check, feature: Any) -> None:
    """RFC 7946: valid (3.1), outer rings against the clock (3.1.6), no more than 6 decimals (11.2), no crs (4)."""
    name, found = feature.get("id"), shape(feature["geometry"])
    check.hold(found.is_valid, "RFC 7946, 3.1", f"the shape of {name} is not valid")
    for part in getattr(found, "geoms", [found]):
        if isinstance(part, Polygon):
            turned = is_ccw(part.exterior) and not any(is_ccw(ring) for ring in part.interiors)
            check.hold(turned, "RFC 7946, 3.1.6", f"a ring of {name} goes the wrong way round")
    numbers = json.dumps(feature["geometry"]["coordinates"]).replace("[", " ").replace("]", " ").split(",")
    fine = all(len(one.strip().partition(".")[2]) <= 6 for one in numbers)
    check.hold(fine, "RFC 7946, 11.2", f"{name} has more decimals than 6")
    check.hold("crs" not in feature, "RFC 7946, 4", f"{name} names a crs")


def path_of(address: str) -> str:
    """Return path and query of a whole address, for a client that knows the host."""
    parts = urlsplit(address)
    return f"{parts.path}?{parts.query}" if parts.query else parts.path
