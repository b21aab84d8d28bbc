"""Grid cells: what they add up, and that outside readers and judges take their three files."""

from __future__ import annotations

import json
import struct
from collections import defaultdict
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import geopandas
import geoparquet_validator
import pyarrow as pa
import pytest
import shapely
from pyarrow import parquet

from surveys.methods.geography import cell_around
from surveys.release_files.cells import write_cells, write_cells_geojson, write_cells_parquet
from surveys.release_files.tables import RETURNS
from tests.made_release import make_release, rows_of
from tests.released import write_small_release, write_table

SEEDS = [1, 2, 3, 4, 5]


@pytest.mark.parametrize("seed", SEEDS)
def test_a_cell_adds_up_the_returns_that_show_it_and_no_others(tmp_path: Path, seed: int) -> None:
    """Expected values: the standard library's CSV reader, sets, and sums in the order of the file."""
    write_small_release(tmp_path, seed=seed)
    write_cells(tmp_path)
    sites, returns, nights = defaultdict(set), defaultdict(int), defaultdict(float)
    for row in rows_of(tmp_path, "returns"):
        if row["cell"]:
            key = (row["season"], row["region"], row["cell"])
            sites[key].add(row["site_id"])
            returns[key] += 1
            nights[key] += float(row["trap_nights"] or 0)
    found = rows_of(tmp_path, "cells")
    shown = sorted(key for key in returns if len(sites[key]) >= 5)  # k of METHODS.md, section 12
    assert [(row["season"], row["region"], row["cell"]) for row in found] == shown
    assert found
    for row in found:
        key = (row["season"], row["region"], row["cell"])
        assert (int(row["sites"]), int(row["returns"])) == (len(sites[key]), returns[key])
        assert float(row["trap_nights"]) == nights[key]
    assert sum(returns.values()) < len(rows_of(tmp_path, "returns")), "some returns show no cell"


def test_a_return_without_effort_counts_and_adds_no_trap_night(tmp_path: Path) -> None:
    write_small_release(tmp_path, seed=2)
    rows = [_return("a", "s1", 1.0), _return("b", "s1", None)]
    rows += [_return(f"c{number}", f"s{number}", 0.25) for number in range(2, 6)]
    write_table(tmp_path, RETURNS, rows)
    write_cells(tmp_path)
    (row,) = rows_of(tmp_path, "cells")
    # By hand: one trap-night and four quarters.
    assert (row["sites"], row["returns"], Decimal(row["trap_nights"])) == ("5", "6", Decimal("2"))


def test_a_season_with_fewer_than_five_gardens_in_a_cell_tells_no_effort_of_it(tmp_path: Path) -> None:
    write_small_release(tmp_path, seed=2)
    write_table(tmp_path, RETURNS, [_return(f"r{number}", f"s{number}", 1.0) for number in range(4)])
    write_cells(tmp_path)
    assert rows_of(tmp_path, "cells") == []


def test_a_cell_that_stands_in_two_places_is_refused_in_words(tmp_path: Path) -> None:
    write_small_release(tmp_path, seed=2)
    write_table(tmp_path, RETURNS, [_return("a", "s1", 1.0), _return("b", "s1", 1.0) | {"cell_latitude": 51.55}])
    with pytest.raises(ValueError, match=r"cell n51.40w18.10 stands at \(51.45, -18.05\) and at \(51.55, -18.05\)"):
        write_cells(tmp_path)


def test_a_square_is_a_tenth_of_a_degree_around_its_centre() -> None:
    """By hand: 51.45 ± 0.05 and −18.05 ± 0.05."""
    ring = cell_around(51.45, -18.05).exterior
    assert ring.bounds == (-18.1, 51.4, -18.0, 51.5)
    assert ring.is_ccw


def test_geopandas_reads_the_cells_with_their_numbers(tmp_path: Path) -> None:
    make_release(tmp_path, seed=3)
    found, rows = geopandas.read_parquet(tmp_path / "cells.parquet"), rows_of(tmp_path, "cells")
    assert found.crs == "OGC:CRS84"
    assert list(found["returns"]) == [int(row["returns"]) for row in rows]
    assert list(found["trap_nights"]) == [float(row["trap_nights"]) for row in rows]
    assert list(found["region"]) == [row["region"] for row in rows]
    centres = [(float(row["cell_longitude"]), float(row["cell_latitude"])) for row in rows]
    assert [(round(p.x, 6), round(p.y, 6)) for p in shapely.centroid(found.geometry.values)] == centres
    west = geopandas.read_parquet(tmp_path / "cells.parquet", bbox=(-18.2, 51.0, -17.95, 52.0))
    assert set(west["region"]) == {"alder-quay"}


