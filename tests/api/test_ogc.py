"""The open collections, held against OGC API Features, Part 1 (17-069r4), RFC 7946 and RFC 3339, and by hand."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from openapi_spec_validator import OpenAPIV30SpecValidator
from shapely.geometry import box, shape

from surveys.models import Region, Release, Season
from tests.factories import make_season
from tests.ogc_rules import Check, Heard, Read, faults_of, path_of, walk
from tests.ogc_world import CELLS, VALUES, make_features, show_run

pytestmark = pytest.mark.django_db

HOME = "http://testserver/ogc"
COLLECTIONS = ("regions", "index-values", "cells")
ITEMS = f"{HOME}/collections/{{}}/items"


@pytest.fixture
def release(settings: Any, tmp_path: Path) -> Release:
    """Two seasons with values, and a release with cells."""
    settings.RELEASES_FOLDER = tmp_path / "releases"
    return make_features(tmp_path)


def read(address: str, **headers: str) -> Heard:
    """Read an address with Django's own client."""
    answer = Client().get(path_of(address), headers=headers)
    body = json.loads(answer.content) if answer.content else {}
    return Heard(answer.status_code, answer.headers.get("Content-Type", ""), body)


def items(collection: str, query: str = "") -> Any:
    heard = read(f"{ITEMS.format(collection)}?{query}" if query else ITEMS.format(collection))
    assert heard.status == 200, heard.body
    return heard.body


def ids(collection: str, query: str = "") -> list[str]:
    return [one["id"] for one in items(collection, query or "limit=1000")["features"]]


def everything(collection: str, query: str = "") -> list[Any]:
    """Return the features of all pages of ten."""
    check = Check(read)
    found = list(walk(check, f"{ITEMS.format(collection)}?limit=10{query}", 10))
    assert check.faults == []
    return found


# --- the standard -----------------------------------------------------------------------------------


def test_it_keeps_to_the_standard(release: Release) -> None:
    assert faults_of(read, HOME) == []


def test_it_keeps_to_the_standard_before_there_is_anything() -> None:
    assert faults_of(read, HOME) == []
    assert [items(one)["numberMatched"] for one in COLLECTIONS] == [0, 0, 0]


def recorded() -> Read:
    """Return a service that answers each address once for all faults, and 404 to what it was never asked."""
    heard: dict[str, Heard] = {}
    for address in (*(f"{HOME}{path}" for path in ("/collections", "/conformance")), *map(ITEMS.format, COLLECTIONS)):
        heard[address] = read(address)

    def ask(address: str) -> Heard:
        if address not in heard:
            heard[address] = read(address)
        return copy.deepcopy(heard[address])

    return ask


Fault = Callable[[str, Heard, Read], Heard]


def planted(sound: Read, fault: Fault) -> Read:
    """Return a service with a fault: each answer goes through it."""
    return lambda address: fault(address, sound(address), sound)


def _pages(change: Callable[[Any], None]) -> Fault:
    """Return a fault of every page of features."""

    def changed(address: str, heard: Heard, sound: Read) -> Heard:
        if heard.status == 200 and heard.body.get("type") == "FeatureCollection":
            change(heard.body)
        return heard

    return changed


def _loop(page: Any) -> None:
    own = next(one["href"] for one in page["links"] if one["rel"] == "self")
    for one in page["links"]:
        if one["rel"] == "next":
            one["href"] = own


def _no_next(page: Any) -> None:
    page["links"] = [one for one in page["links"] if one["rel"] != "next"]


def _twice(page: Any) -> None:
    if len(page["features"]) == 7:
        page["features"][-1] = page["features"][0]


def _one_more(page: Any) -> None:
    page["features"] += page["features"][:1]


def _clockwise(page: Any) -> None:
    for one in page["features"]:
        for ring in one["geometry"]["coordinates"]:
            ring.reverse()


def _fine_place(page: Any) -> None:
    for one in page["features"]:
        one["geometry"]["coordinates"][0][1][0] += 1.25e-7


def _other_id(page: Any) -> None:
    for one in page["features"]:
        one["id"] = one["id"].upper()


