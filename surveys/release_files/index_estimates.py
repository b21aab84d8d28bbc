"""The index series of a release: levels of every season and the change to its own, from its frozen tables alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from surveys.methods import METHOD_VERSION
from surveys.methods.change_records import ChangeSettings
from surveys.methods.change_temperature import ChangeSideBySide
from surveys.methods.level_records import LevelResult, LevelSettings, SharedParts
from surveys.methods.season_change import SeasonReturns, SeveralSeasons
from surveys.methods.season_change_figures import (
    ChangeFigure,
    change_figures,
    change_of_group,
    describe_change,
    with_many_adjusted,
)
from surveys.methods.season_frame import CatchFrame, LevelRows, SeasonList
from surveys.methods.season_index import (
    RIM_EXPONENTS,
    LevelFigure,
    describe_components,
    estimate_group,
    level_figures,
)
from surveys.methods.side_by_side import results_in_order
from surveys.release_files.facts import Facts, read_facts
from surveys.release_files.index_frames import read_frames
from surveys.release_files.index_lists import ReleasedSeason, read_seasons, seasons_before
from surveys.release_files.tables import INDEX_CHANGE, INDEX_LEVEL, Table
from surveys.release_files.writing import write_json, write_rows

SETTINGS = "index_settings.json"
#: Returns that groups worked on at the same time may have together: beyond it one group at a time, to save memory.
AT_ONCE = 400_000

Row = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class IndexSeries:
    """The rows of both index tables in the order of their keys, and what they were computed with."""

    level: list[Row]
    change: list[Row]
    settings: dict[str, Any]

    def rows_of(self, table: Table) -> list[Row]:
        """Return the rows of one of the two tables."""
        return self.level if table is INDEX_LEVEL else self.change

    def write(self, folder: Path) -> None:
        """Write both tables and the settings into a folder."""
        for table in (INDEX_LEVEL, INDEX_CHANGE):
            write_rows(folder, table, self.rows_of(table))
        write_json(folder / SETTINGS, self.settings)


@dataclass(frozen=True, slots=True)
class _Levels:
    """What the level fit of a season found: figures, components of each group, and what all cells of it share."""

    figures: list[LevelFigure]
    components: dict[str, Any]
    shared: dict[str, SharedParts | None]


def compute_index_series(folder: Path) -> IndexSeries:
    """Compute the index series from the frozen tables and the facts of a release.

    The same files give the same figures to the last digit, whatever the order of their rows and the number of
    processors. Raises ValueError with a sentence where a table is missing or does not hold what it should.
    """
    facts = read_facts(folder)
    seasons = read_seasons(folder)
    latest = _latest(seasons, facts)
    before = seasons_before(seasons, latest)
    read = read_frames(folder, seasons, (*before, latest))
    chosen = LevelSettings(guard_seed=facts.seed)
    levels = {one.code: _estimate_levels(read.frames[one.code], one.lists, chosen) for one in seasons}
    compared = None
    if before:
        earlier = [SeasonReturns(one.lists, read.frames[one.code]) for one in before]
        compared = SeveralSeasons(SeasonReturns(latest.lists, read.frames[latest.code]), earlier, read.returning)
        del earlier
    del read  # a change has rows of its own
    figures, described = _estimate_changes(compared, levels[latest.code].shared, chosen)
    return IndexSeries(
        level=sorted(
            (row for one in seasons for row in _level_rows(one.lists, levels[one.code].figures)),
            key=lambda row: row[:5],
        ),
        change=sorted(_change_rows(latest.lists, figures, described), key=lambda row: row[:5]),
        settings=_settings(facts, chosen, {code: one.components for code, one in levels.items()}, before, described),
    )


def _latest(seasons: Sequence[ReleasedSeason], facts: Facts) -> ReleasedSeason:
    for one in seasons:
        if one.code == facts.season:
            return one
    codes = ", ".join(one.code for one in seasons) or "none"
    raise ValueError(f"release.json is of the season {facts.season!r}, but seasons.csv lists {codes}.")


def _estimate_levels(frame: CatchFrame, lists: SeasonList, chosen: LevelSettings) -> _Levels:
    """Estimate every group under both rim exponents, as a night does that holds no shared parts."""
    rows = LevelRows(frame, lists)

    def estimate(group: int) -> dict[int, LevelResult]:
        return estimate_group(rows, group, chosen)

    found = _Levels([], {}, {})
    estimated = results_in_order(estimate, range(len(lists.groups)), at_once=_at_once(len(frame)))
    for group, results in enumerate(estimated):
        for exponent, result in results.items():
            found.figures.extend(level_figures(result, lists, group, exponent))
        published = results[RIM_EXPONENTS[0]]
        found.components[lists.groups[group]] = describe_components(published)
        found.shared[lists.groups[group]] = published.shared
    return found


def _estimate_changes(
    seasons: SeveralSeasons | None, shared: Mapping[str, SharedParts | None], level: LevelSettings
) -> tuple[list[ChangeFigure], dict[str, Any]]:
    """Estimate the change of every group that an earlier season has asked for, too; none in a first season."""
    if seasons is None:
        return [], {}
    compared, chosen = seasons, ChangeSettings()
    groups = compared.compared_groups()

    def estimate(group: str) -> ChangeSideBySide:
        return change_of_group(compared, group, shared.get(group), level, chosen)

    figures: list[ChangeFigure] = []
    described: dict[str, Any] = {}
    at_once = _at_once(sum(len(part.frame) for part in compared.parts))
    for group, found in zip(groups, results_in_order(estimate, groups, at_once=at_once), strict=True):
        figures.extend(change_figures(found, compared.lists, group))
        described[group] = describe_change(compared.seasons_of(group), found, chosen)
    return with_many_adjusted(figures), described


def _at_once(returns: int) -> int:
    """Return how many groups of so many returns are worked on at a time; the figures do not depend on it."""
    return max(1, AT_ONCE // max(returns, 1))


def _level_rows(lists: SeasonList, figures: Sequence[LevelFigure]) -> list[Row]:
    return [
        (
            lists.season,
            lists.regions[one.region],
            lists.windows[one.window].code,
            lists.groups[one.group],
            one.rim_exponent,
            str(one.label),
            *(one.estimate, one.low, one.high),
            *(one.sites, one.site_nights, one.returns, one.trap_nights, one.more_sites_needed),
        )
        for one in figures
    ]


def _change_rows(lists: SeasonList, figures: Sequence[ChangeFigure], described: Mapping[str, Any]) -> list[Row]:
    return [
        (
            lists.season,
            lists.regions[one.region],
            lists.windows[one.window].code,
            one.group,
            one.adjusted,
            "|".join(described[one.group]["base"]),
            one.code,
            *(one.ratio, one.low, one.high, one.p_value, one.p_adjusted),
            *(one.revisited_sites, one.effective_sites, one.more_sites_needed),
        )
        for one in figures
    ]


def _settings(
    facts: Facts,
    chosen: LevelSettings,
    components: Mapping[str, Any],
    before: Sequence[ReleasedSeason],
    described: Mapping[str, Any],
) -> dict[str, Any]:
    """Return what the figures were computed with, named as a nightly run names it."""
    return {
        "release": facts.version,
        "season": facts.season,
        "seed": facts.seed,
        "method_version": METHOD_VERSION,
        "rim_exponents": list(RIM_EXPONENTS),
        "level": asdict(chosen),
        "components": dict(components),
        "change": {
            "settings": asdict(ChangeSettings()),
            "earlier": [one.code for one in before],
            "groups": dict(described),
        },
    }
