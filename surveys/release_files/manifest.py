"""``manifest.json``: every file of a release with its size and checksum; what wrote it; whether it still holds."""

from __future__ import annotations

import json
import platform
import zlib
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path, PurePosixPath
from typing import Any

from pyarrow import parquet

from surveys.release_files.facts import read_facts
from surveys.release_files.listing import CSV, MANIFEST, PARQUET, Kind, files_in, kind_of, looked_at
from surveys.release_files.writing import write_json

__all__ = ["LIBRARIES", "MANIFEST", "check_folder", "file_entries", "read_manifest", "write_manifest", "written_with"]

#: Libraries on which the bytes of a release depend.
LIBRARIES = ("numpy", "scipy", "pyarrow", "pandas", "geopandas", "shapely", "pyproj")


def write_manifest(folder: Path) -> None:
    """Write ``manifest.json`` for all other files of a folder."""
    facts = read_facts(folder)
    write_json(
        folder / MANIFEST,
        {
            "release": facts.version,
            "season": facts.season,
            "frozen_at": facts.frozen_at,
            "schema_version": facts.schema_version,
            "method_version": facts.method_version,
            "code_version": facts.code_version,
            "licence": facts.licence,
            "written_with": written_with(),
            "files": file_entries(folder),
        },
    )


def written_with() -> dict[str, str]:
    """Return the versions of what writes a release: the same rows and these versions give the same bytes."""
    libraries = {name: version(name) for name in LIBRARIES}
    return {"python": platform.python_version(), "zlib": zlib.ZLIB_RUNTIME_VERSION, **libraries}


def file_entries(folder: Path, *, without: frozenset[str] = frozenset()) -> list[dict[str, Any]]:
    """Return path, bytes, sha256, media type, rows (of a table) and description of each file but the manifest.

    Raises ValueError for a file that no release has.
    """
    number = read_facts(folder).version
    return [_entry(folder, path, number) for path in files_in(folder) if path not in without | {MANIFEST}]


def _entry(folder: Path, path: str, number: str) -> dict[str, Any]:
    kind, found = kind_of(path, number), looked_at(folder / path)
    entry: dict[str, Any] = {
        "path": path,
        "bytes": found.size_bytes,
        "sha256": found.sha256,
        "media_type": kind.media_type,
    }
    rows = _rows(folder / path, kind, found.lines)
    return entry | ({} if rows is None else {"rows": rows}) | {"description": kind.description}


def _rows(path: Path, kind: Kind, lines: int) -> int | None:
    if kind.media_type == PARQUET:
        return int(parquet.read_metadata(path).num_rows)
    return lines - 1 if kind.media_type == CSV else None


def read_manifest(folder: Path) -> dict[str, Any]:
    """Read the manifest of a release's folder. Raises ValueError with a sentence where there is none to read."""
    path = folder / MANIFEST
    if not path.is_file():
        raise ValueError(
            f"There is no {MANIFEST} in {folder}. Give the folder into which a whole release was downloaded."
        )
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        listed = {str(entry["path"]): (entry["bytes"], entry["sha256"]) for entry in found["files"]}
    except (ValueError, TypeError, KeyError) as fault:
        raise ValueError(f"{path} is no manifest of a release. Download it again. Found: {fault!r}.") from fault
    if odd := [name for name in listed if name.startswith("/") or ".." in PurePosixPath(name).parts]:
        raise ValueError(f"{path} names {odd[0]!r}, which lies outside its folder. Download it again.")
    return dict(found)


def check_folder(folder: Path) -> list[str]:
    """Return a sentence for each file that is missing, changed or not of the release; none where all is as published.

    Raises ValueError where the manifest itself cannot be read.
    """
    listed = {entry["path"]: entry for entry in read_manifest(folder)["files"]}
    there = set(files_in(folder)) - {MANIFEST}
    faults = {path: f"{path} is missing. Download it again." for path in listed.keys() - there}
    faults |= {path: f"{path} is not part of the release. Take it out of the folder." for path in there - listed.keys()}
    for path in listed.keys() & there:
        if fault := _fault_of(folder, listed[path]):
            faults[path] = fault
    return [faults[path] for path in sorted(faults)]


def _fault_of(folder: Path, entry: Mapping[str, Any]) -> str | None:
    found, path = looked_at(folder / entry["path"]), entry["path"]
    if found.size_bytes != entry["bytes"]:
        return f"{path} has {found.size_bytes} bytes, but was published with {entry['bytes']}. Download it again."
    if found.sha256 != entry["sha256"]:
        return f"{path} was changed: its SHA-256 is {found.sha256}, not {entry['sha256']}. Download it again."
    return None