def _other_figure(page: Any) -> None:
    for one in page["features"]:
        one["properties"]["returns"] = 0


def _local_time(page: Any) -> None:
    page["timeStamp"] = "yesterday"


def _links_without_type(page: Any) -> None:
    for one in page["links"]:
        one.pop("type")


def _drop_link(rel: str) -> Fault:
    def changed(address: str, heard: Heard, sound: Read) -> Heard:
        if isinstance(heard.body.get("links"), list):
            heard.body["links"] = [one for one in heard.body["links"] if one["rel"] != rel]
        for one in heard.body.get("collections", ()):
            one["links"] = [link for link in one["links"] if link["rel"] != rel]
        return heard

    return changed


def _forgives(what: str) -> Fault:
    """Return a fault: an address with ``what`` in it is answered as if it were not there."""

    def changed(address: str, heard: Heard, sound: Read) -> Heard:
        return sound(address.partition("?")[0]) if what in address else heard

    return changed


def _as_json(address: str, heard: Heard, sound: Read) -> Heard:
    return Heard(heard.status, heard.media_type.replace("geo+json", "json"), heard.body)


def _no_class(address: str, heard: Heard, sound: Read) -> Heard:
    heard.body.pop("conformsTo", None)
    return heard


def _strict_limit(address: str, heard: Heard, sound: Read) -> Heard:
    return Heard(400, heard.media_type, {}) if "limit=999999" in address else heard


def _found_anyway(address: str, heard: Heard, sound: Read) -> Heard:
    return Heard(200, heard.media_type, {}) if "no-such-feature" in address else heard


def _small_extent(address: str, heard: Heard, sound: Read) -> Heard:
    for one in (heard.body, *heard.body.get("collections", ())):
        for edges in one.get("extent", {}).get("spatial", {}).get("bbox", ()):
            edges[2] = edges[0] + 0.5
    return heard


#: A fault of a service, and the rule by which it must be noticed.
FAULTS: list[tuple[Fault, str]] = [
    (_pages(_loop), "next goes round"),
    (_pages(_no_next), "/req/core/fc-numberMatched"),
    (_pages(_twice), "/req/core/fc-response: a feature stands on two pages"),
    (_pages(_one_more), "/req/core/fc-limit-response-1"),
    (_pages(_one_more), "/req/core/fc-numberReturned"),
    (_pages(_clockwise), "RFC 7946, 3.1.6"),
    (_pages(_fine_place), "RFC 7946, 11.2"),
    (_pages(_other_id), "/req/core/f-success"),
    (_pages(_other_figure), "/req/core/f-success: properties"),
    (_pages(_local_time), "/req/core/fc-timeStamp"),
    (_pages(_links_without_type), "/req/core/fc-links"),
    (_pages(lambda page: page.update(type="Collection")), "/req/geojson/content"),
    (_pages(lambda page: page.update(numberMatched=page["numberMatched"] + 1)), "/req/core/fc-numberMatched"),
    (_drop_link("service-desc"), "/req/core/root-success"),
    (_drop_link("conformance"), "/req/core/root-success"),
    (_drop_link("data"), "/req/core/root-success"),
    (_drop_link("items"), "/req/core/fc-md-items-links"),
    (_drop_link("self"), "/req/core/fc-links"),
    (_drop_link("collection"), "/req/core/f-links"),
    (_forgives("no-such-parameter"), "/req/core/query-param-unknown"),
    (_forgives("bbox="), "/req/core/query-param-invalid"),
    (_forgives("datetime="), "/req/core/query-param-invalid"),
    (_forgives("limit=0"), "/req/core/query-param-invalid"),
    (_as_json, "/req/core/fc-response"),
    (_no_class, "/req/core/conformance-success"),
    (_strict_limit, "/req/core/fc-limit-response-1"),
    (_found_anyway, "/req/core/http"),
    (_small_extent, "/req/core/fc-md-extent"),
]


def test_the_checker_notices_each_planted_fault(release: Release) -> None:
    sound = recorded()
    assert faults_of(sound, HOME) == []
    unnoticed = [
        (number, rule)
        for number, (fault, rule) in enumerate(FAULTS)
        if not any(rule in one for one in faults_of(planted(sound, fault), HOME))
    ]
    assert unnoticed == []


