"""The Data Package: green for an outside validator, and red for each fault that is planted."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import frictionless
import pytest

from surveys.release_files.data_package import write_data_package
from surveys.release_files.tables import TABLES
from tests.made_release import make_release

FROZEN_AT = "2026-07-01T02:00:00Z"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    make_release(tmp_path, seed=4)
    return tmp_path


def faults_in(folder: Path) -> set[str]:
    """Return the kinds of faults that frictionless finds, in the descriptor and in the data."""
    report = frictionless.validate(str(folder / "datapackage.json"))
    return {error.type for error in report.errors} | {error.type for task in report.tasks for error in task.errors}


def described_in(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_outside_validator_passes_the_package(tmp_path: Path, seed: int) -> None:
    """Judge: frictionless 5, which knows version 2.0 of the standard. Types, keys, sizes and checksums."""
    make_release(tmp_path, seed=seed)
    report = frictionless.validate(str(tmp_path / "datapackage.json"))
    assert report.valid, report.flatten(["title", "message"])
    assert len(report.tasks) == len(TABLES) + 3
    assert report.stats["errors"] == 0


def _replaced(folder: Path, name: str, change: Callable[[list[list[str]]], None], *, described: bool) -> None:
    """Change the cells of a table; ``described`` writes the descriptor again, so that only the cells are wrong."""
    path = folder / f"{name}.csv"
    lines = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    change(lines)
    path.write_text("\n".join(",".join(line) for line in lines) + "\n", encoding="utf-8")
    if described:
        write_data_package(folder)


def _set(row: int, column: str, value: str) -> Callable[[list[list[str]]], None]:
    def change(lines: list[list[str]]) -> None:
        lines[row][lines[0].index(column)] = value

    return change


ORPHAN = "ffffffff-ffff-4fff-bfff-ffffffffffff"

PLANTED: dict[str, tuple[str, Callable[[list[list[str]]], None], str]] = {
    "a word where a whole number stands": ("counts", _set(3, "count_min", "many"), "type-error"),
    "a count with a fraction": ("counts", _set(3, "count_min", "2.5"), "type-error"),
    "a date that is none": ("returns", _set(2, "night", "2026-02-30"), "type-error"),
    "an instant that is none": ("returns", _set(2, "set_at", "yesterday"), "type-error"),
    "a number as a truth value": ("returns", _set(2, "school", "1"), "type-error"),
    "a count of a return that is not there": ("counts", _set(5, "return_id", ORPHAN), "foreign-key"),
    "a finding of a return that is not there": ("findings", _set(1, "return_id", ORPHAN), "foreign-key"),
    "a return of a season that is not there": ("returns", _set(1, "season", "merrow-1999"), "foreign-key"),
    "a key twice": ("counts", lambda lines: lines.insert(2, lines[1]), "primary-key"),
    "a word that is on no list": ("counts", _set(3, "answer", "some"), "constraint-error"),
    "a group that is on no list": ("counts", _set(3, "group", "dragons"), "constraint-error"),
    "a region that is on no list": ("returns", _set(3, "region", "atlantis"), "constraint-error"),
    "a count below zero": ("counts", _set(3, "count_min", "-1"), "constraint-error"),
    "an empty cell where none may be": ("returns", _set(3, "standing", ""), "constraint-error"),
    "an identifier of another shape": ("returns", _set(1, "site_id", "garden-7"), "constraint-error"),
    "a cell of another shape": ("returns", _set(1, "cell", "51.4/-18.1"), "constraint-error"),
    "a column with another name": ("returns", _set(0, "habitat", "place"), "incorrect-label"),
    "a cell too many": ("windows", lambda lines: lines[1].append("more"), "extra-cell"),
}


@pytest.mark.parametrize("case", PLANTED)
def test_the_validator_finds_a_planted_fault(folder: Path, case: str) -> None:
    name, change, fault = PLANTED[case]
    _replaced(folder, name, change, described=name not in {"windows"} and fault != "incorrect-label")
    assert fault in faults_in(folder)


def test_one_changed_byte_is_found(folder: Path) -> None:
    path = folder / "counts.csv"
    content = bytearray(path.read_bytes())
    at = content.index(b",number,") + len(b",number,")
    content[at] = ord("1") if content[at] != ord("1") else ord("2")
    path.write_bytes(bytes(content))
    assert "hash-count" in faults_in(folder)


def test_a_lost_row_and_a_lost_file_are_found(folder: Path) -> None:
    _replaced(folder, "counts", lambda lines: lines.pop(), described=False)
    assert {"hash-count", "byte-count"} <= faults_in(folder)
    (folder / "counts.csv").unlink()
    assert faults_in(folder) & {"scheme-error", "package-error", "resource-error"}


def test_the_descriptor_says_what_the_standard_asks(folder: Path) -> None:
    """Data Package 2.0: ``$schema``, RFC 3339 in ``created``, roles as a list."""
    found = described_in(folder)
    assert found["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    assert found["name"] == "trapnight-merrow-2026-1.0.0"
    assert found["id"] == "https://trapnight.example/releases/1.0.0/"
    assert found["version"] == "1.0.0"
    assert found["created"] == FROZEN_AT
    assert found["licenses"] == [
        {
            "name": "CC-BY-4.0", "path": "https://creativecommons.org/licenses/by/4.0/",
            "title": "Creative Commons Attribution 4.0",
        }
    ]  # fmt: skip
    (contributor,) = found["contributors"]
    assert contributor == {
        "title": "Merrow Field Office", "email": "field-office@merrow.example", "roles": ["creator", "publisher"],
    }  # fmt: skip


def test_each_table_is_described_as_the_standard_asks(folder: Path) -> None:
    """Table Schema 2.0: keys are lists, coded columns have categories."""
    tables = {one["name"]: one for one in described_in(folder)["resources"]}
    for one in tables.values():
        assert (one["type"], one["format"], one["mediatype"], one["encoding"]) == ("table", "csv", "text/csv", "utf-8")
        assert one["hash"].startswith("sha256:")
        assert one["bytes"] == (folder / one["path"]).stat().st_size
        assert one["schema"]["missingValues"] == [""]
        assert isinstance(one["schema"]["primaryKey"], list)
        assert all(field["title"] and field["description"] for field in one["schema"]["fields"])
    counts = tables["counts"]["schema"]
    assert counts["primaryKey"] == ["return_id", "group"]
    assert counts["foreignKeys"] == [
        {"fields": ["return_id"], "reference": {"resource": "returns", "fields": ["return_id"]}}
    ]
    fields = {field["name"]: field for field in counts["fields"]}
    assert fields["answer"]["categories"][2] == {"value": "none_seen", "label": "looked, and there were none"}
    assert fields["answer"]["constraints"]["required"] is True
    assert fields["answer"]["constraints"]["enum"] == ["number", "class", "none_seen", "did_not_look", "could_not_tell"]
    assert fields["group"]["categories"][1] == {"value": "spiders", "label": "Spiders"}
    assert fields["count_min"] | {"constraints": {"minimum": 0}} == fields["count_min"]
    assert fields["count_min"]["unit"] == "animals"


def test_two_licences_stand_there_each_with_its_address(tmp_path: Path) -> None:
    make_release(
        tmp_path, licence="CC0-1.0", licence_url="https://creativecommons.org/publicdomain/zero/1.0/", contact="Room 3"
    )
    found = described_in(tmp_path)
    assert [one["name"] for one in found["licenses"]] == ["CC0-1.0", "CC-BY-4.0"]
    assert [one["path"] for one in found["licenses"]] == [
        "https://creativecommons.org/publicdomain/zero/1.0/", "https://creativecommons.org/licenses/by/4.0/",
    ]  # fmt: skip
    assert "email" not in found["contributors"][0], "a contact that is no mail address is not given as one"
