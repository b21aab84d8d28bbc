"""What changed since the release before: counted by hand, or by the standard library's reader and plain sets."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from surveys.methods import METHOD_VERSION
from surveys.release_files.changes import (
    compare_index,
    compare_releases,
    is_nothing,
    next_version,
)
from surveys.release_files.facts import FACTS, read_facts
from surveys.release_files.sorted_rows import column_of, compare_rows
from surveys.release_files.tables import COUNTS, FROZEN, RETURNS, SCHEMA_VERSION, table_of
from tests.released import write_small_release
from tests.two_releases import Rows, before, drop_column, now, rewrite, rows_of

__all__ = ["before", "now"]  # fixtures


# --- rows -------------------------------------------------------------------------------------------


def test_the_same_rows_are_nothing(before: Path, now: Path) -> None:
    changes = compare_releases(before, now)
    assert is_nothing(changes)
    for table in FROZEN:
        number = len(rows_of(before, table))
        assert changes["tables"][table.name] == {
            "rows_before": number, "rows_now": number, "came_in": 0, "went_out": 0, "changed": 0
        }  # fmt: skip


def test_rows_in_out_and_changed_are_counted_by_table(before: Path, now: Path) -> None:
    def without_two_and_one_night_colder(rows: Rows) -> Rows:
        return [rows[0] | {"temp_min_c": "-3.5"}, rows[1], *rows[4:]]  # the third and fourth went, the first changed

    rewrite(now, RETURNS, without_two_and_one_night_colder)
    rewrite(before, COUNTS, lambda rows: rows[:-3])  # three came in since
    tables = compare_releases(before, now)["tables"]
    assert (tables["returns"]["came_in"], tables["returns"]["went_out"], tables["returns"]["changed"]) == (0, 2, 1)
    assert (tables["counts"]["came_in"], tables["counts"]["went_out"], tables["counts"]["changed"]) == (3, 0, 0)
    assert tables["returns"]["rows_now"] == tables["returns"]["rows_before"] - 2
    assert not is_nothing(compare_releases(before, now))


def test_all_rows_of_another_survey_are_in_and_out(before: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    write_small_release(other, seed=2, sites=7)
    changes = compare_releases(before, other)
    number = len(rows_of(before, RETURNS))
    assert changes["tables"]["returns"]["went_out"] == number
    assert changes["tables"]["returns"]["changed"] == 0
    assert changes["sites"] == {"before": 24, "now": 14, "came_in": 14, "went_out": 24}  # 2 x 12 and 2 x 7 gardens


def test_gardens_that_come_and_go_are_counted_once_however_many_returns_they_have(before: Path, now: Path) -> None:
    sites = sorted({row["site_id"] for row in rows_of(before, RETURNS)})
    rewrite(now, RETURNS, lambda rows: [row for row in rows if row["site_id"] not in sites[:3]])
    rewrite(before, RETURNS, lambda rows: [row for row in rows if row["site_id"] != sites[-1]])
    found = compare_releases(before, now)["sites"]
    assert found == {"before": 23, "now": 21, "came_in": 1, "went_out": 3}


def test_a_column_is_read_beside_cells_in_quotes(tmp_path: Path) -> None:
    path = tmp_path / "some.csv"
    path.write_text('a,b,c\n1,2,3\n"1,5","two ""2""",3\n,"",\n', encoding="utf-8")
    assert list(column_of(path, 1)) == ["2", 'two "2"', ""]
    assert list(column_of(path, 2)) == ["3", "3", ""]


def test_places_in_a_list_are_compared_as_numbers(tmp_path: Path) -> None:
    table = table_of("groups")
    for name, places in (("old.csv", range(1, 12)), ("new.csv", range(2, 13))):
        lines = [f"merrow-2026,{at},g{at},G {at},Genus,family" for at in places]  # 9 before 10, although "10" < "9"
        (tmp_path / name).write_text("\n".join([",".join(table.names), *lines, ""]), encoding="utf-8")
    found = compare_rows(tmp_path / "old.csv", tmp_path / "new.csv", table)
    assert found.as_numbers() == {"rows_before": 11, "rows_now": 11, "came_in": 1, "went_out": 1, "changed": 0}