def test_it_declares_what_it_keeps_to_and_nothing_else() -> None:
    """17-069r4, section 7.4: the two classes by their names."""
    assert read(f"{HOME}/conformance").body == {
        "conformsTo": [
            "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/core",
            "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/geojson",
        ]
    }


def test_its_description_is_valid_and_names_every_address(release: Release) -> None:
    """Outside judge: openapi-spec-validator, with the schema of OpenAPI 3.0."""
    heard = read(f"{HOME}/api")
    assert heard.media_type == "application/vnd.oai.openapi+json;version=3.0"
    assert list(OpenAPIV30SpecValidator(heard.body).iter_errors()) == []
    listed = {one["id"] for one in read(f"{HOME}/collections").body["collections"]}
    assert {path.split("/")[2] for path in heard.body["paths"] if path.startswith("/collections/")} == listed
    for path, methods in heard.body["paths"].items():
        if path.endswith("/items"):
            for parameter in methods["get"].get("parameters", ()):
                answer = read(f"{HOME}{path}?{parameter['name']}=%20")
                assert "unknown_parameter" not in json.dumps(answer.body), (path, parameter["name"])


def test_both_ways_to_write_the_address_lead_in() -> None:
    assert read(HOME).body == read(f"{HOME}/").body


# --- what the features say --------------------------------------------------------------------------


def test_regions(release: Release) -> None:
    found = items("regions")["features"]
    assert [one["properties"] for one in found] == [
        {"code": "eastmark", "name": "Eastmark", "seasons": "merrow-2025, merrow-2026"},
        {"code": "westmark", "name": "Westmark", "seasons": "merrow-2025, merrow-2026"},
    ]
    assert shape(found[0]["geometry"]).equals(box(-18, 51, -17, 52))
    assert ids("regions", "code=westmark") == ["westmark"]
    assert ids("regions", "season=merrow-2024") == []


def test_a_region_of_no_opened_season_is_not_told(release: Release) -> None:
    north = {"type": "Polygon", "coordinates": [[[-18, 53], [-17, 53], [-17, 54], [-18, 53]]]}
    Region.objects.create(code="northmark", name="Northmark", boundary=north, position=9)
    assert ids("regions") == ["eastmark", "westmark"]


def test_an_index_value_says_what_it_is(release: Release) -> None:
    """By hand: the first region, window and group of a season have the figure 1, with 0.5 and 2 around it."""
    found = read(f"{ITEMS.format('index-values')}/merrow-2026.eastmark.spring.woodlice").body
    assert found["properties"] == {
        "season": "merrow-2026", "region": "eastmark", "region_name": "Eastmark", "window": "spring",
        "first_day": "2026-04-01", "last_day": "2026-05-31", "group": "woodlice", "group_name": "Woodlice",
        "label": "shown", "estimate": 1.0, "low": 0.5, "high": 2.0, "sites": 6, "site_nights": 10, "returns": 21,
        "trap_nights": 21.5, "more_sites_needed": 0, "rim_exponent": 1, "night": "2026-06-01", "method_version": "1",
        "licence": "CC-BY-4.0", "invented": False,
    }  # fmt: skip
    assert shape(found["geometry"]).equals(box(-18, 51, -17, 52))


def test_where_there_are_too_few_the_figure_is_null(release: Release) -> None:
    found = read(f"{ITEMS.format('index-values')}/merrow-2026.eastmark.spring.springtails").body["properties"]
    assert (found["label"], found["estimate"], found["low"], found["high"]) == ("too_few", None, None, None)
    assert found["more_sites_needed"] == 3


def test_all_values_are_there_once_and_the_sensitivity_run_is_not(release: Release) -> None:
    found = everything("index-values")
    assert len({one["id"] for one in found}) == len(found) == VALUES
    assert {one["properties"]["rim_exponent"] for one in found} == {1}


