"""The release as schema.org/Dataset: the keys that search engines of data ask for, each with what it should hold."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from surveys.release_files.json_ld import dataset_json_ld
from surveys.release_files.manifest import read_manifest
from tests.made_release import make_release
from tests.released import facts

#: Standards notes, section 1.8; schema.org, type Dataset.
KEYS = {
    "name", "description", "url", "identifier", "version", "license", "creator", "datePublished", "temporalCoverage",
    "spatialCoverage", "variableMeasured", "isAccessibleForFree", "distribution",
}  # fmt: skip


def test_every_key_that_is_asked_for_is_there(tmp_path: Path) -> None:
    make_release(tmp_path)
    found = json.loads((tmp_path / "dataset.jsonld").read_text(encoding="utf-8"))
    assert (found["@context"], found["@type"]) == ("https://schema.org/", "Dataset")
    assert found.keys() >= KEYS
    assert 50 <= len(found["description"]) <= 5000, "the bounds that search engines of data name, from memory"
    assert found["url"] == found["identifier"] == "https://trapnight.example/releases/1.0.0/"
    assert found["creator"] == {"@type": "Organization", "name": "Merrow Field Office"}
    assert found["license"] == "https://creativecommons.org/licenses/by/4.0/"
    assert found["datePublished"] == "2026-07-01"
    assert found["temporalCoverage"] == "2025-04-01/2026-09-30"
    assert found["isAccessibleForFree"] is True
    assert {one["@type"] for one in found["variableMeasured"]} == {"PropertyValue"}


def test_the_box_is_south_west_north_east(tmp_path: Path) -> None:
    """schema.org, GeoShape.box: lower corner, then upper corner, latitude first."""
    made = dataset_json_ld(facts(), [])
    assert made["spatialCoverage"]["geo"] == {"@type": "GeoShape", "box": "51.3000 -18.2000 51.7000 -17.6000"}


def test_downloads_are_the_files_of_the_manifest(tmp_path: Path) -> None:
    made = make_release(tmp_path)
    files = read_manifest(tmp_path)["files"]
    shown = dataset_json_ld(made, files)["distribution"]
    assert [one["contentUrl"] for one in shown] == [
        "https://trapnight.example/releases/1.0.0/" + entry["path"] for entry in files
    ]
    for one, entry in zip(shown, files, strict=True):
        assert (one["@type"], one["encodingFormat"]) == ("DataDownload", entry["media_type"])
        assert (one["contentSize"], one["sha256"]) == (f"{entry['bytes']} B", entry["sha256"])
    written = json.loads((tmp_path / "dataset.jsonld").read_text(encoding="utf-8"))["distribution"]
    names = {one["name"] for one in written}
    assert {entry["path"] for entry in files} - names == {"dataset.jsonld", "trapnight-1.0.0.zip"}
    assert [one for one in shown if one["name"] in names] == written


@pytest.mark.parametrize("invented", [True, False])
def test_invented_data_say_so_in_the_first_words(invented: bool) -> None:
    described = dataset_json_ld(facts(invented=invented), [])
    assert described["description"].startswith("Every return in this release is invented") is invented


def test_without_boundaries_or_dates_nothing_is_made_up() -> None:
    assert not {"spatialCoverage", "temporalCoverage"} & dataset_json_ld(facts(boundaries={}), []).keys()
