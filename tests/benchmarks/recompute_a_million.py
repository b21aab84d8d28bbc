"""What it costs to compute the index series of a large release again, from its files alone.

``python -m tests.benchmarks.recompute_a_million --returns 1000000`` writes an invented release of so many returns
into a temporary folder (or ``--folder``, which is kept), computes its series in the processes that
``trapnight-recompute`` starts, and prints when each of them ran and its highest memory. ``--into`` keeps the series.
"""

from __future__ import annotations

import argparse
import os
import resource
from contextlib import nullcontext
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import csv

from surveys.release_files.facts import write_facts
from surveys.release_files.index_series import write_index_series
from surveys.release_files.reading import csv_path
from surveys.release_files.tables import COUNTS, GROUPS, HABITATS, REGIONS, RETURNS, SEASONS, WINDOWS, Table
from tests.benchmarks.processes_seen import ProcessesSeen
from tests.released import facts, write_table

SEED = 20_262
#: Returns whose counts are written at a time.
PIECE = 100_000
REGION_CODES = ("alder-quay", "brindle-down", "cawder", "larkfell", "thornmere", "westerhay")
HABITAT_CODES = ("short_lawn", "long_grass", "hedge_base", "border", "wood_edge", "compost", "paving", "other")
GROUP_CODES = ("woodlice", "millipedes", "centipedes", "spiders", "ground_beetles", "springtails", "ants", "harvestmen")
#: Lowest and highest count of the octaves that a form offers from 16 on; the last is open. Common practice, no source.
OCTAVES = ((16, 31), (32, 63), (64, 127), (128, None))


def texts(rng: np.random.Generator, n: int) -> pa.Array:
    """Return identifiers as they are written, different ones."""
    hexed = np.frombuffer(rng.bytes(16 * n).hex().encode(), dtype=np.uint8).reshape(n, 32)
    letters = np.full((n, 36), ord("-"), dtype=np.uint8)
    letters[:, [place for place in range(36) if place not in (8, 13, 18, 23)]] = hexed
    fixed = pa.FixedSizeBinaryArray.from_buffers(pa.binary(36), n, [None, pa.py_buffer(letters.tobytes())])
    return fixed.cast(pa.binary()).cast(pa.string())


def chosen(codes: tuple[str, ...], places: NDArray[np.int64]) -> pa.Array:
    """Return codes by their places."""
    return pa.DictionaryArray.from_arrays(pa.array(places, pa.int32()), list(codes)).cast(pa.string())


def write_lists(folder: Path, seasons: list[str], years: list[int]) -> None:
    """Write the lists of the seasons: the same in each."""
    for table, column, codes in ((REGIONS, "region", REGION_CODES), (GROUPS, "group", GROUP_CODES),
                                 (HABITATS, "habitat", HABITAT_CODES)):  # fmt: skip
        write_table(folder, table, [
            {"season": season, "position": at, column: code, "name": code, "label": code, "scientific_name": code,
             "taxon_rank": "order", "weight": 1 / len(HABITAT_CODES)}
            for season in seasons for at, code in enumerate(codes, start=1)
        ])  # fmt: skip
    write_table(folder, SEASONS, [
        {"season": season, "title": season, "organiser": "Merrow Field Office", "protocol": "1", "invented": True,
         "opens_on": date(year, 4, 1), "closes_on": date(year, 9, 30), "time_zone": "Atlantic/Reykjavik",
         "licence": "CC-BY-4.0"} for season, year in zip(seasons, years, strict=True)
    ])  # fmt: skip
    write_table(folder, WINDOWS, [
        {"season": season, "position": at, "window": window, "name": window, "first_day": date(year, month, 1),
         "last_day": date(year, month, 30)}
        for season, year in zip(seasons, years, strict=True)
        for at, (window, month) in enumerate((("spring", 4), ("summer", 6), ("autumn", 9)), start=1)
    ])  # fmt: skip


def append(path: Path, table: Table, columns: dict[str, pa.Array]) -> None:
    """Write rows below those that stand there; columns that are not given stay empty."""
    n = len(next(iter(columns.values())))
    empty = pa.nulls(n, pa.string())
    rows = pa.Table.from_arrays([columns.get(name, empty) for name in table.names], names=list(table.names))
    with path.open("ab") as file:
        csv.write_csv(rows, file, csv.WriteOptions(include_header=False, quoting_style="none"))


def begin(folder: Path, table: Table) -> Path:
    """Write the header of a table, and return where it stands."""
    path = csv_path(folder, table)
    path.write_text(",".join(table.names) + "\n", encoding="utf-8", newline="\n")
    return path