def test_codes_choose_values(release: Release) -> None:
    """By hand: 2 seasons x 2 regions x 3 windows x 6 groups."""
    for query, number in (
        ("season=merrow-2026", 36), ("region=eastmark", 36), ("window=spring", 24), ("group=woodlice", 12),
        ("season=merrow-2026&region=eastmark&window=spring&group=woodlice", 1), ("group=spiders&region=nowhere", 0),
        ("season=none", 0),
    ):  # fmt: skip
        page = items("index-values", f"limit=1000&{query}")
        assert (page["numberMatched"], page["numberReturned"]) == (number, number), query
        for name, value in (one.split("=") for one in query.split("&")):
            assert {one["properties"][name] for one in page["features"]} <= {value}


def test_pages_go_on_where_they_were_when_a_night_comes_between(release: Release) -> None:
    """A new run is shown in the middle of the walk: no feature twice, none left out."""
    first = items("index-values", "limit=50")
    show_run(Season.objects.get(code="merrow-2025"), factor=7.0)
    rest = read(next(one["href"] for one in first["links"] if one["rel"] == "next")).body
    seen = [one["id"] for one in (*first["features"], *rest["features"])]
    assert len(set(seen)) == len(seen) == VALUES


def test_a_cell_tells_its_effort(release: Release) -> None:
    found = read(f"{ITEMS.format('cells')}/merrow-2026.eastmark.n51.00w18.00").body
    assert found["properties"] == {
        "square": "n51.00w18.00", "season": "merrow-2026", "region": "eastmark", "region_name": "Eastmark", "sites": 5,
        "returns": 10, "trap_nights": 10.5, "release": "1.0.0", "licence": "CC-BY-4.0", "invented": False,
    }  # fmt: skip
    assert shape(found["geometry"]).equals(box(-18, 51, -17.9, 51.1))
    assert len(everything("cells")) == CELLS
    assert items("cells", "season=merrow-2025&region=westmark")["numberMatched"] == 50


def test_with_a_group_and_a_window_a_cell_brings_the_index_of_its_region(release: Release) -> None:
    """The figures are those of the release: Eastmark has 1.25 (0.5 to 2.5), Westmark too few; other seasons none."""
    found = items("cells", "group=woodlice&window=spring&limit=1000")["features"]
    told = {
        (one["properties"]["season"], one["properties"]["region"]): [
            one["properties"][f"region_{name}"] for name in ("group", "window", "label", "estimate", "low", "high")
        ]
        for one in found
    }
    nothing = ["woodlice", "spring", None, None, None, None]
    assert told == {
        ("merrow-2026", "eastmark"): ["woodlice", "spring", "shown", 1.25, 0.5, 2.5],
        ("merrow-2026", "westmark"): ["woodlice", "spring", "too_few", None, None, None],
        ("merrow-2025", "eastmark"): nothing,
        ("merrow-2025", "westmark"): nothing,
    }
    assert not any("estimate" in name and not name.startswith("region_") for one in found for name in one["properties"])
    for query, words in (
        ("group=woodlice", "Name both"), ("window=spring", "Name both"), ("group=woodlice&window=winter", "spring"),
        ("group=unicorns&window=spring", "woodlice"),
    ):  # fmt: skip
        heard = read(f"{ITEMS.format('cells')}?{query}")
        assert heard.status == 400
        assert words in json.dumps(heard.body)


def test_cells_are_those_of_the_newest_release_that_stands(release: Release) -> None:
    release.state, release.withdrawn_at, release.withdrawn_because = "withdrawn", datetime.now(UTC), "It was wrong."
    release.save(update_fields=["state", "withdrawn_at", "withdrawn_because"])
    assert items("cells")["numberMatched"] == 0
    assert read(f"{ITEMS.format('cells')}/merrow-2026.eastmark.n51.00w18.00").status == 404


def test_a_release_whose_files_are_away_is_503_and_its_effort_is_still_told(release: Release, settings: Any) -> None:
    """Effort stands in the database; only the index of a region is read from the files."""
    settings.RELEASES_FOLDER = Path(settings.RELEASES_FOLDER).with_name("elsewhere")
    heard = Client().get(path_of(f"{ITEMS.format('cells')}?group=woodlice&window=spring"))
    assert heard.status_code == 503
    assert heard.headers["Content-Type"] == "application/problem+json"
    assert heard.headers["Retry-After"] == "600"
    assert "Try again later" in heard.json()["detail"]
    assert "Cache-Control" not in heard.headers or "max-age=300" not in heard.headers["Cache-Control"]
    assert items("cells")["numberMatched"] == CELLS


