"""No question that may be asked narrows a garden down: filters, boxes, orders, pages, limits."""

from __future__ import annotations

import base64
import csv
import io
import itertools
import json
import random
import re
import zipfile
import zlib
from collections.abc import Iterator
from datetime import datetime
from typing import Any
from urllib.parse import unquote
from uuid import UUID

import pytest
from django.conf import settings
from django.test import Client

from surveys.methods.geography import CELL_DEG
from surveys.models import Return
from surveys.queries import live_data
from tests.attacker.conftest import Planted
from tests.attacker.planted import ALONE, FULL, SMALLER, THIN, THINNER
from tests.factories import ApiClient

pytestmark = pytest.mark.django_db

#: Words for a place finer than a region, for a person, or for a moment of the service, in the name of a parameter.
TOO_FINE = re.compile(
    r"lat|lon|point|near|within|radius|dist|cell|square|site|house|trap|sender|account|mail|receiv|creat"
)
#: What a curious researcher would try.
TRIED = (
    "site", "site_id", "cell", "cell_code", "bbox", "near", "lat", "latitude", "household", "alias", "trap", "trap_number",
    "sender", "received_at", "received_from", "updated_since", "modified_since", "created_at", "set_at", "ordering", "order",
    "sort", "order_by", "fields", "include", "expand", "offset", "page", "id", "return_id", "uuid", "q", "search", "note",
)  # fmt: skip
COLLECTIONS = ("regions", "index-values", "cells")


def features(**query: str) -> list[dict[str, Any]]:
    collection = query.pop("collection")
    answer = Client().get(f"/ogc/collections/{collection}/items", {"limit": "1000", **query})
    assert answer.status_code == 200, answer.content[:300]
    return list(json.loads(answer.content)["features"])


def boxes_in(cell: tuple[float, float], number: int = 40) -> Iterator[str]:
    """Yield small boxes all over a cell, down to some metres, none on its edges."""
    chance = random.Random(repr(cell))
    for at in range(number):
        side = CELL_DEG * 0.4 * 0.5 ** (at % 12)
        west = cell[1] + chance.uniform(0.001, CELL_DEG - 0.001 - side)
        south = cell[0] + chance.uniform(0.001, CELL_DEG - 0.001 - side)
        yield f"{west:.6f},{south:.6f},{west + side:.6f},{south + side:.6f}"


@pytest.mark.parametrize("collection", COLLECTIONS)
@pytest.mark.parametrize("cell", [FULL, SMALLER, THIN, THINNER, ALONE])
def test_halving_a_box_never_narrows_a_garden_within_its_cell(
    planted: Planted, cell: tuple[float, float], collection: str
) -> None:
    answers = [features(collection=collection, bbox=box) for box in boxes_in(cell)]
    assert all(one == answers[0] for one in answers)
    if collection == "cells":
        assert len(answers[0]) == (1 if cell in {FULL, SMALLER} else 0)


def test_a_cell_with_few_gardens_looks_like_one_with_none(planted: Planted) -> None:
    empty = (51.8, -17.2)
    for collection in COLLECTIONS:
        asked = [features(collection=collection, bbox=next(boxes_in(cell))) for cell in (THIN, THINNER, empty)]
        assert asked[0] == asked[1] == asked[2]


def test_no_feature_is_smaller_than_a_cell_or_is_a_point(planted: Planted) -> None:
    for collection in COLLECTIONS:
        for one in features(collection=collection):
            assert one["geometry"]["type"] in {"Polygon", "MultiPolygon"}
            numbers = [
                float(found) for found in re.findall(r"-?\d+(?:\.\d+)?", json.dumps(one["geometry"]["coordinates"]))
            ]
            assert max(numbers[1::2]) - min(numbers[1::2]) >= CELL_DEG - 1e-9
            assert max(numbers[0::2]) - min(numbers[0::2]) >= CELL_DEG - 1e-9


def test_no_parameter_of_the_service_is_finer_than_a_region(planted: Planted) -> None:
    described = json.loads(Client().get("/api/v1/openapi.json", headers={"Accept": "application/json"}).content)
    open_to_researchers = [path for path in described["paths"] if "/seasons" in path or "/data/" in path]
    assert len(open_to_researchers) >= 6
    for path in open_to_researchers:
        for parameter in described["paths"][path]["get"].get("parameters", []):
            assert not TOO_FINE.search(parameter["name"]), (path, parameter["name"])


@pytest.mark.parametrize("name", TRIED)
def test_a_question_about_something_finer_is_refused_and_not_answered(planted: Planted, name: str) -> None:
    garden = planted.gardens[0]
    for path in ("data/returns?season=test-2026&", "seasons?", "seasons/test-2026/indices?", "seasons/test-2026?"):
        answer = ApiClient(planted.researcher).read(f"{path}{name}={garden.site.public_id}")
        assert answer.status_code == 400, (path, answer.content[:200])
    for collection in COLLECTIONS:
        if name != "bbox":
            assert Client().get(f"/ogc/collections/{collection}/items", {name: "1"}).status_code == 400


