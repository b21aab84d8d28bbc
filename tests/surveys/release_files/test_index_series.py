"""The index series of a release: what stands behind it counted by hand, and not a digit by chance."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from surveys.release_files.facts import write_facts
from surveys.release_files.index_apart import apart
from surveys.release_files.index_estimates import IndexSeries, compute_index_series
from surveys.release_files.tables import (
    COUNTS,
    GROUPS,
    HABITATS,
    INDEX_CHANGE,
    INDEX_LEVEL,
    REGIONS,
    RETURNS,
    SEASONS,
    WINDOWS,
)
from tests.index_rows import Rows, named, read, rewrite
from tests.released import facts, write_small_release


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("release")
    write_small_release(folder, sites=16, seasons=(2024, 2025, 2026))
    return folder


@pytest.fixture(scope="module")
def computed(shared: Path) -> IndexSeries:
    return compute_index_series(shared)


@pytest.fixture
def release(shared: Path, tmp_path: Path) -> Path:
    """A copy of the release that a test may change."""
    return Path(shutil.copytree(shared, tmp_path / "release"))


# --- what stands behind a figure ----------------------------------------------------------------------


def test_what_stands_behind_each_level_is_counted_by_hand(shared: Path, computed: IndexSeries) -> None:
    """Sites, site-nights, returns and effort of every cell and group, from the texts of the files alone."""
    returns = {row["return_id"]: row for row in read(shared, RETURNS) if not row["left_out"]}
    behind: dict[tuple[str, str, str], list[dict[str, str]]] = {}
    for row in read(shared, COUNTS):
        one = returns.get(row["return_id"])
        if one is not None and row["count_min"]:
            behind.setdefault((one["season"], one["region"], row["group"]), []).append(one)
    levels = named(computed, INDEX_LEVEL)
    assert len(levels) == 3 * 2 * 1 * 4 * 2  # seasons, regions, windows, groups, exponents
    for (season, region, _, group, exponent), figure in levels.items():
        rows = behind[season, region, group]
        assert figure["returns"] == len(rows)
        assert figure["sites"] == len({row["site_id"] for row in rows})
        assert figure["site_nights"] == len({(row["site_id"], row["night"]) for row in rows})
        effort = sum(float(row["trap_nights"]) * float(row["rim_ratio"] or 1) ** exponent for row in rows)
        assert figure["trap_nights"] == pytest.approx(effort, rel=1e-12)


def test_what_stands_behind_each_change_is_counted_by_hand(shared: Path, computed: IndexSeries) -> None:
    """A garden counts that answered a group in the base and now. The base is the first of three seasons (6.4)."""
    returns = {row["return_id"]: row for row in read(shared, RETURNS) if not row["left_out"]}
    visits: dict[tuple[str, str, str], set[str]] = {}
    for row in read(shared, COUNTS):
        one = returns.get(row["return_id"])
        if one is not None and row["count_min"]:
            visits.setdefault((one["season"], one["region"], row["group"]), set()).add(one["site_id"])
    changes = named(computed, INDEX_CHANGE)
    assert len(changes) == 2 * 1 * 4 * 2  # regions, windows, groups, both ways
    for (season, region, _, group, _adjusted), figure in changes.items():
        assert (season, figure["base"]) == ("merrow-2026", "merrow-2024")
        both = visits["merrow-2026", region, group] & visits["merrow-2024", region, group]
        assert figure["revisited_sites"] == len(both)


# --- not a digit by chance --------------------------------------------------------------------------


def test_the_order_of_rows_does_not_change_a_digit(release: Path, computed: IndexSeries) -> None:
    for table in (RETURNS, COUNTS, REGIONS, GROUPS, HABITATS, WINDOWS, SEASONS):
        rewrite(release, table, random.Random(3).shuffle)
    assert compute_index_series(release) == computed


def test_many_small_batches_are_read_as_one(
    release: Path, computed: IndexSeries, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("surveys.release_files.reading.BLOCK_BYTES", 2_000)
    assert compute_index_series(release) == computed


def test_one_count_more_changes_the_figures_of_its_group_in_its_season_and_no_other(
    release: Path, computed: IndexSeries
) -> None:
    entering = {row["return_id"] for row in read(release, RETURNS) if not row["left_out"] and row["season"] == "merrow-2025"}  # fmt: skip

    def add_one(rows: Rows) -> None:
        row = next(
            one
            for one in rows
            if one["return_id"] in entering and one["group"] == "spiders" and one["answer"] == "number"
        )
        row["count_min"] = row["count_max"] = str(int(row["count_min"]) + 1)

    rewrite(release, COUNTS, add_one)
    before, after = named(computed, INDEX_LEVEL), named(compute_index_series(release), INDEX_LEVEL)
    changed = {(key[0], key[3]) for key, figure in before.items() if after[key] != figure}
    assert changed == {("merrow-2025", "spiders")}


def test_a_blank_is_not_a_zero(release: Path, computed: IndexSeries) -> None:
    """A count that is taken away leaves a return less behind its figure; a zero in its place does not."""
    entering = {row["return_id"]: row for row in read(release, RETURNS) if not row["left_out"]}
    gone: list[dict[str, str]] = []

    def take_away(rows: Rows) -> None:
        at = next(n for n, one in enumerate(rows) if one["return_id"] in entering and one["answer"] == "number")
        gone.append(rows.pop(at))

    rewrite(release, COUNTS, take_away)
    key = (*(entering[gone[0]["return_id"]][name] for name in ("season", "region", "window")), gone[0]["group"], 1)
    before, blank = (named(one, INDEX_LEVEL)[key] for one in (computed, compute_index_series(release)))
    zero = {**gone[0], "answer": "none_seen", "count_min": "0", "count_max": "0", "detected": "false"}
    rewrite(release, COUNTS, lambda rows: rows.append(zero))
    with_zero = named(compute_index_series(release), INDEX_LEVEL)[key]
    assert (blank["returns"], with_zero["returns"]) == (before["returns"] - 1, before["returns"])
    assert len({before["estimate"], blank["estimate"], with_zero["estimate"]}) == 3


def test_a_group_that_is_not_on_the_list_and_a_return_that_enters_no_index_change_nothing(
    release: Path, computed: IndexSeries
) -> None:
    left_out = next(row["return_id"] for row in read(release, RETURNS) if row["left_out"])
    entering = next(row["return_id"] for row in read(release, RETURNS) if not row["left_out"])

    def add(rows: Rows) -> None:
        for row in rows:
            if row["return_id"] == left_out and row["count_min"]:
                row["count_min"], row["count_max"] = "99", "99"
        rows.append({**rows[0], "return_id": entering, "group": "snails", "count_min": "5", "count_max": "5"})

    rewrite(release, COUNTS, add)
    assert compute_index_series(release) == computed


# --- seasons ----------------------------------------------------------------------------------------


def keep_seasons(folder: Path, *codes: str) -> None:
    """Take the returns of other seasons out of a release, with their counts; their lists stay."""
    rewrite(
        folder, RETURNS, lambda rows: rows.__setitem__(slice(None), [row for row in rows if row["season"] in codes])
    )
    kept = {row["return_id"] for row in read(folder, RETURNS)}
    rewrite(
        folder, COUNTS, lambda rows: rows.__setitem__(slice(None), [row for row in rows if row["return_id"] in kept])
    )


@pytest.mark.parametrize("codes", [("merrow-2024", "merrow-2025"), ("merrow-2026",), ()])
def test_a_season_without_returns_has_figures_that_say_so(release: Path, codes: tuple[str, ...]) -> None:
    keep_seasons(release, *codes)
    series = compute_index_series(release)
    levels = named(series, INDEX_LEVEL)
    assert len(levels) == 48
    empty = [row for row in levels.values() if row["season"] not in codes]
    assert len(empty) == (3 - len(codes)) * 16
    for row in empty:
        assert (row["label"], row["estimate"], row["low"], row["high"]) == ("too_few", None, None, None)
        assert (row["sites"], row["site_nights"], row["returns"], row["trap_nights"]) == (0, 0, 0, 0.0)
        assert row["more_sites_needed"] >= 10  # the gate, METHODS.md, section 5.8
    changes = named(series, INDEX_CHANGE)
    assert len(changes) == 16
    assert {row["code"] for row in changes.values()} <= {"no_returns", "no_base_returns"}
    assert {row["revisited_sites"] for row in changes.values()} == {0}


def test_the_seasons_before_are_those_of_the_night(release: Path) -> None:
    """Opened before it, with a region and a group of it, invented as it is; in the order of their first days."""
    base = compute_index_series(release).settings["change"]["earlier"]
    assert base == ["merrow-2024", "merrow-2025"]

    def opens(code: str, day: str) -> Callable[[Rows], None]:
        return lambda rows: [row.update(opens_on=day) for row in rows if row["season"] == code].clear()

    rewrite(release, SEASONS, opens("merrow-2024", "2025-06-01"))
    assert compute_index_series(release).settings["change"]["earlier"] == ["merrow-2025", "merrow-2024"]
    rewrite(release, SEASONS, opens("merrow-2024", "2026-04-01"))
    assert compute_index_series(release).settings["change"]["earlier"] == ["merrow-2025"]
    rewrite(release, SEASONS, lambda rows: [row.update(invented="false") for row in rows if row["season"] == "merrow-2025"])  # fmt: skip
    series = compute_index_series(release)
    assert (series.settings["change"]["earlier"], series.change) == ([], [])


def test_a_group_that_only_this_season_asks_for_has_a_level_and_no_change(release: Path) -> None:
    rewrite(release, GROUPS, lambda rows: [row.update(group="snails") for row in rows if row["group"] == "spiders" and row["season"] != "merrow-2026"])  # fmt: skip
    series = compute_index_series(release)
    groups = {row["group"] for row in named(series, INDEX_CHANGE).values()}
    assert groups == {"woodlice", "ground_beetles", "springtails"}
    levels = named(series, INDEX_LEVEL)
    assert levels["merrow-2026", "cawder", "spring", "spiders", 1]["returns"] > 0
    assert levels["merrow-2025", "cawder", "spring", "snails", 1]["returns"] == 0


def test_the_seed_is_that_of_the_release_and_moves_no_estimate(release: Path, computed: IndexSeries) -> None:
    """The guard is drawn with it, which widens intervals and moves no rate (METHODS.md, section 5.6)."""
    write_facts(facts(seed=1), release)
    other = compute_index_series(release)
    assert other.settings["seed"] == other.settings["level"]["guard_seed"] == 1
    assert [row[6] for row in other.level] == [row[6] for row in computed.level]


def test_rows_stand_in_the_order_of_their_keys(computed: IndexSeries) -> None:
    for table in (INDEX_LEVEL, INDEX_CHANGE):
        keys = [row[: len(table.key)] for row in computed.rows_of(table)]
        assert table.names[: len(table.key)] == table.key
        assert keys == sorted(keys, key=lambda key: [str(part).encode() for part in key])


# --- processes of their own ---------------------------------------------------------------------------


def test_processes_of_their_own_do_not_change_a_digit(release: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As the parts of a large release are done; here two seasons and one group are enough."""
    keep_seasons(release, "merrow-2025", "merrow-2026")
    rewrite(release, SEASONS, lambda rows: rows.pop(0))
    for table in (GROUPS, HABITATS, REGIONS, WINDOWS):
        rewrite(release, table, lambda rows: rows.__setitem__(slice(None), [row for row in rows if row["season"] != "merrow-2024" and row.get("group", "spiders") == "spiders"]))  # fmt: skip
    here = compute_index_series(release)
    assert {row[3] for row in here.level} == {row[3] for row in here.change} == {"spiders"}
    monkeypatch.setattr("surveys.release_files.index_estimates.APART_FROM_BYTES", 0)
    asked: list[str] = []

    def told(work: Callable[[Any], Any]) -> Callable[[Any], Any]:
        asked.append(work.__name__)
        return apart(work)

    monkeypatch.setattr("surveys.release_files.index_estimates.apart", told)
    assert compute_index_series(release) == here
    assert asked == ["read_columns", "find_level", "find_level", "find_change"]


def test_a_fault_found_in_a_process_of_its_own_is_told(release: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rewrite(release, COUNTS, lambda rows: rows.append(dict(rows[0])))
    monkeypatch.setattr("surveys.release_files.index_estimates.APART_FROM_BYTES", 0)
    with pytest.raises(ValueError, match="Each may be answered once"):
        compute_index_series(release)