# --- boxes and times --------------------------------------------------------------------------------

BOXES = [
    (-17.5, 51.2, -17.2, 51.3), (-18.5, 50, -18.2, 53), (-19, 51, -17, 52), (-180, -90, 180, 90), (0, 0, 1, 1),
    (-18, 51.5, -18, 51.5), (-18.0, 52.0, -17.9, 52.5), (-17.95, 51.05, -17.95, 51.05), (-16.9, 51, -16, 52),
]  # fmt: skip


@pytest.mark.parametrize("collection", COLLECTIONS)
def test_a_box_finds_what_it_touches(release: Release, collection: str) -> None:
    """/req/core/fc-bbox-response, held against shapely on the features as they are served."""
    whole = items(collection, "limit=1000")["features"]
    for edges in BOXES:
        expected = {one["id"] for one in whole if shape(one["geometry"]).intersects(box(*edges))}
        found = everything(collection, f"&bbox={','.join(map(str, edges))}")
        assert {one["id"] for one in found} == expected, edges
        six = f"{edges[0]},{edges[1]},-5,{edges[2]},{edges[3]},5000"
        assert items(collection, f"bbox={six}")["numberMatched"] == len(expected), edges


@pytest.mark.parametrize("collection", COLLECTIONS)
def test_a_box_across_the_180th_meridian(release: Release, collection: str) -> None:
    """17-069r4, section 7.15.3: its western edge is greater than its eastern one."""
    number = items(collection)["numberMatched"]
    assert items(collection, "bbox=170,-60,-160,60")["numberMatched"] == 0
    assert items(collection, "bbox=170,-60,-16,60")["numberMatched"] == number
    assert items(collection, "bbox=-16.5,-60,-170,60")["numberMatched"] == 0
    west_only = {one["properties"].get("region", one["id"]) for one in everything(collection, "&bbox=10,50,-18.05,60")}
    assert west_only == {"westmark"}


#: Spring lasts from 1 April to 31 May, summer from 15 June to 15 August, autumn from 1 September to 31 October.
TIMES: list[tuple[str, set[str]]] = [
    ("2026-05-02T18:00:00Z", {"spring 2026"}),
    ("2026-05-02", {"spring 2026"}),
    ("2026-06-02T00:00:00Z", set()),
    ("2026-05-31T23:59:59Z", {"spring 2026"}),
    ("2026-06-01T00:00:00Z", set()),
    ("2026-06-01T01:00:00%2B02:00", {"spring 2026"}),  # 31 May, 23:00 in UTC
    ("2026-05-31/2026-06-15", {"spring 2026", "summer 2026"}),
    ("2026-08-16T00:00:00Z/..", {"autumn 2026"}),
    ("2026-08-16T00:00:00Z/", {"autumn 2026"}),
    ("../2025-04-01", {"spring 2025"}),
    ("/2025-04-01t00:00:00z", {"spring 2025"}),
    ("2025-10-31T12:00:00.5Z/2026-04-01T00:00:00Z", {"autumn 2025", "spring 2026"}),
]


def test_a_time_finds_the_windows_that_it_touches(release: Release) -> None:
    """/req/core/fc-time-response and RFC 3339, section 5.6. The seasons are in a zone without a shift from UTC."""
    for asked, windows in TIMES:
        found = everything("index-values", f"&datetime={asked}")
        told = {f"{one['properties']['window']} {one['properties']['season'][-4:]}" for one in found}
        assert told == windows, asked


def test_the_days_of_a_window_are_those_of_its_season(settings: Any, tmp_path: Path) -> None:
    """In Auckland the first of April begins at 11:00 UTC on the day before (UTC+13, daylight saving)."""
    show_run(make_season(code="south-2026", time_zone="Pacific/Auckland"))
    assert items("index-values", "datetime=2026-03-31T11:00:00Z&window=spring")["numberMatched"] == 12
    assert items("index-values", "datetime=2026-03-31T10:59:59Z&window=spring")["numberMatched"] == 0


