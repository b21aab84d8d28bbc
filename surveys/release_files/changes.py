"""What changed since the release before: rows, gardens, columns, method, and how far the index moved; and its number.

Everything is counted from the files of both releases. Sources: Semantic Versioning 2.0.0 for the shape of a number;
what raises which part of it is this project's own rule.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from surveys.methods import METHOD_VERSION
from surveys.release_files.changes_index import index_moves
from surveys.release_files.changes_words import changes_text
from surveys.release_files.codebook import EXPLAINING
from surveys.release_files.facts import FACTS, read_facts
from surveys.release_files.listing import MANIFEST
from surveys.release_files.reading import csv_path
from surveys.release_files.sorted_rows import column_of, compare_rows, read_header
from surveys.release_files.tables import FROZEN, INDEX_LEVEL, RETURNS, SCHEMA_VERSION, TABLES, WORKED_OUT
from surveys.release_files.writing import write_text

CHANGES = "CHANGES.md"
FIRST_VERSION = "1.0.0"
NOTHING_TOLD: Mapping[str, Any] = MappingProxyType({})


def compare_releases(before: Path, now: Path, *, told: Mapping[str, Any] = NOTHING_TOLD) -> dict[str, Any]:
    """Compare the frozen tables in the folders of two releases; the worked-out ones need not be there yet.

    ``told`` are facts of the new release that its ``release.json`` will hold, such as ``boundaries``: those that were
    others are listed. Returns what ``Facts.changes`` holds, as plain JSON. The files are read as streams.
    Raises ValueError with a sentence where a table cannot be compared.
    """
    old = _facts_of(before)
    new = {"method_version": METHOD_VERSION, "schema_version": SCHEMA_VERSION, **told}
    columns_in, columns_out = _columns(before)
    return {
        "before": {"version": old.get("version", ""), "season": old.get("season", "")},
        "tables": {
            table.name: compare_rows(csv_path(before, table), csv_path(now, table), table).as_numbers()
            for table in FROZEN
        },
        "sites": _compare_sites(before, now),
        "columns": {"came_in": columns_in, "went_out": columns_out},
        "method": {"before": old.get("method_version", ""), "now": new["method_version"]},
        "schema": {"before": old.get("schema_version", ""), "now": new["schema_version"]},
        "facts": sorted(name for name, value in new.items() if not name.endswith("_version") and old.get(name) != value)
        + ([] if old.get("code_version") == new.get("code_version", old.get("code_version")) else ["code_version"]),
    }


def compare_index(before: Path, now: Path) -> dict[str, Any]:
    """Say how far the activity index moved between two releases whose index is there. Plain JSON.

    Raises ValueError with a sentence where an estimate is no number.
    """
    return index_moves(csv_path(before, INDEX_LEVEL), csv_path(now, INDEX_LEVEL))


def is_nothing(changes: Mapping[str, Any]) -> bool:
    """Say whether two releases are the same in rows, columns, method, schema and facts: there is nothing to release."""
    rows = (table[how] for table in changes["tables"].values() for how in ("came_in", "went_out", "changed"))
    versions = (changes[name]["before"] != changes[name]["now"] for name in ("method", "schema"))
    return not (any(rows) or any(changes["columns"].values()) or any(versions) or changes["facts"])


def next_version(previous: str, changes: Mapping[str, Any]) -> str:
    """Return the number of the next release; ``previous`` is empty for the first one.

    The first part rises where a column or table went, or the first part of the schema's version rose: programs that
    read the last release may fail. The second rises where a return, a column or a table came in. Else the third.
    Raises ValueError for a number that does not have three parts.
    """
    if not previous:
        return FIRST_VERSION
    if not re.fullmatch(r"(0|[1-9]\d*)(\.(0|[1-9]\d*)){2}", previous, re.ASCII):
        raise ValueError(f"{previous!r} is no number of a release. Expected three parts, such as 1.4.2.")
    major, minor, patch = (int(part) for part in previous.split("."))
    schema = changes["schema"]
    if changes["columns"]["went_out"] or _first_part(schema["now"]) > _first_part(schema["before"]):
        return f"{major + 1}.0.0"
    if changes["columns"]["came_in"] or changes["tables"][RETURNS.name]["came_in"]:
        return f"{major}.{minor + 1}.0"
    return f"{major}.{minor}.{patch + 1}"


def write_changes_page(folder: Path) -> None:
    """Write ``CHANGES.md`` from the facts of the release in a folder."""
    write_text(folder / CHANGES, changes_text(read_facts(folder)))


def _facts_of(folder: Path) -> dict[str, Any]:
    """Read the facts of an older release, whatever names they had then."""
    path = folder / FACTS
    if not path.is_file():
        raise ValueError(f"There is no {FACTS} in {folder}. Bring the files of that release back from a backup.")
    return dict(json.loads(path.read_text(encoding="utf-8")))


def _first_part(version: str) -> int:
    first = version.split(".", maxsplit=1)[0]
    return int(first) if first.isdigit() else 0


def _columns(before: Path) -> tuple[list[str], list[str]]:
    """Return the columns that came in and went out, as ``table.column``; a whole table as ``table.*``."""
    explaining = {table.name for table in EXPLAINING}
    old = {path.stem: read_header(path) for path in sorted(before.glob("*.csv")) if path.stem not in explaining}
    # A folder without a manifest is not finished: its worked-out tables may be missing without having been dropped.
    known = TABLES if (before / MANIFEST).is_file() else (*FROZEN, *(one for one in WORKED_OUT if one.name in old))
    new = {table.name: list(table.names) for table in known}
    return list(_only_in(new, old)), list(_only_in(old, new))


def _only_in(some: Mapping[str, list[str]], others: Mapping[str, list[str]]) -> Iterable[str]:
    for table, columns in sorted(some.items()):
        if table not in others:
            yield f"{table}.*"
        else:
            yield from (f"{table}.{column}" for column in columns if column not in others[table])


def _compare_sites(before: Path, now: Path) -> dict[str, int]:
    old, new = _sites(csv_path(before, RETURNS)), _sites(csv_path(now, RETURNS))
    return {"before": len(old), "now": len(new), "came_in": len(new - old), "went_out": len(old - new)}


def _sites(path: Path) -> set[str]:
    """Return the sites of a table of returns, whatever other columns it has."""
    header = read_header(path)
    return set(column_of(path, header.index("site_id"))) if "site_id" in header else set()
