"""How far the index moved between two releases, and what CHANGES.md says of it all: counted by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from surveys.release_files.changes import compare_index, compare_releases, write_changes_page
from surveys.release_files.facts import read_facts, write_facts
from surveys.release_files.tables import INDEX_LEVEL, RETURNS
from tests.released import write_small_release, write_table
from tests.two_releases import SAME, before, drop_column, now, rewrite, rows_of

__all__ = ["before", "now"]  # fixtures

COLUMNS = ("season", "region", "window", "group", "rim_exponent", "label", "estimate")


def write_index(folder: Path, rows: list[tuple]) -> None:
    """``rows`` are region, group, rim exponent and estimate."""
    write_table(
        folder,
        INDEX_LEVEL,
        [
            dict(zip(COLUMNS, ("merrow-2026", region, "spring", group, exponent, "shown", estimate), strict=True))
            for region, group, exponent, estimate in rows
        ],
    )


def test_how_far_the_index_moved_is_counted_by_hand(before: Path, now: Path) -> None:
    write_index(before, [
        ("cawder", "beetles", 1, 2.0), ("cawder", "spiders", 1, 4.0), ("cawder", "woodlice", 1, 5.0),
        ("alder-quay", "beetles", 1, 1.0), ("alder-quay", "spiders", 1, 3.0), ("alder-quay", "woodlice", 1, None),
        ("cawder", "beetles", 0, 2.0),
    ])  # fmt: skip
    write_index(now, [
        ("cawder", "beetles", 1, 2.2), ("cawder", "spiders", 1, 2.0), ("cawder", "woodlice", 1, 5.0),
        ("alder-quay", "beetles", 1, 1.1), ("alder-quay", "spiders", 1, None), ("alder-quay", "woodlice", 1, 7.0),
        ("cawder", "beetles", 0, 9.0),
    ])  # fmt: skip
    found = compare_index(before, now)
    # Shown in both: x 1.1, / 2, the same, x 1.1; of the four, two stand between ln 1.1 and ln 1.1.
    assert (found["compared"], found["moved"]) == (4, 3)
    assert found["median"] == pytest.approx(math.log(1.1))
    largest = found["largest"]
    assert (largest["region"], largest["group"]) == ("cawder", "spiders")
    assert largest["log_ratio"] == pytest.approx(-math.log(2))
    assert (largest["before"], largest["now"]) == (4.0, 2.0)
    assert (found["shown_now_only"], found["shown_before_only"]) == (1, 1)


def test_a_figure_of_nought_has_no_ratio(before: Path, now: Path) -> None:
    write_index(before, [("cawder", "beetles", 1, 0.0), ("cawder", "spiders", 1, 0.0), ("cawder", "woodlice", 1, 1.0)])
    write_index(now, [("cawder", "beetles", 1, 0.0), ("cawder", "spiders", 1, 3.0), ("cawder", "woodlice", 1, 1.0)])
    found = compare_index(before, now)
    assert (found["compared"], found["moved"], found["from_or_to_nought"]) == (3, 1, 1)
    assert found["median"] == 0
    assert found["largest"] is None


def test_an_index_that_was_not_there_is_compared_with_nothing(before: Path, now: Path) -> None:
    write_index(now, [("cawder", "beetles", 1, 2.0)])
    found = compare_index(before, now)
    assert (found["compared"], found["shown_now_only"], found["median"]) == (0, 1, None)


# --- the page --------------------------------------------------------------------------------------------


def page(folder: Path) -> str:
    write_changes_page(folder)
    return (folder / "CHANGES.md").read_text(encoding="utf-8")


def test_the_first_release_says_that_it_is_the_first(now: Path) -> None:
    assert "This is the first release" in page(now)


def test_the_page_tells_rows_gardens_columns_method_and_index(before: Path, now: Path) -> None:
    rewrite(now, RETURNS, lambda rows: rows[1:])
    drop_column(before, RETURNS, "rain")
    write_index(before, [("cawder", "beetles", 1, 2.0)])
    write_index(now, [("cawder", "beetles", 1, 3.0)])
    changes = compare_releases(before, now, told={"boundaries": {}}) | {"index": compare_index(before, now)}
    write_facts(
        replace(read_facts(now), version="1.1.0", because="The boundary of Cawder was wrong.", changes=changes), now
    )
    number = len(rows_of(before, RETURNS))
    text = page(now)
    assert "# What changed in release 1.1.0" in text
    assert "Why it was made: The boundary of Cawder was wrong." in text
    assert "release 1.0.0, the one before" in text
    assert f"| `returns` | {number} | {number - 1} | 0 | 1 | 0 |" in text
    assert "Came in: `returns.rain`." in text
    assert "The boundaries of regions were drawn anew." in text
    assert "from 2 to 3, a factor of 1.500" in text
    assert "Figures that both releases show: 1. Of these, 1 moved." in text


def test_the_page_of_another_season_says_so(before: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    write_small_release(other, seed=2, seasons=(2027,), **SAME)
    write_facts(replace(read_facts(other), changes=compare_releases(before, other)), other)
    assert "of the season merrow-2026, this one is of merrow-2027" in page(other)
