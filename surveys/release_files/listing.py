"""The files of a release: what each may be called, its media type, what it holds, its size and checksum."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from surveys.release_files.codebook import EXPLAINING
from surveys.release_files.tables import CELLS, TABLES

CSV = "text/csv; charset=utf-8; header=present"  # RFC 4180, section 3; RFC 7111
PARQUET = "application/vnd.apache.parquet"  # IANA, 2024
GEOJSON = "application/geo+json"  # RFC 7946, section 12
ZIP = "application/zip"
JSON = "application/json"
MARKDOWN = "text/markdown; charset=utf-8"  # RFC 7763 requires the charset
PLAIN = "text/plain; charset=utf-8"
JSON_LD = "application/ld+json"  # JSON-LD 1.1, appendix C

MANIFEST = "manifest.json"
#: Bytes that are read at a time.
PIECE_BYTES = 2**20


@dataclass(frozen=True, slots=True)
class Kind:
    """What a file of a release is: its media type, and what it holds, in a sentence."""

    media_type: str
    description: str


@dataclass(frozen=True, slots=True)
class Looked:
    """What was found in a file: its size, its SHA-256, and how many lines it has."""

    size_bytes: int
    sha256: str
    lines: int


def _tables() -> dict[str, Kind]:
    found = {}
    for table in (*TABLES, *EXPLAINING):
        found[f"{table.name}.csv"] = Kind(CSV, f"{table.title}. {table.meaning}")
    for table in TABLES:
        kind = "GeoParquet 1.1" if table == CELLS else "Parquet"
        found[f"{table.name}.parquet"] = Kind(PARQUET, f"{table.title}: the same rows as {table.name}.csv, as {kind}.")
    return found


#: Every file that a release may hold, but for the zip, whose name holds the number of the release.
FILES: dict[str, Kind] = {
    **_tables(),
    "release.json": Kind(JSON, "Facts of the release that no table holds: number, snapshot, seed, boundaries."),
    "index_settings.json": Kind(JSON, "Settings with which the index tables were computed."),
    "darwin-core.zip": Kind(ZIP, "Darwin Core archive: events, occurrences, Humboldt extension, metadata as EML."),
    "cells.geojson": Kind(GEOJSON, "Grid cells: the same rows as cells.csv, as squares on the map."),
    "regions.geojson": Kind(GEOJSON, "Regions: their boundaries with code and name."),
    "README.md": Kind(MARKDOWN, "What the release holds, what it can and cannot say, how to cite and recompute it."),
    "CHANGES.md": Kind(MARKDOWN, "What changed since the release before."),
    "METHODS.md": Kind(MARKDOWN, "What is computed from a return to a published figure, with sources."),
    "LICENSE.txt": Kind(PLAIN, "Under which licence the release may be used."),
    "CITATION.cff": Kind(PLAIN, "How to cite the release, as Citation File Format 1.2.0 (YAML)."),
    "datapackage.json": Kind(JSON, "Data Package 2.0: every table, column, key and word, for programs."),
    "dataset.jsonld": Kind(JSON_LD, "The release as schema.org has it, for search engines of data."),
}


def zip_name(version: str) -> str:
    """Return the name of the zip of a release."""
    return f"trapnight-{version}.zip"


def kind_of(path: str, version: str) -> Kind:
    """Return what a file of a release is.

    Raises ValueError for a file that no release has: nothing is published that nobody meant to.
    """
    if path == zip_name(version):
        return Kind(ZIP, "All tables as CSV with all documents and descriptors, without the Parquet files.")
    if path not in FILES:
        raise ValueError(
            f"The release's folder holds {path}, which is no file of a release. Take it out and make the files again."
        )
    return FILES[path]


def looked_at(path: Path) -> Looked:
    """Read a file once, a piece at a time, and return its size, checksum and number of lines."""
    digest, size, lines = hashlib.sha256(), 0, 0
    with path.open("rb") as file:
        while piece := file.read(PIECE_BYTES):
            digest.update(piece)
            size += len(piece)
            lines += piece.count(b"\n")
    return Looked(size, digest.hexdigest(), lines)


def files_in(folder: Path) -> list[str]:
    """Return the paths of all files in a folder, with / between their parts, in the order of their bytes."""
    found = (path.relative_to(folder).as_posix() for path in folder.rglob("*") if not path.is_dir())
    return sorted(found, key=str.encode)
