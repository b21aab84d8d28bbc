"""What cannot be part of an index is told in a sentence: what was found, what was expected, in which file."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from surveys.release_files.index_estimates import compute_index_series
from surveys.release_files.reading import csv_path
from surveys.release_files.tables import COUNTS, GROUPS, HABITATS, RETURNS, SEASONS, WINDOWS, Table
from tests.released import write_small_release

Rows = list[dict[str, str]]
Change = Callable[[Rows], Any]


@pytest.fixture
def release(tmp_path: Path) -> Path:
    write_small_release(tmp_path, sites=2)
    return tmp_path


def change(folder: Path, table: Table, plant: Change) -> None:
    """Plant a fault in the rows of a table; of the returns only in those that are to enter the index."""
    path = csv_path(folder, table)
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    rows.sort(key=lambda row: bool(row.get("left_out")))
    plant(rows)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, table.names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def put(**values: str) -> Change:
    """Put values into the first row."""
    return lambda rows: rows[0].update(values)


def again(rows: Rows) -> None:
    """Repeat the first row at the end."""
    rows.append(dict(rows[0]))


def at_once(rows: Rows) -> None:
    """Repeat the first row right below it."""
    rows.insert(1, dict(rows[0]))


UNKNOWN = "00000000-0000-4000-8000-000000000000"

FAULTS: dict[str, tuple[Table, Change, str]] = {
    "a number that is none": (RETURNS, put(trap_nights="often"), r"returns.csv does not hold what the codebook says"),
    "a habitat that is not listed": (RETURNS, put(habitat="attic"), r"its habitat is 'attic'; expected one of those"),
    "no habitat": (RETURNS, put(habitat=""), r"its habitat is None; expected one of those that habitats.csv lists"),
    "a region that is not listed": (RETURNS, put(region="nowhere"), r"its region is 'nowhere'"),
    "no window": (RETURNS, put(window=""), r"its window is None"),
    "a season that is not listed": (RETURNS, put(season="merrow-1999"), r"season 'merrow-1999', which is not in seasons"),
    "no effort": (RETURNS, put(trap_nights=""), r"its trap_nights is None; expected a number above zero"),
    "an effort of zero": (RETURNS, put(trap_nights="0"), r"its trap_nights is 0.0; expected a number above zero"),
    "an endless effort": (RETURNS, put(trap_nights="inf"), r"its trap_nights is inf"),
    "a rim of zero": (RETURNS, put(rim_ratio="0"), r"its rim_ratio is 0.0; expected a number above zero"),
    "a night outside its window": (RETURNS, put(night="2026-12-24"), r"its night 2026-12-24 lies outside its window"),
    "no word on schools": (RETURNS, put(school=""), r"a return without school, which may not be empty"),
    "an identifier that is none": (RETURNS, put(return_id="seven"), r"return_id of returns.csv holds 'seven'"),
    "a site that is none": (RETURNS, put(site_id="g" * 36), r"site_id of returns.csv holds 'ggg"),
    "a return twice": (RETURNS, again, r"returns.csv has the return [0-9a-f-]{36} twice"),
    "a count below zero": (COUNTS, put(count_min="-1", count_max="3"), r"holds the count_min -1; expected a whole number"),
    "a count beyond all": (COUNTS, put(count_max="3000000000"), r"holds the count_max 3000000000"),
    "half an animal": (COUNTS, put(count_min="0.5"), r"counts.csv does not hold what the codebook says"),
    "a class upside down": (COUNTS, put(count_min="7", count_max="4"), r"the count_max 4 and the count_min 7"),
    "a class without a start": (COUNTS, put(count_min="", count_max="4"), r"the count_max 4 and no count_min"),
    "counts of no return": (COUNTS, put(return_id=UNKNOWN), rf"answers of the return {UNKNOWN}, which is not in returns"),
    "a count without group": (COUNTS, put(group=""), r"a row without group, which may not be empty"),
    "an answer twice": (COUNTS, at_once, r"counts.csv answers a group of the return [0-9a-f-]{36} twice"),
    "a group twice": (GROUPS, lambda rows: rows[1].update(group=rows[0]["group"]), r"has the group 'woodlice' twice"),
    "a position twice": (GROUPS, lambda rows: rows[1].update(position="1"), r"has the position '1' twice"),
    "a list without its season": (WINDOWS, lambda rows: rows.pop(), r"windows.csv has no row for the season 'merrow-2026'"),
    "a list of another season": (WINDOWS, put(season="merrow-1999"), r"windows.csv speaks of the season 'merrow-1999'"),
    "a window without a day": (WINDOWS, put(first_day=""), r"windows.csv has a row without first_day"),
    "a weight below zero": (HABITATS, put(weight="-0.5"), r"the weights \(-0.5, 0.3, 0.2\); expected zero or more"),
    "a season twice": (SEASONS, again, r"seasons.csv has the season 'merrow-2025' twice"),
    "the season of the release gone": (SEASONS, lambda rows: rows.pop(), r"'merrow-2026'"),
}  # fmt: skip


@pytest.mark.parametrize("case", FAULTS)
def test_a_planted_fault_is_told(release: Path, case: str) -> None:
    table, plant, said = FAULTS[case]
    change(release, table, plant)
    with pytest.raises(ValueError, match=said):
        compute_index_series(release)


def test_an_answer_that_comes_again_in_a_later_batch_is_told(release: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("surveys.release_files.reading.BLOCK_BYTES", 1_000)
    entering = {row["return_id"] for row in rows_of(release, RETURNS) if not row["left_out"]}
    change(release, COUNTS, lambda rows: rows.append(next(row for row in rows if row["return_id"] in entering)))
    with pytest.raises(ValueError, match="twice"):
        compute_index_series(release)


def rows_of(folder: Path, table: Table) -> Rows:
    """Return the rows of a table as they are written."""
    with csv_path(folder, table).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("name", ["returns.csv", "counts.csv", "groups.csv", "seasons.csv", "release.json"])
def test_a_missing_file_is_told(release: Path, name: str) -> None:
    (release / name).unlink()
    with pytest.raises(ValueError, match=f"There is no {name} in "):
        compute_index_series(release)


def test_another_header_is_told(release: Path) -> None:
    path = release / "returns.csv"
    path.write_text(path.read_text().replace("return_id", "number", 1))
    with pytest.raises(ValueError, match=r"returns.csv begins with 'number,season"):
        compute_index_series(release)