def test_a_time_finds_regions_and_cells_of_seasons(release: Release) -> None:
    """Both seasons last from 1 January to 31 December."""
    assert items("regions", "datetime=2024-12-31")["numberMatched"] == 0
    assert items("regions", "datetime=2025-01-01")["numberMatched"] == 2
    assert items("cells", "datetime=2025-06-01")["numberMatched"] == 100
    assert items("cells", "datetime=2025-12-31/..")["numberMatched"] == CELLS


# --- what is refused --------------------------------------------------------------------------------


REFUSED = [
    "limit=0", "limit=-1", "limit=1.5", "limit=", "limit=%D9%A1", "limit=1&limit=2",
    "bbox=", "bbox=1,2,3", "bbox=1,2,3,4,5", "bbox=1,2,3,4,5,6,7", "bbox=a,b,c,d", "bbox=nan,0,1,1", "bbox=inf,0,1,1",
    "bbox=1e999,0,1,1", "bbox=0,2,1,1", "bbox=-181,0,1,1", "bbox=0,0,1,91", "bbox=0,0,9,1,1,1", "bbox=0x1,0,1,1",
    "bbox=1_0,0,11,1", "datetime=", "datetime=../..", "datetime=/", "datetime=..", "datetime=2026", "datetime=2026-02-30",
    "datetime=2026-05-02T25:00:00Z", "datetime=2026-05-02T18:00:00", "datetime=2026-05-03/2026-05-02",
    "datetime=2026-05-01/2026-05-02/2026-05-03", "datetime=0000-01-01T00:00:00Z", "datetime=9999-12-31T23:59:60Z",
    "after=", "after=nothing", "after=merrow-2026", "after=%00", "region=a%00b", "group=", "group=two%20words",
    "colour=red", "f=json", "season=merrow-2026&offset=10",
]  # fmt: skip


@pytest.mark.parametrize("collection", ["index-values", "cells"])
def test_a_parameter_that_fits_nothing_is_refused_in_words(release: Release, collection: str) -> None:
    """/req/core/query-param-invalid and -unknown: 400. RFC 9457: which one, and what would fit."""
    for query in REFUSED:
        heard = read(f"{ITEMS.format(collection)}?{query}")
        assert (heard.status, heard.media_type) == (400, "application/problem+json"), query
        name = "offset" if query.startswith("season") else query.partition("=")[0]
        assert [one["pointer"] for one in heard.body["errors"]] == [f"/{name}"], query
        assert heard.body["errors"][0]["detail"].endswith("."), query


def test_more_than_the_highest_limit_is_the_highest(release: Release) -> None:
    """/req/core/fc-limit-response-1: clamped, and no error."""
    for limit in ("1000", "1001", "0100000", "9" * 400):
        assert items("cells", f"limit={limit}")["numberReturned"] == CELLS
    assert items("cells")["numberReturned"] == 100


def test_a_parameter_of_another_collection_is_unknown(release: Release) -> None:
    assert read(f"{ITEMS.format('regions')}?group=woodlice").status == 400
    assert read(f"{ITEMS.format('cells')}/merrow-2026.eastmark.n51.00w18.00?limit=1").status == 400


NOWHERE = [
    "collections/nothing", "collections/nothing/items", "collections/nothing/items/1", "nowhere",
    "collections/regions/items/nowhere", "collections/index-values/items/merrow-2026.eastmark.spring.unicorns",
    "collections/index-values/items/merrow-2026.eastmark.winter.woodlice",
    "collections/index-values/items/merrow-2026.eastmark.spring", "collections/cells/items/merrow-2026.eastmark.",
    "collections/cells/items/merrow-2026.eastmark.%00", "collections/cells/items/merrow-2026.eastmark.n99.00w18.00",
    "collections/cells/items/%2e%2e",
]  # fmt: skip


