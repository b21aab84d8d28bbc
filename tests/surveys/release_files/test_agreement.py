"""One table is the truth: every format of a release tells the same counts and sums, read by libraries of others."""

from __future__ import annotations

import io
import zipfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import duckdb
import geopandas
import pandas
import polars
import pyarrow as pa
import pytest
from pyarrow import csv as arrow_csv
from pyarrow import parquet

from tests.made_release import make_release, rows_of

#: (season, region, group): rows, lowest counts added up, rows with a sighting.
Sums = dict[tuple[str, str, str], tuple[int, int, int]]
KEY = ["season", "region", "group"]


@pytest.fixture(scope="module", params=[1, 2, 3, 4, 5, 6])
def folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("release")
    make_release(made, seed=request.param, sites=6 + 2 * request.param)
    return made


def truth(folder: Path) -> Sums:
    """Add up with the standard library alone."""
    place = {row["return_id"]: (row["season"], row["region"]) for row in rows_of(folder, "returns")}
    rows, animals, seen = Counter(), Counter(), Counter()
    for row in rows_of(folder, "counts"):
        key = (*place[row["return_id"]], row["group"])
        rows[key] += 1
        animals[key] += int(row["count_min"] or 0)
        seen[key] += row["detected"] == "true"
    return {key: (rows[key], animals[key], seen[key]) for key in rows}


def by_pandas(returns: pandas.DataFrame, counts: pandas.DataFrame) -> Sums:
    both = counts.merge(returns[["return_id", "season", "region"]].astype(str), on="return_id")
    both = both.assign(
        seen=both["detected"].astype("boolean").fillna(value=False).astype(int), group=both["group"].astype(str)
    )
    found = both.groupby(KEY, observed=True).agg(
        rows=("answer", "size"), animals=("count_min", "sum"), seen=("seen", "sum")
    )
    return {
        key: (int(row.rows), int(row.animals), int(row.seen))
        for key, row in zip(found.index, found.itertuples(), strict=True)
    }


def by_polars(returns: polars.DataFrame, counts: polars.DataFrame) -> Sums:
    both = counts.join(returns.select("return_id", "season", "region"), on="return_id")
    found = both.group_by(KEY).agg(polars.len(), polars.col("count_min").sum(), polars.col("detected").sum())
    return {(row[0], row[1], row[2]): (row[3], row[4], row[5]) for row in found.iter_rows()}


def by_duckdb(returns: Path, counts: Path) -> Sums:
    found = duckdb.sql(f"""
        SELECT season, region, "group", count(*), coalesce(sum(count_min), 0), count(*) FILTER (detected)
        FROM '{counts}' JOIN '{returns}' USING (return_id) GROUP BY ALL
    """).fetchall()
    return {(row[0], row[1], row[2]): (row[3], int(row[4]), row[5]) for row in found}


def by_arrow(returns: pa.Table, counts: pa.Table) -> Sums:
    counts = counts.set_column(1, "group", counts.column("group").cast(pa.string()))
    counts = counts.set_column(2, "answer", counts.column("answer").cast(pa.string()))
    both = counts.select(["return_id", "group", "count_min", "detected"]).join(
        returns.select(["return_id", "season", "region"]), "return_id"
    )
    both = both.set_column(3, "detected", both.column("detected").cast(pa.int64()))
    found = both.group_by(KEY).aggregate([([], "count_all"), ("count_min", "sum"), ("detected", "sum")])
    return {
        (row["season"], row["region"], row["group"]): (
            row["count_all"],
            row["count_min_sum"] or 0,
            row["detected_sum"] or 0,
        )
        for row in found.to_pylist()
    }


