"""The two upper levels of events: every site in each season, and the seasons, each around all that lies below it.

Humboldt extension, "Properties of hierarchical events" 3.2.1: a parent event encompasses its children in space and
time. That must also hold after places were coarsened: a site has a cell only if all its returns show that cell.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pyarrow as pa
import pyarrow.compute as pc

from surveys.methods.geography import CELL_DEG
from surveys.release_files.darwin_columns import Column, in_slices, where
from surveys.release_files.darwin_lists import SeasonRow
from surveys.release_files.reading import table_batches
from surveys.release_files.tables import RETURNS

_CENTRE = ("cell_latitude", "cell_longitude", "cell_uncertainty_m")
_READ = ("season", "region", "site_id", "cell", *_CENTRE, "set_at", "emptied_at")
#: How each column is folded. Folding what is folded already changes nothing.
_FOLDS = {
    "first": "min",
    "last": "max",
    "hidden": "max",
    "cell": "min",
    "cell_max": "max",
    "region": "min",
    "region_max": "max",
}
_ROWS_BEFORE_FOLDING = 100_000


class Codes:
    """Numbers for texts of which there are few: half a million sites then fit in a few tens of megabytes."""

    def __init__(self, words: Iterable[str] = ()) -> None:
        self.words = list(words)
        self._known = set(self.words)

    def numbers(self, words: Column) -> Column:
        """Return the number of each text; a new text gets the next one; null for null."""
        for word in pc.unique(words).to_pylist():
            if word is not None and word not in self._known:
                self._known.add(word)
                self.words.append(word)
        return pc.index_in(words, value_set=self._array())

    def texts(self, numbers: Column) -> Column:
        """Return the text of each number."""
        return self._array().take(numbers)

    def _array(self) -> pa.Array:
        return pa.array(self.words, pa.string())


@dataclass(frozen=True, slots=True)
class Box:
    """West, east, north and south of a place, in degrees."""

    west: float
    east: float
    north: float
    south: float


@dataclass(slots=True)
class Sites:
    """Every site in each season, by season and site: when it was open, and what it shows of its place.

    ``rows`` hold numbers instead of texts; :meth:`tables` gives the texts back. ``centres`` are latitude, longitude and
    uncertainty of each cell that is shown.
    """

    seasons: Codes
    regions: Codes = field(default_factory=Codes)
    cells: Codes = field(default_factory=Codes)
    centres: dict[str, tuple[float, float, int]] = field(default_factory=dict)
    rows: pa.Table | None = None

    def tables(self) -> Iterator[pa.Table]:
        """Yield season, site_id, first, last, region and cell, in small tables.

        ``first`` and ``last`` enclose the site's exposures. Region and cell are null where its returns do not all show
        the same one.
        """
        for rows in in_slices([] if self.rows is None else [self.rows]):
            one_cell = pc.and_(pc.invert(rows["hidden"]), pc.equal(rows["cell"], rows["cell_max"]))
            one_region = pc.equal(rows["region"], rows["region_max"])
            yield pa.table(
                {
                    "season": self.seasons.texts(rows["season"]),
                    "site_id": rows["site_id"],
                    "first": rows["first"],
                    "last": rows["last"],
                    "region": where(one_region, self.regions.texts(rows["region"])),
                    "cell": where(one_cell, self.cells.texts(rows["cell"])),
                }
            )

    def open_during(self, season: str) -> tuple[datetime, datetime] | None:
        """Return when the first trap of a season was set and the last one emptied; None without returns."""
        if self.rows is None or season not in self.seasons.words:
            return None
        rows = self.rows.filter(pc.equal(self.rows["season"], self.seasons.words.index(season)))
        return (pc.min(rows["first"]).as_py(), pc.max(rows["last"]).as_py()) if len(rows) else None

    def box(self) -> Box | None:
        """Return the box around all cells that are shown, or None where none is."""
        if not self.centres:
            return None
        latitudes, longitudes, _ = zip(*self.centres.values(), strict=True)
        half = CELL_DEG / 2
        return Box(min(longitudes) - half, max(longitudes) + half, max(latitudes) + half, min(latitudes) - half)


def sites_in_seasons(folder: Path, seasons: Iterable[str]) -> Sites:
    """Read every site in each season from the returns of a release.

    Raises ValueError where a cell stands in two places.
    """
    sites = Sites(Codes(sorted(seasons)))
    waiting: list[pa.Table] = []
    for returns in in_slices(table_batches(folder, RETURNS, _READ)):
        _take_centres(sites, returns)
        waiting.append(_unfolded(sites, returns))
        if sum(len(one) for one in waiting[1:]) >= _ROWS_BEFORE_FOLDING:
            waiting = [_folded(waiting)]
    if waiting:
        sites.rows = _folded(waiting).sort_by([("season", "ascending"), ("site_id", "ascending")])
    return sites


def _take_centres(sites: Sites, returns: pa.Table) -> None:
    shown = returns.select(["cell", *_CENTRE]).group_by(["cell", *_CENTRE], use_threads=False).aggregate([])
    for row in shown.to_pylist():
        cell, centre = row["cell"], (row["cell_latitude"], row["cell_longitude"], row["cell_uncertainty_m"])
        if cell is not None and sites.centres.setdefault(cell, centre) != centre:
            raise ValueError(
                f"In returns.csv the cell {cell} stands at {sites.centres[cell]} and at {centre} (latitude, longitude, "
                "uncertainty). A cell has one centre: freeze the tables again."
            )


def _unfolded(sites: Sites, returns: pa.Table) -> pa.Table:
    cell, region = sites.cells.numbers(returns["cell"]), sites.regions.numbers(returns["region"])
    return pa.table(
        {
            "season": sites.seasons.numbers(returns["season"]),
            "site_id": returns["site_id"],
            "first": returns["set_at"],
            "last": returns["emptied_at"],
            "hidden": pc.is_null(cell),
            "cell": cell,
            "cell_max": cell,
            "region": region,
            "region_max": region,
        }
    )


def _folded(tables: list[pa.Table]) -> pa.Table:
    found = pa.concat_tables(tables).group_by(["season", "site_id"], use_threads=False).aggregate(list(_FOLDS.items()))
    return found.rename_columns({f"{name}_{how}": name for name, how in _FOLDS.items()})


@dataclass(frozen=True, slots=True)
class SeasonSpan:
    """The whole local days of a season, and the instants at which they begin and end; the end itself is outside."""

    first_day: date
    last_day: date
    begins: datetime
    ends: datetime

    @property
    def days(self) -> int:
        """How many local days it has."""
        return (self.last_day - self.first_day).days + 1


def season_span(season: SeasonRow, sites: Sites) -> SeasonSpan:
    """Return the local days of a season, made longer where a trap was open before its first or after its last one.

    A trap that is set on the last evening is emptied on the day after.
    """
    zone = ZoneInfo(season.time_zone)
    first_day, last_day = season.opens_on, season.closes_on
    open_during = sites.open_during(season.code)
    if open_during is not None:
        first_day = min(first_day, open_during[0].astimezone(zone).date())
        # An interval does not hold its own end: what ends at midnight ends with the day before.
        last_day = max(last_day, (open_during[1] - timedelta(seconds=1)).astimezone(zone).date())
    return SeasonSpan(first_day, last_day, _midnight(first_day, zone), _midnight(last_day + timedelta(days=1), zone))


def _midnight(day: date, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, time(), zone).astimezone(UTC)