def test_what_is_not_there_is_a_problem(release: Release) -> None:
    for path in NOWHERE:
        heard = read(f"{HOME}/{path}")
        assert (heard.status, heard.media_type) == (404, "application/problem+json"), path


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
def test_nothing_is_written_here(release: Release, method: str) -> None:
    for path in ("", "/collections", "/collections/regions/items", "/collections/regions/items/eastmark"):
        answer = Client(enforce_csrf_checks=True).generic(method, f"/ogc{path}")
        assert answer.status_code == 405
        assert "GET" in answer["Allow"]


# --- readers ----------------------------------------------------------------------------------------


def test_a_reader_that_has_the_page_gets_304_until_a_night_changes_it(release: Release) -> None:
    """RFC 9110, section 13.1.2, weak comparison."""
    path = "/ogc/collections/index-values/items?limit=5"
    tag = Client().get(path)["ETag"]
    assert tag.startswith('W/"')
    for given in (tag, tag.removeprefix("W/"), f'"other", {tag}'):
        answer = Client().get(path, headers={"If-None-Match": given})
        assert (answer.status_code, answer.content, answer["ETag"]) == (304, b"", tag)
    assert Client().get("/ogc/collections/index-values/items?limit=6")["ETag"] != tag
    show_run(Season.objects.get(code="merrow-2026"), factor=3.0)
    assert Client().get(path, headers={"If-None-Match": tag}).status_code == 200


def test_answers_may_be_kept_by_all_and_read_by_scripts(release: Release) -> None:
    for path in ("", "/conformance", "/api", "/collections", "/collections/cells", "/collections/cells/items"):
        answer = Client().get(f"/ogc{path}", headers={"Accept-Language": "de", "Origin": "https://map.example"})
        assert answer["Access-Control-Allow-Origin"] == "*"
        assert "public" in answer["Cache-Control"]
        assert not answer.cookies
        assert "Vary" not in answer
    refused = Client().get("/ogc/collections?colour=red")
    assert refused["Access-Control-Allow-Origin"] == "*"
    assert "public" not in refused.headers.get("Cache-Control", "")


@pytest.mark.parametrize("accept", ["text/html", "application/geo+json", "application/json", "*/*", "image/png"])
def test_there_is_one_form_whatever_is_asked_for(release: Release, accept: str) -> None:
    """RFC 9110, section 12.5.1: a server may send its one form all the same."""
    assert read(ITEMS.format("regions"), Accept=accept).media_type == "application/geo+json"
    assert read(HOME, Accept=accept).media_type == "application/json"


def test_a_token_is_not_looked_at(release: Release) -> None:
    assert read(HOME, Authorization="Bearer nonsense").status == 200


def test_old_programs_have_an_allowance_of_their_own(release: Release, settings: Any) -> None:
    settings.READER_REQUESTS_PER_MINUTE, settings.API_REQUESTS_PER_MINUTE = 40, 1
    assert len(everything("cells")) == CELLS  # 25 pages of ten
    assert Client().get("/ogc")["RateLimit-Policy"].endswith("q=40;w=60")


def queries_of(path: str) -> int:
    Client().get(path)
    with CaptureQueriesContext(
        connection,
    ) as seen:
        assert Client().get(path).status_code == 200
    return len(seen)


def test_the_last_page_costs_as_many_queries_as_the_first(release: Release) -> None:
    for collection, after in (
        ("index-values", "merrow-2026.westmark.summer.spiders"), ("cells", "merrow-2026.eastmark.n51.80w17.50"),
    ):  # fmt: skip
        path = f"/ogc/collections/{collection}/items?limit=10"
        first, last = queries_of(path), queries_of(f"{path}&after={after}")
        assert last <= first <= 4
    assert queries_of("/ogc/collections/regions/items") == 1


def test_no_answer_holds_the_place_of_a_garden(release: Release) -> None:
    """Corners of regions and of grid cells are all the places there are."""
    corners = {(x, y) for one in (*items("regions")["features"], *everything("cells"), *everything("index-values"))
               for x, y in one["geometry"]["coordinates"][0]}  # fmt: skip
    assert all(round(x * 10, 6) == round(x * 10) and round(y * 10, 6) == round(y * 10) for x, y in corners)
