"""What the page of a release tells out of its own frozen files, and its cells. The live tables say nothing here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any

from surveys.methods.review_quality import Agreement, Stratum, WrongShare
from surveys.models import Release, ReleasedCell
from surveys.queries.figures import Figure
from surveys.queries.releases import folder_of
from surveys.queries.second_looks import ReviewQuality
from surveys.release_files.facts import Facts, read_facts
from surveys.release_files.reading import read_table
from surveys.release_files.tables import EXCLUSIONS, GROUPS, INDEX_LEVEL, REGIONS, SEASONS, WINDOWS, Table
from surveys.vocabulary import Exclusion, IndexLabel


class FilesAway(ValueError):
    """The files of a release are not there, or are not as they should be. Its text says which."""


@dataclass(frozen=True, slots=True)
class Listed:
    """A region or a group of a release: its code and its name, as they were frozen."""

    code: str
    name: str


@dataclass(frozen=True, slots=True)
class ListedWindow:
    """A survey window of a release."""

    code: str
    name: str
    first_day: date
    last_day: date


@dataclass(frozen=True, slots=True)
class LeftAside:
    """How many returns are not in a release for one reason; None where they come from one to four gardens."""

    reason: Exclusion
    returns: int | None


@dataclass(frozen=True, slots=True, eq=False)
class ReleaseShown:
    """What the files of a release say for its page, about the release's own season. One object for each release.

    ``figures`` holds the published index by group and window, then by region. ``period`` spans every season in it, as
    an ISO 8601 interval.
    """

    facts: Facts
    opens_on: date
    closes_on: date
    period: str
    regions: tuple[Listed, ...]
    groups: tuple[Listed, ...]
    windows: tuple[ListedWindow, ...]
    figures: dict[tuple[str, str], dict[str, Figure]]
    exclusions: tuple[LeftAside, ...]
    review: ReviewQuality | None

    def figure(self, *, group: str, window: str, region: str) -> Figure | None:
        """Return one figure, or None where the index has no row."""
        return self.figures.get((group, window), {}).get(region)

    def windows_with_figures(self) -> set[str]:
        """Return the codes of the windows in which any region has an estimate."""
        return {
            window
            for (_, window), found in self.figures.items()
            if any(figure.estimate is not None for figure in found.values())
        }


def release_shown(release: Release) -> ReleaseShown:
    """Return what the files of a release say for its page. No query; the files are read once in each process.

    Raises :class:`FilesAway` where the files are not there, or are not as they should be.
    """
    try:
        return _read(folder_of(release), release.sha256)
    except ValueError as fault:
        raise FilesAway(f"release {release.version} cannot be shown: {fault}") from fault


def released_cells(release: Release) -> list[ReleasedCell]:
    """Return the grid cells of the release's own season with their effort, by region and code. One query."""
    found = release.cells.filter(season_id=release.season_id).select_related("region")
    return list(found.order_by("region__position", "region__code", "cell_code"))


@lru_cache(maxsize=8)
def _read(folder: Path, sha256: str) -> ReleaseShown:
    # The checksum is part of the key: another release under the same number, as tests have them, is read anew.
    facts = read_facts(folder)
    seasons = read_table(folder, SEASONS, ("season", "opens_on", "closes_on")).to_pylist()
    season = next(row for row in seasons if row["season"] == facts.season)
    return ReleaseShown(
        facts=facts,
        opens_on=season["opens_on"],
        closes_on=season["closes_on"],
        period=f"{min(row['opens_on'] for row in seasons)}/{max(row['closes_on'] for row in seasons)}",
        regions=_listed(folder, REGIONS, "region", facts.season),
        groups=_listed(folder, GROUPS, "group", facts.season),
        windows=_windows(folder, facts.season),
        figures=_figures(folder, facts.season),
        exclusions=tuple(
            LeftAside(Exclusion(row["reason"]), row["returns"])
            for row in _rows(folder, EXCLUSIONS, ("season", "reason", "returns"), facts.season)
        ),
        review=_review(facts.review) if facts.review else None,
    )


def _review(frozen: Mapping[str, Any]) -> ReviewQuality:
    return ReviewQuality(
        agreement=Agreement(**frozen["agreement"]),
        wrong=WrongShare(**frozen["wrong"]),
        strata=tuple(Stratum(**row) for row in frozen["strata"]),
        waiting=frozen["waiting"],
        corrected=frozen["corrected"],
    )


def _rows(folder: Path, table: Table, columns: tuple[str, ...], season: str) -> list[dict[str, Any]]:
    return [row for row in read_table(folder, table, columns).to_pylist() if row["season"] == season]


def _listed(folder: Path, table: Table, code: str, season: str) -> tuple[Listed, ...]:
    rows = sorted(_rows(folder, table, ("season", "position", code, "name"), season), key=lambda row: row["position"])
    return tuple(Listed(row[code], row["name"]) for row in rows)


def _windows(folder: Path, season: str) -> tuple[ListedWindow, ...]:
    columns = ("season", "position", "window", "name", "first_day", "last_day")
    rows = sorted(_rows(folder, WINDOWS, columns, season), key=lambda row: row["position"])
    return tuple(ListedWindow(row["window"], row["name"], row["first_day"], row["last_day"]) for row in rows)


def _figures(folder: Path, season: str) -> dict[tuple[str, str], dict[str, Figure]]:
    found: dict[tuple[str, str], dict[str, Figure]] = {}
    for row in _rows(folder, INDEX_LEVEL, INDEX_LEVEL.names, season):
        if row["rim_exponent"] == 1:  # the published index; 0 is the sensitivity run
            found.setdefault((row["group"], row["window"]), {})[row["region"]] = _figure(row)
    return found


def _figure(row: dict[str, Any]) -> Figure:
    return Figure(
        region=row["region"],
        label=IndexLabel(row["label"]),
        estimate=row["estimate"],
        low=row["low"],
        high=row["high"],
        sites=row["sites"],
        returns=row["returns"],
        trap_nights=row["trap_nights"],
        more_sites_needed=row["more_sites_needed"],
    )
