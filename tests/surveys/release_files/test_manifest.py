"""The manifest names every file, and finds each that is changed, missing or strange."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from surveys.release_files.manifest import check_folder, file_entries, read_manifest
from tests.made_release import make_release, rows_of

MEDIA_TYPES = {
    "counts.csv": "text/csv; charset=utf-8; header=present",
    "counts.parquet": "application/vnd.apache.parquet",
    "cells.parquet": "application/vnd.apache.parquet",
    "cells.geojson": "application/geo+json",
    "trapnight-1.0.0.zip": "application/zip",
    "datapackage.json": "application/json",
    "release.json": "application/json",
    "README.md": "text/markdown; charset=utf-8",
    "LICENSE.txt": "text/plain; charset=utf-8",
    "CITATION.cff": "text/plain; charset=utf-8",
    "dataset.jsonld": "application/ld+json",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    make_release(tmp_path, seed=5)
    return tmp_path


def test_every_file_but_itself_is_named_with_size_and_checksum(folder: Path) -> None:
    manifest = read_manifest(folder)
    there = sorted(path.name for path in folder.iterdir() if path.name != "manifest.json")
    assert [entry["path"] for entry in manifest["files"]] == there
    for entry in manifest["files"]:
        content = (folder / entry["path"]).read_bytes()
        assert (entry["bytes"], entry["sha256"]) == (len(content), hashlib.sha256(content).hexdigest())
        assert len(entry["description"]) > 20
    assert {
        path: media
        for entry in manifest["files"]
        if (path := entry["path"]) in MEDIA_TYPES and (media := entry["media_type"])
    } == MEDIA_TYPES


def test_rows_of_tables_are_told_for_both_forms(folder: Path) -> None:
    rows = {entry["path"]: entry.get("rows") for entry in read_manifest(folder)["files"]}
    for name in ("counts", "returns", "cells"):
        assert rows[f"{name}.csv"] == rows[f"{name}.parquet"] == len(rows_of(folder, name)) > 0
    assert rows["README.md"] is None


def test_it_says_what_the_release_is_and_what_wrote_it(folder: Path) -> None:
    manifest = read_manifest(folder)
    assert {name: manifest[name] for name in list(manifest)[:7]} == {
        "release": "1.0.0", "season": "merrow-2026", "frozen_at": "2026-07-01T02:00:00Z", "schema_version": "1",
        "method_version": "1", "code_version": "0123456789abcdef", "licence": "CC-BY-4.0",
    }  # fmt: skip
    assert {"python", "numpy", "scipy", "pyarrow", "geopandas"} <= manifest["written_with"].keys()


def test_a_folder_as_it_was_published_has_no_fault(folder: Path) -> None:
    assert check_folder(folder) == []


def test_a_changed_byte_is_found(folder: Path) -> None:
    path = folder / "counts.csv"
    content = path.read_bytes()
    path.write_bytes(content[:-2] + bytes([content[-2] ^ 1]) + content[-1:])
    (fault,) = check_folder(folder)
    assert fault.startswith("counts.csv was changed: its SHA-256 is ")


def test_missing_added_and_shortened_files_are_all_told_at_once(folder: Path) -> None:
    (folder / "README.md").unlink()
    (folder / "notes.txt").write_text("mine")
    (folder / "sub").mkdir()
    (folder / "sub" / "more.txt").write_text("mine")
    size = (folder / "counts.csv").stat().st_size
    (folder / "counts.csv").write_bytes((folder / "counts.csv").read_bytes()[:-1])
    assert check_folder(folder) == [
        "README.md is missing. Download it again.",
        f"counts.csv has {size - 1} bytes, but was published with {size}. Download it again.",
        "notes.txt is not part of the release. Take it out of the folder.",
        "sub/more.txt is not part of the release. Take it out of the folder.",
    ]


def test_a_file_that_nobody_meant_to_publish_stops_the_making(folder: Path) -> None:
    (folder / "accounts.csv").write_text("name\n")
    with pytest.raises(ValueError, match=r"holds accounts.csv, which is no file of a release"):
        file_entries(folder)


def test_a_folder_without_a_manifest_is_told_in_words(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"There is no manifest.json in"):
        check_folder(tmp_path)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"files": [{"path": "a"}]}', '{"files": 3}'])
def test_a_manifest_of_another_shape_is_told_in_words(tmp_path: Path, text: str) -> None:
    (tmp_path / "manifest.json").write_text(text)
    with pytest.raises(ValueError, match=r"is no manifest of a release\. Download it again"):
        check_folder(tmp_path)


@pytest.mark.parametrize("path", ["../outside.csv", "/etc/hosts", "a/../../b"])
def test_a_manifest_that_leads_outside_its_folder_is_refused(tmp_path: Path, path: str) -> None:
    files = [{"path": path, "bytes": 1, "sha256": "0"}]
    (tmp_path / "manifest.json").write_text(json.dumps({"files": files}))
    with pytest.raises(ValueError, match="which lies outside its folder"):
        check_folder(tmp_path)
