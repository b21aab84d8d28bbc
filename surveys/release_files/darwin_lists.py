"""The short tables of a release, ready to be looked up while the long ones stream by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from surveys.release_files.darwin_taxa import GroupRow, Taxon, taxon_of
from surveys.release_files.darwin_terms import LIST_SEPARATOR
from surveys.release_files.facts import Facts, read_facts
from surveys.release_files.reading import read_table
from surveys.release_files.tables import GROUPS, HABITATS, REGIONS, SEASONS, Table
from surveys.vocabulary import LICENCE_URLS, Licence


@dataclass(frozen=True, slots=True)
class SeasonRow:
    """One season as released. ``time_zone`` is that of its local days (IANA)."""

    code: str
    title: str
    organiser: str
    protocol: str
    opens_on: date
    closes_on: date
    time_zone: str
    licence: str
    invented: bool

    @property
    def licence_url(self) -> str:
        """The address of the licence of its rows."""
        return LICENCE_URLS[Licence(self.licence)]


@dataclass(frozen=True, slots=True)
class Lists:
    """The lists of all seasons of a release, each in its released order, and the facts."""

    facts: Facts
    seasons: Mapping[str, SeasonRow]
    groups: Mapping[str, tuple[GroupRow, ...]]
    regions: Mapping[str, Mapping[str, str]]
    habitats: Mapping[str, Mapping[str, str]]

    @property
    def dataset_name(self) -> str:
        """Title and number of the release, and that it is invented where it is."""
        invented = " (a demonstration: every return is invented)" if self.facts.invented else ""
        return f"{_one_line(self.facts.title)}, release {self.facts.version}{invented}"

    def taxa(self, season: str) -> list[tuple[GroupRow, Taxon]]:
        """Return the groups of a season with the taxon of each."""
        listed = self.groups[season]
        return [(group, taxon_of(group, listed)) for group in listed]

    def target_scope(self, season: str) -> str:
        """Return the taxa that a season asks for: its list, never what was seen."""
        return LIST_SEPARATOR.join(name for _, taxon in self.taxa(season) for name in taxon.names)


def read_lists(folder: Path) -> Lists:
    """Read the short tables and the facts of the release in a folder. Raises ValueError where one is missing."""
    seasons = {row["season"]: _season(row) for row in _rows(folder, SEASONS)}
    return Lists(
        facts=read_facts(folder),
        seasons=seasons,
        groups={code: tuple(_group(row) for row in _rows(folder, GROUPS, code)) for code in seasons},
        regions={code: _names(folder, REGIONS, code, "region", "name") for code in seasons},
        habitats={code: _names(folder, HABITATS, code, "habitat", "label") for code in seasons},
    )


def _rows(folder: Path, table: Table, season: str | None = None) -> list[dict[str, Any]]:
    rows = [{name: _one_line(value) for name, value in row.items()} for row in read_table(folder, table).to_pylist()]
    return [row for row in rows if season is None or row["season"] == season]


def _names(folder: Path, table: Table, season: str, code: str, name: str) -> dict[str, str]:
    return {row[code]: row[name] for row in _rows(folder, table, season)}


def _season(row: Mapping[str, Any]) -> SeasonRow:
    return SeasonRow(code=row["season"], **{name: row[name] for name in SEASONS.names if name != "season"})


def _group(row: Mapping[str, Any]) -> GroupRow:
    return GroupRow(row["group"], row["name"], row["scientific_name"], row["taxon_rank"])


def _one_line(value: Any) -> Any:
    # A line break inside a cell would end the row for readers that go by linesTerminatedBy alone.
    return " ".join(value.split()) if isinstance(value, str) else value
