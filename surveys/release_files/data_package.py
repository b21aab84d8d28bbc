"""``datapackage.json``: what every CSV of a release holds, as Data Package 2.0 and Table Schema 2.0 have it.

Reference: Data Package standard, version 2.0 (2024-06-26): primary and foreign keys and roles as lists, categories
with labels, a checksum that names its kind.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from surveys.release_files.about import contact_address, keywords, licences, summary
from surveys.release_files.codebook import EXPLAINING
from surveys.release_files.codes import codes_in
from surveys.release_files.facts import Facts, read_facts
from surveys.release_files.listing import looked_at
from surveys.release_files.reading import csv_path
from surveys.release_files.tables import TABLES, Column, Reference, Table
from surveys.release_files.writing import write_json

DESCRIPTOR = "datapackage.json"
PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"

#: Identifiers are UUIDs (RFC 9562) in small letters.
UUID_PATTERN = "[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"
#: The codes of a season's lists (letters, digits, hyphens, underscores: the tables hold them to this), and those of
#: grid cells (:mod:`surveys.methods.geography`).
CODE_PATTERN = "[-a-zA-Z0-9_]+"
CELL_PATTERN = r"[ns][0-9]{1,2}\.[0-9]{2}[ew][0-9]{1,3}\.[0-9]{2}"
_PATTERNS = {
    "return_id": UUID_PATTERN,
    "site_id": UUID_PATTERN,
    "cell": CELL_PATTERN,
    "season": CODE_PATTERN,
    "region": CODE_PATTERN,
    "group": CODE_PATTERN,
    "habitat": CODE_PATTERN,
    "window": CODE_PATTERN,
}


def write_data_package(folder: Path) -> None:
    """Write ``datapackage.json`` for the CSV files that stand in a folder."""
    facts, codes = read_facts(folder), codes_in(folder)
    described = [_resource(folder, table, codes) for table in (*TABLES, *EXPLAINING)]
    write_json(folder / DESCRIPTOR, {**_package(folder, facts), "resources": described})


def _package(folder: Path, facts: Facts) -> dict[str, Any]:
    return {
        "$schema": PROFILE,
        "name": f"trapnight-{facts.season}-{facts.version}",
        "id": facts.address,
        "title": f"{facts.title}, release {facts.version}",
        "description": summary(facts),
        "version": facts.version,
        "created": facts.frozen_at,
        "homepage": facts.address,
        "keywords": keywords(),
        "licenses": [{"name": one.spdx, "path": one.url, "title": one.label} for one in licences(folder, facts)],
        "contributors": [{"title": facts.organiser, **contact_address(facts), "roles": ["creator", "publisher"]}],
    }


def _resource(folder: Path, table: Table, codes: Mapping[str, Mapping[str, str]]) -> dict[str, Any]:
    path = csv_path(folder, table)
    found = looked_at(path)
    return {
        "name": table.name,
        "type": "table",
        "title": table.title,
        "description": table.meaning,
        "path": path.name,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": found.size_bytes,
        "hash": f"sha256:{found.sha256}",
        "dialect": {"delimiter": ",", "lineTerminator": "\n", "quoteChar": '"', "doubleQuote": True, "header": True},
        "schema": table_schema(table, codes),
    }


def table_schema(table: Table, codes: Mapping[str, Mapping[str, str]]) -> dict[str, Any]:
    """Return the Table Schema of a table; ``codes`` are those of the season's lists with what they are called."""
    schema: dict[str, Any] = {
        "fields": [_field(column, codes) for column in table.columns],
        "missingValues": [""],
        "primaryKey": list(table.key),
    }
    if table.references:
        schema["foreignKeys"] = [_foreign_key(reference) for reference in table.references]
    return schema


def _foreign_key(reference: Reference) -> dict[str, Any]:
    return {
        "fields": list(reference.columns),
        "reference": {"resource": reference.table, "fields": list(reference.key)},
    }


def _field(column: Column, codes: Mapping[str, Mapping[str, str]]) -> dict[str, Any]:
    field: dict[str, Any] = {
        "name": column.name,
        "type": column.kind,
        "title": column.name.replace("_", " "),
        "description": column.meaning,
    }
    if column.unit:
        field["unit"] = column.unit
    if column.kind == "boolean":
        field |= {"trueValues": ["true"], "falseValues": ["false"]}
    constraints = _constraints(column, codes)
    categories = _categories(column, codes)
    return field | ({"constraints": constraints} if constraints else {}) | categories


def _constraints(column: Column, codes: Mapping[str, Mapping[str, str]]) -> dict[str, Any]:
    found: dict[str, Any] = {"required": True} if column.required else {}
    if column.minimum is not None:
        found["minimum"] = column.minimum
    if column.name in _PATTERNS:
        found["pattern"] = _PATTERNS[column.name]
    listed = [value for value, _ in _choices(column, codes)]
    return found | ({"enum": listed} if listed else {})


def _categories(column: Column, codes: Mapping[str, Mapping[str, str]]) -> dict[str, Any]:
    listed = [{"value": value, "label": label} for value, label in _choices(column, codes)]
    return {"categories": listed, "categoriesOrdered": False} if listed else {}


def _choices(column: Column, codes: Mapping[str, Mapping[str, str]]) -> list[tuple[str, str]]:
    if column.words is not None:
        return column.words.choices()
    return list(codes.get(column.name, {}).items())