@pytest.mark.parametrize("what", ["indices", "changes", "groups-seen"])
def test_the_run_behind_open_figures_counts_no_region_by_itself(planted: Planted, what: str) -> None:
    """A night counts weeks, findings and habitats of each region for the desk, those with a single garden too."""
    body = json.loads(Client().get(f"/api/v1/seasons/test-2026/{what}").content)
    assert set(body["run"].get("counts", {})) <= {"returns", "in_indices"}


# --- pages and cursors -----------------------------------------------------------------------------------


def decoded(cursor: str) -> Any:
    """Read a signed cursor without its key, as anybody can: django.core.signing, "Protecting complex data structures"."""
    payload = unquote(cursor).split(":")[0]
    packed = payload.startswith(".")
    raw = base64.urlsafe_b64decode(payload.lstrip(".") + "=" * (-len(payload.lstrip(".")) % 4))
    return json.loads(zlib.decompress(raw) if packed else raw)


def live_pages(planted: Planted, limit: int) -> Iterator[tuple[list[dict[str, Any]], str | None]]:
    """Yield the items of every page of the live data, and the cursor to the next one."""
    client, path = ApiClient(planted.researcher), f"/api/v1/data/returns?season=test-2026&limit={limit}"
    for _ in range(200):
        body = json.loads(client.get(path).content)
        cursor = re.findall(r"cursor=([^&]+)", body["next"] or "")
        yield body["items"], cursor[0] if cursor else None
        if not body["next"]:
            return
        path = body["next"].removeprefix("http://testserver")


def test_a_cursor_tells_the_last_return_that_was_shown_and_nothing_else(planted: Planted) -> None:
    pages = list(live_pages(planted, 7))
    assert len(pages) > 5
    for items, cursor in pages:
        if cursor:
            assert decoded(cursor) == [items[-1]["return_id"]]


def test_a_cursor_behind_returns_that_are_not_shown_tells_none_of_them(
    planted: Planted, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live_data, "MOST_LOOKED_AT", 3)
    pages = list(live_pages(planted, 7))
    shown = {item["return_id"] for items, _ in pages for item in items}
    hidden = {str(one) for one in Return.objects.values_list("uuid", flat=True)} - shown
    assert hidden  # those of the region with three gardens
    told = {decoded(cursor)[0] for _, cursor in pages if cursor}
    assert told & hidden == set()


def test_pages_come_in_the_order_of_random_ids(planted: Planted) -> None:
    ids = [item["return_id"] for items, _ in live_pages(planted, 50) for item in items]
    assert ids == sorted(ids)


# --- times and orders in files -------------------------------------------------------------------------------


def tables(planted: Planted) -> Iterator[tuple[str, list[dict[str, str]]]]:
    """Yield every table of the release, those inside of archives too."""
    folder = settings.RELEASES_FOLDER / planted.release.version
    for path in sorted(folder.glob("*.csv")):
        yield path.name, list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
    for path in sorted(folder.glob("*.zip")):
        with zipfile.ZipFile(path) as archive:
            for name in archive.namelist():
                if name.endswith(".csv"):
                    yield f"{path.name}!{name}", list(csv.DictReader(io.StringIO(archive.read(name).decode())))


def test_every_moment_of_a_return_is_a_quarter_of_an_hour(planted: Planted) -> None:
    seen = 0
    for name, rows in tables(planted):
        for row in rows:
            for text in re.findall(r"\d{4}-\d\d-\d\dT[0-9:]+", " ".join(filter(None, row.values()))):
                moment = datetime.fromisoformat(text)
                assert (moment.minute % 15, moment.second) == (0, 0), (name, text)
                seen += 1
    for items, _ in live_pages(planted, 500):
        for item in items:
            for text in (item["set_at"], item["emptied_at"]):
                assert (datetime.fromisoformat(text).minute % 15, datetime.fromisoformat(text).second) == (0, 0)
            assert item["exposure_hours"] * 4 == int(item["exposure_hours"] * 4)
    assert seen > 150


def test_no_table_stands_in_the_order_in_which_returns_came(planted: Planted) -> None:
    came = {str(uuid): at for at, uuid in enumerate(Return.objects.order_by("pk").values_list("uuid", flat=True))}
    looked_at = 0
    for name, rows in tables(planted):
        column = next((one for one in ("return_id", "eventID") if rows and one in rows[0]), None)
        order = [came[row[column]] for row in rows if row[column] in came] if column else []
        order = list(dict.fromkeys(order))
        if len(order) > 20:
            looked_at += 1
            rising = sum(1 for first, second in itertools.pairwise(order) if second > first)
            # Random order: half of the steps rise, give or take 4 standard deviations (Moore and Wallis 1943: the
            # number of rises in n has the variance (n + 1) / 12; from memory).
            steps = len(order) - 1
            assert abs(rising - steps / 2) < 4 * ((len(order) + 1) / 12) ** 0.5, name
    assert looked_at >= 4


def test_every_id_that_is_published_is_random(planted: Planted) -> None:
    """RFC 9562, section 5.4: version 4, random but for six bits."""
    for name, rows in tables(planted):
        for row in rows:
            for column in ("return_id", "site_id"):
                if row.get(column):
                    assert UUID(row[column]).version == 4, (name, row[column])