@pytest.mark.parametrize("seed", SEEDS)
def test_an_outside_judge_passes_the_geoparquet(tmp_path: Path, seed: int) -> None:
    """Judge: geoparquet-validator (GeoParquet 1.1.0), core and covering."""
    make_release(tmp_path, seed=seed)
    report = geoparquet_validator.check(str(tmp_path / "cells.parquet"))
    assert report["version"] == "1.1.0"
    assert geoparquet_validator.failed(report) == []
    passed = {one["id"] for one in report["outcomes"] if one["status"] == "pass"}
    assert {"/conf/core/wkb", "/conf/core/crs-projjson", "/conf/covering/bbox-paths"} <= passed
    metadata = parquet.read_metadata(tmp_path / "cells.parquet")
    used = {metadata.row_group(0).column(n).compression for n in range(metadata.num_columns)}
    assert used == {"ZSTD"}


def test_a_release_in_which_no_return_shows_a_cell_still_has_its_files(tmp_path: Path) -> None:
    write_small_release(tmp_path)
    write_table(
        tmp_path, RETURNS, [_return("a", "s1", 1.0) | {"cell": None, "cell_latitude": None, "cell_longitude": None}]
    )
    write_cells(tmp_path)
    write_cells_parquet(tmp_path)
    write_cells_geojson(tmp_path)
    assert rows_of(tmp_path, "cells") == []
    assert len(geopandas.read_parquet(tmp_path / "cells.parquet")) == 0
    assert json.loads((tmp_path / "cells.geojson").read_text()) == {"type": "FeatureCollection", "features": []}


Plant = Callable[[pa.Table, dict[str, Any]], pa.Table]


def _no_version(table: pa.Table, geo: dict[str, Any]) -> pa.Table:
    del geo["version"]
    return table


def _another_column(table: pa.Table, geo: dict[str, Any]) -> pa.Table:
    geo["primary_column"] = "place"
    return table


def _points_said(table: pa.Table, geo: dict[str, Any]) -> pa.Table:
    geo["columns"]["geometry"]["geometry_types"] = ["Point"]
    return table


def _broken_shapes(table: pa.Table, geo: dict[str, Any]) -> pa.Table:
    at = table.column_names.index("geometry")
    return table.set_column(at, "geometry", pa.array([struct.pack("<BI", 1, 3)] * len(table), pa.binary()))


def _no_such_box(table: pa.Table, geo: dict[str, Any]) -> pa.Table:
    geo["columns"]["geometry"]["covering"]["bbox"]["xmin"] = ["box", "xmin"]
    return table


def _too_small_a_box(table: pa.Table, geo: dict[str, Any]) -> pa.Table:
    geo["columns"]["geometry"]["bbox"] = [-18.0, 51.4, -17.9, 51.5]
    return table


@pytest.mark.parametrize(
    "plant", [_no_version, _another_column, _points_said, _broken_shapes, _no_such_box, _too_small_a_box]
)
def test_the_judge_finds_a_fault_that_was_planted_in_the_geoparquet(tmp_path: Path, plant: Plant) -> None:
    make_release(tmp_path)
    path = tmp_path / "cells.parquet"
    table = parquet.read_table(path)
    geo = json.loads(table.schema.metadata[b"geo"])
    spoiled = plant(table, geo)
    metadata = {**table.schema.metadata, b"geo": json.dumps(geo).encode()}
    parquet.write_table(spoiled.replace_schema_metadata(metadata), path)
    assert geoparquet_validator.failed(geoparquet_validator.check(str(path))) != []


def _return(letter: str, site: str, trap_nights: float | None) -> dict[str, Any]:
    return {
        "return_id": letter, "season": "merrow-2026", "region": "alder-quay", "cell": "n51.40w18.10",
        "cell_latitude": 51.45, "cell_longitude": -18.05, "cell_uncertainty_m": 6572, "site_id": site, "trap_number": 1,
        "night": "2026-05-01", "set_at": "2026-05-01T18:00:00Z", "emptied_at": "2026-05-02T18:00:00Z",
        "exposure_hours": 24, "traps_pooled": 1, "trap_nights": trap_nights, "school": False, "first_return": True,
        "standing": "to_protocol", "state": "standing",
    }  # fmt: skip
