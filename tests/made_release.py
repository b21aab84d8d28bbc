"""A small release with its files made, but for what other steps compute: those tables and documents are written by hand."""

from __future__ import annotations

import csv
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from surveys.release_files.archive import write_release_zip
from surveys.release_files.cells import write_cells, write_cells_geojson, write_cells_parquet
from surveys.release_files.codebook import write_codebook
from surveys.release_files.data_package import write_data_package
from surveys.release_files.documents import write_documents
from surveys.release_files.facts import Facts
from surveys.release_files.geojson import write_regions_geojson
from surveys.release_files.json_ld import write_dataset_json_ld
from surveys.release_files.manifest import write_manifest
from surveys.release_files.parquet import write_parquet_files
from surveys.release_files.tables import INDEX_CHANGE, INDEX_LEVEL
from tests.released import GROUPS_ASKED, REGION_NAMES, write_small_release, write_table


def make_release(folder: Path, *, seed: int = 1, **changes: Any) -> Facts:
    """Write a random release and make its files, with index tables whose numbers were drawn and not computed."""
    folder.mkdir(parents=True, exist_ok=True)
    facts = write_small_release(folder, seed=seed, **changes)
    make_from_tables(folder, seed=seed)
    return facts


def make_from_tables(folder: Path, *, seed: int = 1) -> None:
    """Make the files of the frozen tables in a folder, as :func:`make_release` does."""
    write_cells(folder)
    write_cells_parquet(folder)
    write_cells_geojson(folder)
    write_regions_geojson(folder)
    _write_what_others_compute(folder, random.Random(seed))
    write_parquet_files(folder)
    write_codebook(folder)
    write_documents(folder)
    write_data_package(folder)
    write_dataset_json_ld(folder)
    write_release_zip(folder)
    write_manifest(folder)


def rows_of(folder: Path, name: str) -> list[dict[str, str]]:
    """Return the rows of a CSV as texts, read with the standard library alone."""
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _write_what_others_compute(folder: Path, chance: random.Random) -> None:
    write_table(folder, INDEX_LEVEL, [_level(chance, *place) for place in _places()])
    write_table(
        folder, INDEX_CHANGE, [_change(chance, *place, adjusted) for place in _places() for adjusted in (False, True)]
    )
    (folder / "index_settings.json").write_text("{}\n", encoding="utf-8")
    (folder / "CHANGES.md").write_text("# Changes\n", encoding="utf-8")


def _places() -> Iterator[tuple[str, str]]:
    return ((region, group) for region, _ in REGION_NAMES for group, *_ in GROUPS_ASKED)


def _level(chance: random.Random, region: str, group: str) -> dict[str, Any]:
    low = round(chance.uniform(0.1, 1), 3)
    return {
        "season": "merrow-2026", "region": region, "window": "spring", "group": group, "rim_exponent": 1,
        "label": "shown", "estimate": low * 2, "low": low, "high": low * 4, "sites": 12, "site_nights": 20,
        "returns": 20, "trap_nights": 19.75, "more_sites_needed": 0,
    }  # fmt: skip


def _change(chance: random.Random, region: str, group: str, adjusted: bool) -> dict[str, Any]:
    return {
        "season": "merrow-2026", "region": region, "window": "spring", "group": group, "adjusted": adjusted,
        "base": "merrow-2025", "code": "shown", "ratio": round(chance.uniform(0.5, 2), 3), "low": 0.25, "high": 4.0,
        "p_value": 0.5, "p_adjusted": 0.75, "revisited_sites": 10, "effective_sites": 9.5, "more_sites_needed": 0,
    }  # fmt: skip
