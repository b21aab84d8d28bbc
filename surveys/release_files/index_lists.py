"""The seasons of a release with their lists, as the methods of the index read them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from surveys.methods.season_frame import ListedWindow, SeasonList
from surveys.release_files.reading import table_batches
from surveys.release_files.tables import GROUPS, HABITATS, REGIONS, SEASONS, WINDOWS, Table

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class ReleasedSeason:
    """A season of a release: what it asks about, its first day, and whether its returns are invented."""

    lists: SeasonList
    opens_on: date
    invented: bool

    @property
    def code(self) -> str:
        """The code of the season."""
        return self.lists.season


def read_seasons(folder: Path) -> tuple[ReleasedSeason, ...]:
    """Return the seasons of a release in time order, those of one day by their code.

    Raises ValueError with a sentence where a list is missing or empty, or names something twice.
    """
    rows = sorted(_rows(folder, SEASONS), key=lambda row: (row["opens_on"], row["season"]))
    codes = [str(row["season"]) for row in rows]
    refuse_twice(codes, "season", "seasons.csv")
    lists = {table: _by_season(folder, table, codes) for table in (REGIONS, GROUPS, HABITATS, WINDOWS)}
    return tuple(
        ReleasedSeason(
            lists=_season_list(code, {table: rows_of[code] for table, rows_of in lists.items()}),
            opens_on=row["opens_on"],
            invented=row["invented"],
        )
        for code, row in zip(codes, rows, strict=True)
    )


def seasons_before(seasons: Sequence[ReleasedSeason], latest: ReleasedSeason) -> list[ReleasedSeason]:
    """Return the seasons opened before the latest one that share a region and a group with it, oldest first.

    What is invented tells nothing of what is not, so that both are never compared.
    """
    return [
        one
        for one in seasons
        if one.opens_on < latest.opens_on
        and one.invented == latest.invented
        and set(one.lists.regions) & set(latest.lists.regions)
        and set(one.lists.groups) & set(latest.lists.groups)
    ]


def refuse_twice(codes: Sequence[str], what: str, where: str) -> None:
    """Raise ValueError with a sentence where a code stands there twice."""
    twice = sorted({code for code in codes if codes.count(code) > 1})
    if twice:
        raise ValueError(f"{where} has the {what} {twice[0]!r} twice. Each may stand there once.")


def refuse_empty(row: Row, table: Table) -> None:
    """Raise ValueError with a sentence where a row has no value that it must have."""
    for column in table.columns:
        if column.required and column.name in row and row[column.name] is None:
            raise ValueError(f"{table.name}.csv has a row without {column.name}, which may not be empty: {dict(row)}.")


def _rows(folder: Path, table: Table) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = [row for batch in table_batches(folder, table) for row in batch.to_pylist()]
    for row in rows:
        refuse_empty(row, table)
    return rows


def _by_season(folder: Path, table: Table, codes: Sequence[str]) -> dict[str, list[dict[str, Any]]]:
    """Return the rows of a list by season, in the order of their positions."""
    found: dict[str, list[dict[str, Any]]] = {code: [] for code in codes}
    for row in sorted(_rows(folder, table), key=lambda row: int(row["position"])):
        if row["season"] not in found:
            raise ValueError(f"{table.name}.csv speaks of the season {row['season']!r}, which is not in seasons.csv.")
        found[row["season"]].append(row)
    for code, rows in found.items():
        where = f"{table.name}.csv, season {code}"
        if not rows:
            raise ValueError(f"{table.name}.csv has no row for the season {code!r}. Every season has one at least.")
        refuse_twice([str(row["position"]) for row in rows], "position", where)
        refuse_twice([row[_CODED[table]] for row in rows], _CODED[table], where)
    return found


#: The column that holds the codes of a list.
_CODED = {REGIONS: "region", GROUPS: "group", HABITATS: "habitat", WINDOWS: "window"}


def _season_list(code: str, rows: Mapping[Table, list[dict[str, Any]]]) -> SeasonList:
    codes = {table: tuple(row[_CODED[table]] for row in listed) for table, listed in rows.items()}
    weights = tuple(float(row["weight"]) for row in rows[HABITATS])
    if not (all(0 <= weight < float("inf") for weight in weights) and sum(weights) > 0):
        raise ValueError(
            f"habitats.csv gives the season {code!r} the weights {weights}; expected zero or more, and one above zero."
        )
    return SeasonList(
        season=code,
        groups=codes[GROUPS],
        habitats=codes[HABITATS],
        weights=weights,
        regions=codes[REGIONS],
        windows=tuple(ListedWindow(row["window"], row["first_day"], row["last_day"]) for row in rows[WINDOWS]),
    )