def write_rows(folder: Path, seasons: list[str], years: list[int], returns: int, gardens: int) -> None:
    """Write returns and their counts, the same gardens in every season."""
    rng = np.random.default_rng(SEED)
    sites, level = texts(rng, gardens), rng.gamma(1.25, 0.8, gardens)
    into, answers = begin(folder, RETURNS), begin(folder, COUNTS)
    each = [returns // len(seasons) + (number < returns % len(seasons)) for number in range(len(seasons))]
    for season, year, n_season in zip(seasons, years, each, strict=True):
        for first in range(0, n_season, PIECE):
            n = min(PIECE, n_season - first)
            identifier, site = texts(rng, n), rng.integers(0, gardens, n)
            window, habitat = rng.integers(0, 3, n), rng.integers(0, len(HABITAT_CODES), n)
            first_days = np.array([(date(year, month, 1) - date(1970, 1, 1)).days for month in (4, 6, 9)])
            hours, fresh = rng.integers(92, 101, n) / 4, rng.random(n) < 0.4
            night = first_days[window] + rng.integers(0, 30, n)
            rim = rng.choice([65.0, 75.0, 75.0, 75.0, 90.0], n) / 75
            append(into, RETURNS, {
                "return_id": identifier, "season": pa.repeat(season, n),
                "region": chosen(REGION_CODES, site % len(REGION_CODES)), "site_id": sites.take(pa.array(site)),
                "trap_number": pa.repeat(1, n), "habitat": chosen(HABITAT_CODES, habitat),
                "window": chosen(("spring", "summer", "autumn"), window),
                "night": pa.array(night, pa.int32()).cast(pa.date32()), "exposure_hours": pa.array(hours),
                "trap_nights": pa.array(hours / 24), "rim_ratio": pa.array(rim), "fresh": pa.array(fresh),
                "school": pa.array(site % 50 == 0), "first_return": pa.array(rng.random(n) < 0.04),
                "temp_max_c": pa.array(rng.normal(17, 4, n).round(1)),
            })  # fmt: skip
            mean = level[site] * hours / 24 * rim * np.exp(0.3 * fresh + 0.1 * habitat)
            write_answers(answers, rng, identifier, mean)


def write_answers(path: Path, rng: np.random.Generator, identifier: pa.Array, mean: NDArray[np.float64]) -> None:
    """Write the answers of some returns, group beside group, as a release has them."""
    n, groups = len(mean), len(GROUP_CODES)
    order = np.argsort(GROUP_CODES)
    rate = mean[:, None] * np.geomspace(0.3, 6, groups)[None, order] * rng.gamma(1.0, 1.0, (n, groups))
    low = rng.poisson(rate).reshape(-1)
    high, opened = low.copy(), np.zeros(low.size, dtype=bool)
    for least, most in OCTAVES:
        inside = (high >= least) & (high <= (most or high.max()))
        low[inside], high[inside], opened[inside] = least, most or 0, most is None
    silent = rng.random(low.size) < 0.03
    append(path, COUNTS, {
        "return_id": identifier.take(pa.array(np.repeat(np.arange(n), groups))),
        "group": chosen(tuple(GROUP_CODES[place] for place in order), np.tile(np.arange(groups), n)),
        "answer": pa.repeat("number", low.size), "count_min": pa.array(low, mask=silent),
        "count_max": pa.array(high, mask=silent | opened), "corrected": pa.repeat(False, low.size),
    })  # fmt: skip


def main() -> None:
    """Write the files, compute, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--returns", type=int, default=1_000_000)
    parser.add_argument("--gardens", type=int, default=0, help="as many as one for 25 returns unless told")
    parser.add_argument("--seasons", type=int, default=2)
    parser.add_argument("--folder", type=Path, help="where the files are kept; written there if it is empty")
    parser.add_argument("--into", type=Path, help="where the series is kept")
    asked = parser.parse_args()
    years = [2026 - back for back in reversed(range(asked.seasons))]
    codes = [f"merrow-{year}" for year in years]
    with TemporaryDirectory() if asked.folder is None else nullcontext(asked.folder) as name:
        folder = Path(name)
        folder.mkdir(parents=True, exist_ok=True)
        if not any(folder.iterdir()):
            started = perf_counter()
            write_lists(folder, codes, years)
            write_rows(folder, codes, years, asked.returns, asked.gardens or asked.returns // 25)
            write_facts(facts(season=codes[-1]), folder)
            print(f"written in {perf_counter() - started:.0f} s: {size(folder):,.0f} MB", flush=True)
        with TemporaryDirectory() if asked.into is None else nullcontext(asked.into) as into, ProcessesSeen() as seen:
            Path(into).mkdir(parents=True, exist_ok=True)
            started = perf_counter()
            write_index_series(folder, Path(into))
            took = perf_counter() - started
    seen.say()
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(
        f"{asked.returns:,} returns x {len(GROUP_CODES)} groups in {asked.seasons} seasons: {took:.0f} s, "
        f"{used.ru_utime + used.ru_stime:.0f} s of {os.cpu_count()} processors, "
        f"largest memory of a process {used.ru_maxrss / 1024:.0f} MB; load {os.getloadavg()[0]:.1f}"
    )


def size(folder: Path) -> float:
    """Return the megabytes of a folder's files."""
    return sum(file.stat().st_size for file in folder.iterdir()) / 1e6


if __name__ == "__main__":
    main()