READERS: dict[str, Callable[[Path], Sums]] = {
    "pandas, CSV": lambda f: by_pandas(pandas.read_csv(f / "returns.csv"), pandas.read_csv(f / "counts.csv")),
    "pandas, Parquet": lambda f: by_pandas(
        pandas.read_parquet(f / "returns.parquet"), pandas.read_parquet(f / "counts.parquet")
    ),
    "polars, CSV": lambda f: by_polars(
        polars.read_csv(f / "returns.csv", infer_schema_length=None),
        polars.read_csv(f / "counts.csv", infer_schema_length=None),
    ),
    "polars, Parquet": lambda f: by_polars(
        polars.read_parquet(f / "returns.parquet"), polars.read_parquet(f / "counts.parquet")
    ),
    "duckdb, CSV": lambda f: by_duckdb(f / "returns.csv", f / "counts.csv"),
    "duckdb, Parquet": lambda f: by_duckdb(f / "returns.parquet", f / "counts.parquet"),
    "pyarrow, CSV": lambda f: by_arrow(arrow_csv.read_csv(f / "returns.csv"), arrow_csv.read_csv(f / "counts.csv")),
    "pyarrow, Parquet": lambda f: by_arrow(
        parquet.read_table(f / "returns.parquet", read_dictionary=[]), parquet.read_table(f / "counts.parquet")
    ),
    "pandas, CSV in the zip": lambda f: by_pandas(*(_zipped(f, name) for name in ("returns", "counts"))),
}


def _zipped(folder: Path, name: str) -> pandas.DataFrame:
    with zipfile.ZipFile(folder / "trapnight-1.0.0.zip") as archive:
        return pandas.read_csv(io.BytesIO(archive.read(f"{name}.csv")))


@pytest.mark.parametrize("reader", READERS)
def test_counts_and_sums_agree_to_the_integer(folder: Path, reader: str) -> None:
    expected = truth(folder)
    assert len(expected) > 8
    assert READERS[reader](folder) == expected


def test_a_sum_that_is_off_by_one_is_seen(folder: Path, tmp_path: Path) -> None:
    for name in ("returns", "counts"):
        (tmp_path / f"{name}.csv").write_bytes((folder / f"{name}.csv").read_bytes())
    lines = (tmp_path / "counts.csv").read_text().splitlines()
    (tmp_path / "counts.csv").write_text("\n".join(lines[:-1]) + "\n")
    assert READERS["pandas, CSV"](tmp_path) != truth(folder)


def test_cells_add_up_to_the_returns_that_show_one(folder: Path) -> None:
    """Cells with five gardens or more in a season: METHODS.md, section 12."""
    showing = [row for row in rows_of(folder, "returns") if row["cell"]]
    gardens = {(row["season"], row["region"], row["cell"], row["site_id"]) for row in showing}
    enough = Counter(garden[:3] for garden in gardens)
    returns = [row for row in showing if enough[row["season"], row["region"], row["cell"]] >= 5]
    assert returns
    expected = Counter((row["season"], row["region"]) for row in returns)
    nights = sum(float(row["trap_nights"] or 0) for row in returns)
    squares = geopandas.read_parquet(folder / "cells.parquet")
    features = geopandas.read_file(folder / "cells.geojson")
    for frame in (squares, features, pandas.read_csv(folder / "cells.csv")):
        found = frame.groupby(["season", "region"], observed=True)["returns"].sum()
        assert {key: int(value) for key, value in found.items()} == expected
        assert frame["trap_nights"].sum() == pytest.approx(nights, rel=1e-12)


def test_readers_agree_on_what_is_missing(folder: Path) -> None:
    """Blanks are missing in every reader, and nothing else is."""
    for name in ("returns", "counts", "index_level"):
        rows = rows_of(folder, name)
        blank = {column: sum(row[column] == "" for row in rows) for column in rows[0]}
        assert pandas.read_csv(folder / f"{name}.csv").isna().sum().to_dict() == blank
        assert pandas.read_parquet(folder / f"{name}.parquet").isna().sum().to_dict() == blank
        assert polars.read_parquet(folder / f"{name}.parquet").null_count().to_dicts()[0] == blank
        sums = duckdb.sql(f"SELECT * FROM '{folder}/{name}.csv'").df().isna().sum().to_dict()
        assert sums == blank