FINDING = st.tuples(st.sampled_from(["r1", "r2", "r3", "r10"]), st.sampled_from(["exposure", "rim", "cover"]))
FINDINGS_THEN = st.dictionaries(FINDING, st.sampled_from(["offset", "covariate"]), max_size=12)


@settings(max_examples=200, deadline=None)
@given(FINDINGS_THEN, FINDINGS_THEN)
def test_any_two_tables_are_compared_as_sets_say(
    tmp_path_factory: pytest.TempPathFactory, old: dict, new: dict
) -> None:
    folder, table = tmp_path_factory.mktemp("two"), table_of("findings")
    for name, rows in (("old.csv", old), ("new.csv", new)):
        lines = [",".join((*key, outcome)) for key, outcome in sorted(rows.items())]
        (folder / name).write_text("\n".join([",".join(table.names), *lines, ""]), encoding="utf-8")
    assert compare_rows(folder / "old.csv", folder / "new.csv", table).as_numbers() == {
        "rows_before": len(old),
        "rows_now": len(new),
        "came_in": len(new.keys() - old.keys()),
        "went_out": len(old.keys() - new.keys()),
        "changed": sum(1 for key in old.keys() & new.keys() if old[key] != new[key]),
    }


def test_a_table_that_is_not_sorted_is_refused(before: Path, now: Path) -> None:
    lines = (now / "returns.csv").read_text(encoding="utf-8").splitlines()
    (now / "returns.csv").write_text("\n".join([lines[0], *reversed(lines[1:]), ""]), encoding="utf-8")
    with pytest.raises(ValueError, match=r"returns\.csv is not sorted by its key, each once: .* comes too late"):
        compare_releases(before, now)


def test_a_key_that_stands_there_twice_is_refused(before: Path, now: Path) -> None:
    lines = (now / "findings.csv").read_text(encoding="utf-8").splitlines()
    twice = lines[1].rsplit(",", 1)[0] + ",covariate"
    (now / "findings.csv").write_text("\n".join([lines[0], lines[1], twice, *lines[2:], ""]), encoding="utf-8")
    with pytest.raises(ValueError, match=r"findings\.csv is not sorted by its key, each once"):
        compare_releases(before, now)


def test_a_table_without_rows_can_be_compared(before: Path, now: Path) -> None:
    for table in (RETURNS, COUNTS, table_of("findings")):
        rewrite(now, table, lambda _: [])
    changes = compare_releases(before, now)
    assert changes["tables"]["returns"]["rows_now"] == 0
    assert changes["sites"] == {"before": 24, "now": 0, "came_in": 0, "went_out": 24}


def test_a_row_with_too_few_cells_is_refused(before: Path, now: Path) -> None:
    lines = (now / "findings.csv").read_text(encoding="utf-8").splitlines()
    (now / "findings.csv").write_text(
        "\n".join([lines[0], lines[1].rsplit(",", 1)[0], *lines[2:], ""]), encoding="utf-8"
    )
    with pytest.raises(ValueError, match=r"findings\.csv has a row with 2 cells, but 3 columns"):
        compare_releases(before, now)


def test_a_release_whose_facts_are_gone_cannot_be_compared(before: Path, now: Path) -> None:
    (before / FACTS).unlink()
    with pytest.raises(ValueError, match="Bring the files of that release back from a backup"):
        compare_releases(before, now)


# --- columns, method, schema, facts ------------------------------------------------------------------


def test_a_column_that_came_in_is_named_and_changes_no_row(before: Path, now: Path) -> None:
    drop_column(before, RETURNS, "rain")
    changes = compare_releases(before, now)
    assert changes["columns"] == {"came_in": ["returns.rain"], "went_out": []}
    assert changes["tables"]["returns"]["changed"] == 0
    assert not is_nothing(changes)


def test_what_changed_in_other_columns_is_still_found(before: Path, now: Path) -> None:
    drop_column(before, RETURNS, "rain")
    rewrite(now, RETURNS, lambda rows: [*rows[:2], rows[2] | {"school": "true"}, *rows[3:]])
    assert compare_releases(before, now)["tables"]["returns"]["changed"] == 1


