"""Effort in each grid cell: as a table, as GeoParquet 1.1 and as GeoJSON (RFC 7946). Squares, never a garden's point.

References: GeoParquet 1.1.0 (Open Geospatial Consortium); RFC 7946; half a side each way of the centre, as
:func:`surveys.methods.geography.snap_to_cell` laid the grid out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas
from shapely import Polygon

from surveys.methods.disclosure import FEWEST_SITES
from surveys.methods.geography import cell_around
from surveys.release_files.geojson import feature, write_features
from surveys.release_files.parquet import ROWS_IN_A_GROUP
from surveys.release_files.reading import read_table, table_batches
from surveys.release_files.tables import CELLS, RETURNS
from surveys.release_files.writing import write_rows

#: Longitude before latitude, WGS 84: the order in which GeoParquet and GeoJSON write a point.
WGS_84 = "OGC:CRS84"

_PLACE = ("cell_latitude", "cell_longitude", "cell_uncertainty_m")
_READ = ("season", "region", "cell", *_PLACE, "site_id", "trap_nights")


@dataclass(slots=True)
class _Effort:
    """What was added up of one cell so far."""

    place: tuple[float, float, int]
    sites: set[str] = field(default_factory=set)
    returns: int = 0
    trap_nights: float = 0.0


def write_cells(folder: Path) -> None:
    """Write ``cells.csv`` from ``returns.csv``: a row for each season, region and cell with five gardens or more.

    A garden shows its cell in all of its seasons, so that in one of them there may be fewer gardens in it.
    A return without effort (trap lost, flooded or disturbed) counts as a return and adds no trap-nights.
    Raises ValueError where the same cell stands in two places.
    """
    found = _added_up(folder)
    write_rows(
        folder,
        CELLS,
        (
            (*key, *found[key].place, len(found[key].sites), found[key].returns, found[key].trap_nights)
            for key in sorted(found)
            if len(found[key].sites) >= FEWEST_SITES
        ),
    )


def _added_up(folder: Path) -> dict[tuple[str, str, str], _Effort]:
    # The table is sorted by return_id, and so is the order in which trap-nights are added up.
    found: dict[tuple[str, str, str], _Effort] = {}
    for season, region, cell, *place, site, trap_nights in _rows_with_a_cell(folder):
        effort = found.setdefault((season, region, cell), _Effort((place[0], place[1], place[2])))
        if effort.place != tuple(place):
            raise ValueError(
                f"In returns.csv the cell {cell} stands at {effort.place[:2]} and at {tuple(place[:2])}. A cell has "
                "one centre: freeze the tables again."
            )
        effort.sites.add(site)
        effort.returns += 1
        effort.trap_nights += trap_nights or 0.0
    return found


def _rows_with_a_cell(folder: Path) -> Iterator[tuple[Any, ...]]:
    for batch in table_batches(folder, RETURNS, _READ):
        columns = (batch.column(name).to_pylist() for name in _READ)
        yield from (row for row in zip(*columns, strict=True) if row[2] is not None)


def write_cells_parquet(folder: Path) -> None:
    """Write ``cells.parquet`` from ``cells.csv``: GeoParquet 1.1 with a bounding box for each row."""
    cells = read_table(folder, CELLS)
    frame = cells.to_pandas().astype(dict.fromkeys(("season", "region", "cell"), "category"))
    places = geopandas.GeoDataFrame(frame, geometry=list(_squares(cells.to_pylist())), crs=WGS_84)
    places.to_parquet(
        folder / "cells.parquet",
        index=False,
        compression="zstd",
        schema_version="1.1.0",
        write_covering_bbox=True,
        row_group_size=ROWS_IN_A_GROUP,
    )


def write_cells_geojson(folder: Path) -> None:
    """Write ``cells.geojson`` from ``cells.csv``: a square with its effort for each row."""
    rows = read_table(folder, CELLS).to_pylist()
    write_features(
        folder / "cells.geojson",
        [
            feature("/".join((row["season"], row["region"], row["cell"])), place, row)
            for row, place in zip(rows, _squares(rows), strict=True)
        ],
    )


def _squares(rows: Iterable[dict[str, Any]]) -> Iterator[Polygon]:
    return (cell_around(row["cell_latitude"], row["cell_longitude"]) for row in rows)
