"""The index series of a release: levels of every season and the change to its own, from its frozen tables alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, TypeVar

from surveys.methods import METHOD_VERSION
from surveys.methods.change_records import ChangeSettings
from surveys.methods.level_records import LevelSettings, SharedParts
from surveys.methods.season_change_figures import ChangeFigure, with_many_adjusted
from surveys.methods.season_frame import SeasonList
from surveys.methods.season_index import RIM_EXPONENTS, LevelFigure, describe_components, level_figures
from surveys.methods.side_by_side import results_in_order
from surveys.release_files.facts import Facts, read_facts
from surveys.release_files.index_apart import apart
from surveys.release_files.index_changes import ChangePart, find_change
from surveys.release_files.index_columns import Columns
from surveys.release_files.index_frames import ReadingPart, read_columns
from surveys.release_files.index_levels import LevelPart, find_level
from surveys.release_files.index_lists import ReleasedSeason, read_seasons, seasons_before
from surveys.release_files.reading import csv_path
from surveys.release_files.tables import COUNTS, INDEX_CHANGE, INDEX_LEVEL, RETURNS, Table
from surveys.release_files.writing import write_json, write_rows

SETTINGS = "index_settings.json"
#: Returns that groups worked on at the same time may have together: beyond it one group at a time, to save memory.
AT_ONCE = 400_000
#: Bytes of returns.csv and counts.csv, of some hundred thousand returns: beyond it each part has a process of its own,
#: which gives its memory back. Below it the second that a process takes to begin would be most of the work.
APART_FROM_BYTES = 100_000_000

Row = tuple[Any, ...]
Given = TypeVar("Given")
Found = TypeVar("Found")


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

    The same files give the same figures to the last digit, whatever the order of their rows, the number of
    processors, and whether processes of their own do the parts of it. Raises ValueError with a sentence where a table
    is missing or does not hold what it should.
    """
    facts = read_facts(folder)
    seasons = read_seasons(folder)
    latest = _latest(seasons, facts)
    before = seasons_before(seasons, latest)
    chosen = LevelSettings(guard_seed=facts.seed)
    with TemporaryDirectory(prefix="trapnight-index-") as made:
        parts = _Parts(Columns(Path(made)), apart=_size(folder) > APART_FROM_BYTES)
        returns = parts.do(read_columns, [ReadingPart(folder, seasons, (*before, latest), parts.columns)], at_once=1)[0]
        levels = {
            one.code: _estimate_levels(parts, number, one.lists, chosen, at_once=_at_once(returns[number]))
            for number, one in enumerate(seasons)
        }
        compared = {number: one.lists for number, one in enumerate(seasons) if one in (*before, latest)}
        at_once = _at_once(sum(returns[number] for number in compared))
        figures, described = _estimate_changes(parts, compared, levels[latest.code].shared, chosen, at_once=at_once)
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


def _size(folder: Path) -> int:
    """Return the bytes of the two long tables, as far as they are there."""
    paths = [csv_path(folder, table) for table in (RETURNS, COUNTS)]
    return sum(path.stat().st_size for path in paths if path.is_file())


@dataclass(frozen=True, slots=True)
class _Parts:
    """Does parts that read their columns, some at a time: in this process, or each in a process of its own."""

    columns: Columns
    apart: bool

    def do(self, work: Callable[[Given], Found], given: Sequence[Given], *, at_once: int) -> list[Found]:
        return list(results_in_order(apart(work) if self.apart else work, given, at_once=at_once))


def _estimate_levels(parts: _Parts, season: int, lists: SeasonList, chosen: LevelSettings, *, at_once: int) -> _Levels:
    """Estimate every group of a season."""
    found = _Levels([], {}, {})
    given = [LevelPart(parts.columns, season, lists, group, chosen) for group in range(len(lists.groups))]
    for group, results in enumerate(parts.do(find_level, given, at_once=at_once)):
        for exponent, result in results.items():
            found.figures.extend(level_figures(result, lists, group, exponent))
        published = results[RIM_EXPONENTS[0]]
        found.components[lists.groups[group]] = describe_components(published)
        found.shared[lists.groups[group]] = published.shared
    return found


def _estimate_changes(
    parts: _Parts,
    compared: Mapping[int, SeasonList],
    shared: Mapping[str, SharedParts | None],
    level: LevelSettings,
    *,
    at_once: int,
) -> tuple[list[ChangeFigure], dict[str, Any]]:
    """Estimate the change of every group that an earlier season has asked for, too; none in a first season.

    ``compared`` are the lists of the seasons by number, the latest last.
    """
    *_, latest = compared.values()
    asking = {
        group: {number: lists for number, lists in compared.items() if group in lists.groups} for group in latest.groups
    }
    given = [
        ChangePart(parts.columns, seasons, group, shared.get(group), level, ChangeSettings())
        for group, seasons in asking.items()
        if len(seasons) > 1
    ]
    found = parts.do(find_change, given, at_once=at_once)
    described = {part.group: one.described for part, one in zip(given, found, strict=True)}
    return with_many_adjusted([figure for one in found for figure in one.figures]), described


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
