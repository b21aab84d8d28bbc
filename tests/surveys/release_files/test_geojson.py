"""GeoJSON of cells and regions: RFC 7946, held by outside libraries."""

from __future__ import annotations

import json
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import geopandas
import jsonschema
import pytest
from shapely.geometry import LinearRing, Polygon, shape

from surveys.release_files.geojson import right_handed, write_regions_geojson
from tests.made_release import make_release, rows_of
from tests.released import write_small_release

#: The JSON Schema of GeoJSON that comes with the library frictionless.
SCHEMA = json.loads(files("frictionless").joinpath("assets/profiles/geojson.json").read_text(encoding="utf-8"))

#: A region with a lake in it, its rings the wrong way round, with far too many decimals and heights.
CLOCKWISE = {
    "type": "MultiPolygon",
    "coordinates": [
        [
            [[-18.2, 51.3, 7.0], [-18.2, 51.7, 7.0], [-17.9, 51.7, 7.0], [-17.9, 51.3, 7.0], [-18.2, 51.3, 7.0]],
            [[-18.1, 51.4], [-18.0, 51.4], [-18.0000000123, 51.5], [-18.1, 51.5], [-18.1, 51.4]],
        ],
        [[[-17.5, 51.3], [-17.5, 51.4], [-17.4, 51.4], [-17.5, 51.3]]],
    ],
}


def read(path: Path) -> dict[str, Any]:
    return json.loads(path.read_text(encoding="utf-8"))


def numbers_in(value: Any) -> Iterator[float]:
    if isinstance(value, list):
        for one in value:
            yield from numbers_in(one)
    else:
        yield value


@pytest.mark.parametrize("name", ["cells", "regions"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_file_is_what_rfc_7946_asks(tmp_path: Path, name: str, seed: int) -> None:
    make_release(tmp_path, seed=seed)
    found = read(tmp_path / f"{name}.geojson")
    jsonschema.validate(found, SCHEMA)
    assert "crs" not in found, "RFC 7946, section 4"
    assert len({one["id"] for one in found["features"]}) == len(found["features"]) > 0
    for one in found["features"]:
        for polygon in [one["geometry"]["coordinates"]]:
            outer, *holes = polygon
            assert LinearRing(outer).is_ccw, "section 3.1.6"
            assert not any(LinearRing(hole).is_ccw for hole in holes)
        assert all(abs(n * 1e6 - round(n * 1e6)) < 1e-6 for n in numbers_in(one["geometry"]["coordinates"]))
    west, south, east, north = found["bbox"]
    bounds = [shape(one["geometry"]).bounds for one in found["features"]]
    assert (west, south) == (min(b[0] for b in bounds), min(b[1] for b in bounds)), "section 5"
    assert (east, north) == (max(b[2] for b in bounds), max(b[3] for b in bounds))


def test_the_schema_finds_a_planted_fault(tmp_path: Path) -> None:
    make_release(tmp_path)
    found = read(tmp_path / "cells.geojson")
    found["features"][0]["geometry"]["coordinates"] = found["features"][0]["geometry"]["coordinates"][0]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(found, SCHEMA)


@pytest.mark.parametrize("name", ["cells", "regions"])
def test_gdal_reads_every_feature_with_its_properties(tmp_path: Path, name: str) -> None:
    """Reader: GDAL, through pyogrio and geopandas."""
    make_release(tmp_path)
    found = geopandas.read_file(tmp_path / f"{name}.geojson")
    rows = rows_of(tmp_path, name)
    assert found.crs == "EPSG:4326"
    if name == "cells":
        assert list(found["returns"]) == [int(row["returns"]) for row in rows]
        assert list(found["cell"]) == [row["cell"] for row in rows]
    else:
        assert dict(zip(found["region"], found["name"], strict=True)) == {row["region"]: row["name"] for row in rows}


def test_rings_that_run_the_wrong_way_are_turned(tmp_path: Path) -> None:
    write_small_release(tmp_path, boundaries={"alder-quay": CLOCKWISE})
    write_regions_geojson(tmp_path)
    region, unplaced = read(tmp_path / "regions.geojson")["features"]
    for outer, *holes in region["geometry"]["coordinates"]:
        assert LinearRing(outer).is_ccw
        assert not any(LinearRing(hole).is_ccw for hole in holes)
    assert all(abs(n * 1e6 - round(n * 1e6)) < 1e-6 for n in numbers_in(region["geometry"]["coordinates"]))
    # By hand: 0.3 x 0.4 less a lake of 0.1 x 0.1, and half of 0.1 x 0.1.
    assert shape(region["geometry"]).area == pytest.approx(0.115, abs=1e-6)
    assert unplaced == {
        "type": "Feature", "id": "cawder", "geometry": None,
        "properties": {"region": "cawder", "name": "Cawder", "season": "merrow-2026"},
    }  # fmt: skip


def test_a_region_of_an_earlier_season_alone_keeps_its_season(tmp_path: Path) -> None:
    write_small_release(tmp_path)
    rows = (tmp_path / "regions.csv").read_text().replace("merrow-2026,2,cawder,Cawder\n", "")
    (tmp_path / "regions.csv").write_text(rows)
    write_regions_geojson(tmp_path)
    found = {one["id"]: one["properties"]["season"] for one in read(tmp_path / "regions.geojson")["features"]}
    assert found == {"alder-quay": "merrow-2026", "cawder": "merrow-2025"}


def test_a_release_without_boundaries_has_no_box(tmp_path: Path) -> None:
    write_small_release(tmp_path, boundaries={})
    write_regions_geojson(tmp_path)
    assert "bbox" not in read(tmp_path / "regions.geojson")


def test_a_right_handed_shape_stays_as_it_is() -> None:
    ring = [(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)]
    assert list(right_handed(Polygon(ring)).exterior.coords) == ring