def test_a_column_or_a_table_that_went_out_is_named(before: Path, now: Path) -> None:
    lines = (before / "findings.csv").read_text(encoding="utf-8").splitlines()
    (before / "findings.csv").write_text(
        "\n".join([lines[0] + ",weight", *(f"{line},1" for line in lines[1:]), ""]), encoding="utf-8"
    )
    (before / "weather.csv").write_text("season,rain\n", encoding="utf-8")
    (before / "codebook.csv").write_text("table,position\n", encoding="utf-8")  # explains the others, holds no data
    assert compare_releases(before, now)["columns"] == {"came_in": [], "went_out": ["findings.weight", "weather.*"]}


def test_a_worked_out_table_counts_as_new_only_beside_a_finished_release(before: Path, now: Path) -> None:
    assert compare_releases(before, now)["columns"]["came_in"] == []
    (before / "manifest.json").write_text("{}", encoding="utf-8")
    assert compare_releases(before, now)["columns"]["came_in"] == ["cells.*", "index_change.*", "index_level.*"]


def test_method_schema_and_facts_are_compared(before: Path, now: Path) -> None:
    facts = json.loads((before / FACTS).read_text(encoding="utf-8"))
    facts |= {"method_version": "0.9", "schema_version": "0.7", "a_name_of_long_ago": 1}
    (before / FACTS).write_text(json.dumps(facts), encoding="utf-8")
    told = {"boundaries": {}, "code_version": "feed", "licence": facts["licence"]}
    changes = compare_releases(before, now, told=told)
    assert changes["method"] == {"before": "0.9", "now": METHOD_VERSION}
    assert changes["schema"] == {"before": "0.7", "now": SCHEMA_VERSION}
    assert changes["facts"] == ["boundaries", "code_version"]
    assert changes["before"] == {"version": "1.0.0", "season": "merrow-2026"}
    assert not is_nothing(changes)


def test_another_boundary_alone_is_something(before: Path, now: Path) -> None:
    assert is_nothing(compare_releases(before, now, told={"boundaries": read_facts(before).boundaries}))
    assert not is_nothing(compare_releases(before, now, told={"boundaries": {}}))


def test_changes_are_plain_json(before: Path, now: Path) -> None:
    changes = compare_releases(before, now) | {"index": compare_index(before, now)}
    assert json.loads(json.dumps(changes, allow_nan=False)) == changes


# --- the number of the next release ------------------------------------------------------------------


def changed(**parts: object) -> dict:
    tables = {"returns": {"came_in": 0, "went_out": 0, "changed": 0}}
    plain = {"columns": {"came_in": [], "went_out": []}, "schema": {"before": "1.4", "now": "1.4"}, "tables": tables}
    return plain | parts


IN = {"returns": {"came_in": 1, "went_out": 7, "changed": 2}}
OUT = {"returns": {"came_in": 0, "went_out": 7, "changed": 2}}


@pytest.mark.parametrize(
    ("previous", "changes", "number"),
    [
        ("", {}, "1.0.0"),
        ("1.0.0", changed(tables=IN), "1.1.0"),
        ("1.9.4", changed(tables=IN), "1.10.0"),
        ("1.0.0", changed(tables=OUT), "1.0.1"),
        ("2.3.9", changed(), "2.3.10"),
        ("1.2.3", changed(columns={"came_in": ["returns.rain"], "went_out": []}), "1.3.0"),
        ("1.2.3", changed(columns={"came_in": ["returns.rain"], "went_out": ["cells.*"]}), "2.0.0"),
        ("1.2.3", changed(tables=IN, columns={"came_in": [], "went_out": ["counts.corrected"]}), "2.0.0"),
        ("1.2.3", changed(schema={"before": "1.4", "now": "2.0"}), "2.0.0"),
        ("9.2.3", changed(schema={"before": "9.4", "now": "10.0"}), "10.0.0"),
        ("1.2.3", changed(schema={"before": "1.4", "now": "1.5"}), "1.2.4"),
    ],
)
def test_the_number_of_the_next_release_follows_from_what_changed(previous: str, changes: dict, number: str) -> None:
    """The shape is that of Semantic Versioning 2.0.0, sections 2, 6 to 8; what raises a part is our own rule."""
    assert next_version(previous, changes) == number


@pytest.mark.parametrize("previous", ["1.0", "v1.0.0", "1.0.0-rc1", "01.0.0", "1.0.0.0", "1.0.x", "1.0.٣"])
def test_a_number_of_another_shape_is_refused(previous: str) -> None:
    with pytest.raises(ValueError, match="Expected three parts"):
        next_version(previous, changed())
