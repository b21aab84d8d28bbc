"""The programs that read open collections, against a running server: GDAL inside pyogrio, and the older one of R."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyogrio
import pytest
from shapely.geometry import box

from project.processes import Crew
from tests.conftest import RSCRIPT
from tests.journeys.conftest import database_address, environment, free_port
from tests.ogc_world import CELLS, VALUES, make_features

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def home(transactional_db: None, settings: Any, tmp_path: Path) -> Iterator[str]:
    """The front door of the open collections, in a process of its own: GDAL lets no other thread of this one run."""
    settings.RELEASES_FOLDER = tmp_path / "releases"
    make_features(tmp_path)
    told = environment(database_address(), broker=8) | {"RELEASES_FOLDER": str(tmp_path / "releases")}
    with Crew(tmp_path / "logs", told) as crew:
        address = f"127.0.0.1:{free_port()}"
        crew.start_web(address, processes=1)
        yield f"http://{address}/ogc"


def test_gdal_reads_every_feature_with_its_types(home: str) -> None:
    assert {name for name, _ in pyogrio.list_layers(f"OAPIF:{home}")} == {"regions", "index-values", "cells"}
    cells = pyogrio.read_dataframe(f"OAPIF:{home}", layer="cells")
    assert (len(cells), cells["id"].nunique()) == (CELLS, CELLS)
    assert str(cells.crs) == "EPSG:4326"
    # By hand: 50 cells of 5 to 54 sites in three places and 100 of 5 to 104 in one.
    assert cells["sites"].sum() == 3 * sum(range(5, 55)) + sum(range(5, 105))
    assert cells["sites"].dtype.kind == "i"
    assert set(cells.geometry.geom_type) == {"Polygon"}
    values = pyogrio.read_dataframe(f"OAPIF:{home}", layer="index-values")
    assert len(values) == VALUES
    # By hand: in each season the figures 1 to 36, every sixth of which is not shown.
    assert values["estimate"].sum() == 2 * (sum(range(1, 37)) - sum(range(6, 37, 6)))
    assert values["estimate"].isna().sum() == 12
    assert len(pyogrio.read_dataframe(f"OAPIF:{home}", layer="regions")) == 2
    # Without the prefix GDAL reads one page, as it is asked for.
    address = f"{home}/collections/cells/items?season=merrow-2026&region=westmark&limit=1000"
    assert len(pyogrio.read_dataframe(address)) == 50


def test_gdal_asks_for_a_box(home: str) -> None:
    """Held against all features, cut by shapely here. A box beyond the Earth's edges is cut to them by GDAL."""
    whole = pyogrio.read_dataframe(f"OAPIF:{home}", layer="cells")
    edges = (-17.76, 51.11, -17.52, 51.38)
    found = pyogrio.read_dataframe(f"OAPIF:{home}", layer="cells", bbox=edges)
    expected = whole[whole.intersects(box(*edges))]
    assert sorted(found["id"]) == sorted(expected["id"])
    assert 0 < len(found) < 30
    everywhere = pyogrio.read_dataframe(f"OAPIF:{home}", layer="cells", bbox=(-200, -95, 200, 95))
    assert len(everywhere) == CELLS


R_READS = """
suppressPackageStartupMessages(library(sf))
home <- commandArgs(TRUE)[1]
cells <- st_read(paste0("OAPIF:", home), layer = "cells", quiet = TRUE)
values <- st_read(paste0("OAPIF:", home), layer = "index-values", quiet = TRUE)
cat(nrow(cells), length(unique(cells$id)), sum(cells$sites), "\\n")
cat(nrow(values), sum(values$estimate, na.rm = TRUE), sum(is.na(values$estimate)), "\\n")
edges <- st_as_text(st_as_sfc(st_bbox(c(xmin = -17.76, ymin = 51.11, xmax = -17.52, ymax = 51.38))))
some <- st_read(paste0("OAPIF:", home), layer = "cells", wkt_filter = edges, quiet = TRUE)
cat(nrow(some), "\\n")
"""


@pytest.mark.r
def test_r_reads_every_feature(home: str, tmp_path: Path) -> None:
    """R's sf: on Debian 12 with GDAL 3.6, which asks for ten features at a time."""
    assert RSCRIPT, "TRAPNIGHT_R asks for R, and there is no Rscript."
    script = tmp_path / "read.R"
    script.write_text(R_READS)
    done = subprocess.run([RSCRIPT, str(script), home], capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr
    cells, values, some = done.stdout.split("\n")[:3]
    assert cells.split() == [str(CELLS), str(CELLS), str(3 * sum(range(5, 55)) + sum(range(5, 105)))]
    assert values.split() == [str(VALUES), str(2 * (sum(range(1, 37)) - sum(range(6, 37, 6)))), "12"]
    # Between 51.11 and 51.38 lie rows 1 to 3 of the cells, between -17.76 and -17.52 columns 2 to 4; two seasons.
    assert some.split() == [str(3 * 3 * 2)]
