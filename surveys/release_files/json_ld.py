"""A release as schema.org/Dataset (JSON-LD), for search engines of data and for its page.

Reference: schema.org, types Dataset, DataDownload, GeoShape and PropertyValue.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import shapely
from shapely.geometry import shape

from surveys.release_files.about import citation, keywords, summary
from surveys.release_files.facts import Facts, read_facts
from surveys.release_files.listing import zip_name
from surveys.release_files.manifest import file_entries
from surveys.release_files.reading import read_table
from surveys.release_files.tables import COUNTS, INDEX_CHANGE, INDEX_LEVEL, RETURNS, SEASONS, Column, Table
from surveys.release_files.writing import write_json

DATASET = "dataset.jsonld"

#: What the release measures: the columns that a person would search for.
MEASURED: tuple[tuple[Table, str], ...] = (
    (COUNTS, "count_min"),
    (COUNTS, "count_max"),
    (COUNTS, "detected"),
    (RETURNS, "trap_nights"),
    (INDEX_LEVEL, "estimate"),
    (INDEX_CHANGE, "ratio"),
)


def write_dataset_json_ld(folder: Path) -> None:
    """Write ``dataset.jsonld`` for the files that stand in a folder, without itself, the zip and the manifest."""
    facts = read_facts(folder)
    files = file_entries(folder, without=frozenset({DATASET, zip_name(facts.version)}))
    write_json(folder / DATASET, dataset_json_ld(facts, files, period=_period(folder)))


def dataset_json_ld(facts: Facts, files: Sequence[Mapping[str, Any]], *, period: str = "") -> dict[str, Any]:
    """Return the release as schema.org/Dataset.

    ``files`` are entries of its manifest. ``period`` is an interval of two dates, such as 2025-04-01/2026-09-30, or
    empty. The box of a release without boundaries is left out.
    """
    organisation = {"@type": "Organization", "name": facts.organiser}
    described: dict[str, Any] = {
        "@context": "https://schema.org/",
        "@type": "Dataset",
        "@id": facts.address,
        "name": f"{facts.title}, release {facts.version}",
        "description": summary(facts),
        "url": facts.address,
        "identifier": facts.address,
        "version": facts.version,
        "license": facts.licence_url,
        "creator": organisation,
        "publisher": organisation,
        "datePublished": facts.day,
        "inLanguage": "en",
        "keywords": keywords(),
        "creditText": citation(facts),
        "isAccessibleForFree": True,
        "measurementTechnique": "Dry pitfall traps, one day and one night, counted by volunteers",
        "variableMeasured": [_variable(table, name) for table, name in MEASURED],
    }
    if period:
        described["temporalCoverage"] = period
    if facts.boundaries:
        described["spatialCoverage"] = {"@type": "Place", "geo": {"@type": "GeoShape", "box": _box(facts)}}
    return described | {"distribution": [_download(facts, entry) for entry in files]}


def _variable(table: Table, name: str) -> dict[str, str]:
    column: Column = next(column for column in table.columns if column.name == name)
    found = {"@type": "PropertyValue", "name": f"{table.name}.{name}", "description": column.meaning}
    return found | ({"unitText": column.unit} if column.unit else {})


def _box(facts: Facts) -> str:
    """Return the lower corner, then the upper one, latitude first, as schema.org writes a box."""
    west, south, east, north = shapely.total_bounds([shape(place) for place in facts.boundaries.values()])
    return " ".join(f"{edge:.4f}" for edge in (south, west, north, east))


def _download(facts: Facts, entry: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "@type": "DataDownload",
        "name": entry["path"],
        "description": entry["description"],
        "contentUrl": facts.address + entry["path"],
        "encodingFormat": entry["media_type"],
        "contentSize": f"{entry['bytes']} B",
        "sha256": entry["sha256"],
    }


def _period(folder: Path) -> str:
    seasons = read_table(folder, SEASONS, ["opens_on", "closes_on"]).to_pylist()
    return f"{min(row['opens_on'] for row in seasons)}/{max(row['closes_on'] for row in seasons)}"
