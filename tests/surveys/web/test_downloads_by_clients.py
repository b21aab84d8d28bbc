"""The programs that researchers read files with, each against a running server: outside judges of ranges and resuming."""

from __future__ import annotations

import hashlib
import io
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import duckdb_extension_httpfs
import httpx
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest
from django.core.signals import request_started
from pyarrow import parquet

from project.processes import Crew
from tests.journeys.conftest import database_address, environment, free_port
from tests.published import publish
from tests.surveys.web.test_downloads import resumed

pytestmark = pytest.mark.django_db(transaction=True)

ROWS = 60_000


def table() -> pa.Table:
    """Return rows that pack badly, so that the file is larger than the part of it that a reader asks for."""
    chance = np.random.default_rng(20260701)
    return pa.table({
        "return_id": [f"r{number:06}" for number in range(ROWS)],
        "trap_nights": pa.array(chance.random(ROWS)),
                "count_min": pa.array([None if number % 7 == 0 else number % 50 for number in range(ROWS)], pa.int64()),
        **{f"noise_{number}": pa.array(chance.random(ROWS)) for number in range(8)},
    })  # fmt: skip


TABLE = table()
#: Expected, from the arrays and from no reader: sum of the column that is asked for, and how many cells are empty.
EFFORT = float(np.sum(TABLE["trap_nights"].to_numpy()))
EMPTY = len(range(0, ROWS, 7))


def parquet_bytes() -> bytes:
    file = io.BytesIO()
    parquet.write_table(TABLE, file, row_group_size=10_000, compression="zstd")
    return file.getvalue()


PARQUET = parquet_bytes()
CSV = TABLE.to_pandas(types_mapper=pd.ArrowDtype).to_csv(index=False, lineterminator="\n").encode()


@pytest.fixture
def base(running: str, settings: Any, tmp_path: Path) -> str:
    """The address of a release on a running server."""
    settings.RELEASES_FOLDER = tmp_path
    publish({"counts.parquet": PARQUET, "counts.csv": CSV})
    return f"{running}/releases/1.0.0/"


@pytest.fixture
def asked() -> Iterator[list[tuple[str, str]]]:
    """Method and Range of each request that the server hears."""
    heard: list[tuple[str, str]] = []

    def note(environ: dict[str, str], **_: Any) -> None:
        heard.append((environ["REQUEST_METHOD"], environ.get("HTTP_RANGE", "")))

    request_started.connect(note)
    yield heard
    request_started.disconnect(note)


def bytes_asked(asked: list[tuple[str, str]]) -> int:
    """Return how many bytes the ranges of GET requests add up to; a GET without one is the whole file."""
    total = 0
    for method, header in asked:
        first, _, last = header.removeprefix("bytes=").partition("-")
        if method == "GET":
            total += (int(last) - int(first) + 1 if first else int(last)) if header else len(PARQUET)
    return total


def test_polars_fetches_the_columns_that_it_needs(base: str, asked: list[tuple[str, str]]) -> None:
    """Polars fails where ranges are not kept to; it reads the end of the file by a suffix range."""
    scan = pl.scan_parquet(base + "counts.parquet")
    found = scan.select(pl.col("trap_nights").sum(), pl.col("count_min").null_count(), pl.len()).collect()
    assert found["trap_nights"].item() == pytest.approx(EFFORT, rel=1e-12)
    assert (found["count_min"].item(), found["len"].item()) == (EMPTY, ROWS)
    assert any(header.startswith("bytes=-") for _, header in asked)
    assert bytes_asked(asked) < 0.5 * len(PARQUET)


def test_duckdb_fetches_the_columns_that_it_needs(base: str, asked: list[tuple[str, str]]) -> None:
    """DuckDB asks for HEAD, then for exact ranges."""
    reader = duckdb.connect()
    extension = next(Path(duckdb_extension_httpfs.__file__).parent.rglob("httpfs.duckdb_extension"))
    reader.execute(f"LOAD '{extension}'")
    for address in (base, base.replace("1.0.0", "latest")):
        asked.clear()
        found = reader.execute(
            f"SELECT sum(trap_nights), count(*) - count(count_min), count(*) FROM '{address}counts.parquet'"
        ).fetchone()
        assert found is not None
        assert found[0] == pytest.approx(EFFORT, rel=1e-12)
        assert found[1:] == (EMPTY, ROWS)
        assert "HEAD" in {method for method, _ in asked}
        assert all(header for method, header in asked if method == "GET"), asked
        assert bytes_asked(asked) < 0.5 * len(PARQUET)


def test_pandas_reads_both_forms(base: str) -> None:
    for address in (base, base.replace("1.0.0", "latest")):
        read = pd.read_csv(address + "counts.csv", dtype={"count_min": "Int64"})
        assert (len(read), int(read["count_min"].isna().sum())) == (ROWS, EMPTY)
        assert read["trap_nights"].sum() == pytest.approx(EFFORT, rel=1e-12)
        assert pd.read_parquet(address + "counts.parquet")["trap_nights"].sum() == pytest.approx(EFFORT, rel=1e-12)


# --- the web server of production -------------------------------------------------------------------


@pytest.fixture
def production(transactional_db: None, settings: Any, tmp_path: Path) -> Iterator[str]:
    """The address of a release behind gunicorn, as it runs every day."""
    settings.RELEASES_FOLDER = tmp_path / "releases"
    publish({"counts.parquet": PARQUET, "counts.csv": CSV})
    told = environment(database_address(), broker=8) | {"RELEASES_FOLDER": str(tmp_path / "releases")}
    with Crew(tmp_path / "logs", told) as crew:
        address = f"127.0.0.1:{free_port()}"
        crew.start_web(address, processes=1)
        yield f"http://{address}/releases/1.0.0/"


def test_behind_gunicorn_a_download_that_broke_off_20_times_is_whole(production: str) -> None:
    """The line is cut by hanging up in the middle of the body."""
    address = production + "counts.parquet"
    cuts = sorted(random.Random(11).sample(range(1, len(PARQUET)), 20))

    def fetch(headers: dict[str, str]) -> tuple[Any, bytes]:
        have, end = int(headers.get("Range", "bytes=0-")[6:-1]), next(ends)
        got = b""
        with httpx.stream("GET", address, headers=headers) as answer:
            for block in answer.iter_raw(1024):
                got += block
                if have + len(got) >= end:
                    break
        return answer, got

    ends = iter([*cuts, len(PARQUET)])
    assert hashlib.sha256(resumed(fetch, cuts)).hexdigest() == hashlib.sha256(PARQUET).hexdigest()

    head = httpx.head(address)
    assert (head.status_code, head.headers["Content-Length"], head.content) == (200, str(len(PARQUET)), b"")
    packed = httpx.get(production + "counts.csv", headers={"Accept-Encoding": "gzip, br, zstd"})
    assert "Content-Encoding" not in packed.headers
    assert packed.content == CSV
    assert packed.headers["Content-Length"] == str(len(CSV))
    known = httpx.get(address, headers={"If-None-Match": head.headers["ETag"]})
    assert (known.status_code, known.content) == (304, b"")
    end = httpx.get(address, headers={"Range": "bytes=-8"})
    assert (end.status_code, end.content) == (206, PARQUET[-8:])
    assert httpx.post(address).status_code == 405
