"""Which gardens enter the rows of a release, and with which place: the cell, the region alone, or not at all.

A released row names its site by a random number that stays the same, so what two releases say of a site adds up. Hence
a place is settled from all that went out before. Gardens are counted as households. Within each region:

1. A cell is shown where k gardens or more stand in it. Cells once shown are *public*: that cannot be taken back.
2. The *rest* are the sites of cells that were never shown. They go out without a cell if they are k gardens or more and
   two candidate cells or more were never shown. Sites that went out with a cell which has fewer gardens now go beside
   them; others in such a cell wait. If all of them are fewer than k gardens, none goes out.
3. Sites that no release has shown wait while they are 1 to k - 1 gardens of their shown cell, or of the rest.
4. A cell is not shown for the first time, and its sites stay in the rest, while that would leave those who went out
   without a cell, now or earlier, in never-shown cells of fewer than k gardens, or in a single such cell.

Why that is enough: nothing here looks at which cell is which. Swap the names of two never-shown cells in the true
world, and every release stays as it was. So a site of a never-shown cell may lie in any of them, and there are two or
more, with k gardens or more that went out; a site in any other cell lies where k gardens were shown.

References: k = 5 is this project's own rule, counted in households (standards notes, C7); the rules are an own
construction, METHODS.md, section "Rows of a release".
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Hashable, Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from shapely import make_valid
from shapely.geometry import shape

from surveys.methods.disclosure import FEWEST_SITES
from surveys.methods.garden_squares import cells_of, frame_of
from surveys.vocabulary import Exclusion

#: Share of a cell that must lie in a region before a garden of the region can be thought to lie in the cell.
LEAST_SHARE = 0.05  # planning value, about 4 km2: a sliver at the border hides nobody


@dataclass(frozen=True, slots=True)
class SitePlace:
    """Where a site lies. ``household`` is whoever keeps it, or None where each site counts as a garden of its own."""

    site: str
    region: str
    cell: str
    household: Hashable = None

    @property
    def garden(self) -> Hashable:
        """What the site is counted as."""
        return self.site if self.household is None else ("household", self.household)


@dataclass(frozen=True, slots=True)
class ShownPlace:
    """What earlier releases, withdrawn ones too, told of a site: its region, and its cell if any of them showed it."""

    region: str
    cell: str | None


@dataclass(frozen=True, slots=True)
class Place:
    """What a release says of a site: region and cell, region alone, or nothing, for a ``reason``."""

    region: str
    cell: str | None
    reason: Exclusion | None = None


@dataclass(slots=True)
class RegionSites:
    """The sites of one region, as its places are settled.

    ``here`` contribute by cell; ``hidden`` went out without a cell; ``lost`` of those are stored no more;
    ``candidates`` are cells that may hold a garden, ``public`` those that were shown.
    """

    region: str
    candidates: frozenset[str]
    here: dict[str, list[SitePlace]] = field(default_factory=lambda: defaultdict(list))
    hidden: list[SitePlace] = field(default_factory=list)
    public: set[str] = field(default_factory=set)
    lost: int = 0


@dataclass(frozen=True, slots=True)
class Settled:
    """One way to settle a region: the place of each site, and what it means for those without a cell."""

    places: Mapping[str, Place]
    shown: Mapping[str, tuple[SitePlace, ...]]
    safe: bool


def plan_rows(
    sites: Iterable[SitePlace],
    *,
    known: Mapping[str, ShownPlace] | None = None,
    absent: Iterable[SitePlace] = (),
    candidates: Mapping[str, Collection[str]] | None = None,
    fewest: int = FEWEST_SITES,
) -> Mapping[str, Place]:
    """Settle which sites enter the rows of a release, and with which place.

    Parameters: ``sites`` that have rows, each once; ``known``: what earlier releases told, by site; ``absent``: known
    sites that have no rows now and are still stored; ``candidates``: cells of each region that may hold a garden (see
    :func:`candidate_cells`), where not given only those in which a site lies, which is stricter; ``fewest``: k.
    Returns: the place of each of ``sites``. Raises: ValueError with a sentence for a site that is there twice and for
    k below 2. References: module docstring.
    """
    here, away = tuple(sites), tuple(absent)
    _refuse_misfits(here, away, fewest)
    told = known or {}
    places: dict[str, Place] = {}
    for region in _by_region(here, away, told, candidates):
        places.update(settle_region(region, told, fewest).places)
    return MappingProxyType(places)


def candidate_cells(boundary: Mapping[str, Any]) -> frozenset[str]:
    """Return the codes of the cells that may hold a garden of a region: all but slivers at its border.

    Parameters: ``boundary``, a GeoJSON geometry in degrees WGS 84. Raises: nothing. References: own construction.
    """
    region = make_valid(shape(dict(boundary)))
    frames = ((cell.code, frame_of(cell)) for _, cell in cells_of(boundary))
    return frozenset(code for code, frame in frames if region.intersection(frame).area >= LEAST_SHARE * frame.area)


def settle_region(region: RegionSites, known: Mapping[str, ShownPlace], k: int) -> Settled:
    """Settle the places of one region; cells that would give others away are not shown yet.

    One cell, the one with the fewest gardens, is enough: its gardens are k or more and stay in the rest. Where even
    that does not help, because candidate cells have changed, no cell is shown for the first time.
    """
    settled = settle_places(region, known, k, frozenset())
    fresh = {cell: rows for cell, rows in settled.shown.items() if cell not in region.public}
    for unshown in () if settled.safe or not fresh else (frozenset({_smallest(fresh)}), frozenset(fresh)):
        settled = settle_places(region, known, k, unshown)
        if settled.safe:
            break
    return settled


def _smallest(cells: Mapping[str, tuple[SitePlace, ...]]) -> str:
    """Return the cell with fewest gardens. A tie is broken by sites: to look at names of cells would tell of them."""
    return min(cells, key=lambda cell: (gardens(cells[cell]), min(row.site for row in cells[cell])))


def settle_places(region: RegionSites, known: Mapping[str, ShownPlace], k: int, unshown: frozenset[str]) -> Settled:
    """Settle the places of one region, where the cells ``unshown`` must not be shown."""
    places: dict[str, Place] = {}
    shown: dict[str, tuple[SitePlace, ...]] = {}
    rest: list[SitePlace] = []
    for cell, rows in region.here.items():
        full = cell not in unshown and gardens(rows) >= k
        stay, wait = part_newcomers(rows, known, k) if full else (rows, [])
        _enter(places, wait, None, Exclusion.NEW_SITE)
        if full and gardens(stay) >= k:
            shown[cell] = tuple(stay)
            _enter(places, stay, cell)
        else:
            rest.extend(stay)
    never_shown = region.candidates - region.public - shown.keys()
    went_out = _settle_rest(region, rest, known, k, places=places, hideable=len(never_shown) > 1)
    left = [row for row in (*region.hidden, *went_out) if row.cell not in region.public and row.cell not in shown]
    return Settled(places, shown, is_safe(left, region.lost, len(never_shown), k))


def is_safe(left: Collection[SitePlace], lost: int, cells: int, k: int) -> bool:
    """Say whether those who went out without a cell stay hidden.

    Parameters: ``left``, those who lie in never-shown cells; ``lost``, how many more may lie there; ``cells``, how many
    such cells there are; ``k``. Returns: bool. Raises: nothing. References: module docstring, rule 4.
    """
    if not left:
        return not lost or cells != 1
    return cells > 1 and gardens(left) >= k


def _settle_rest(
    region: RegionSites,
    rest: list[SitePlace],
    known: Mapping[str, ShownPlace],
    k: int,
    *,
    places: dict[str, Place],
    hideable: bool,
) -> list[SitePlace]:
    """Settle the sites that show no cell; return those of never-shown cells that go out."""
    hidden = [row for row in rest if row.cell not in region.public]
    fallen = [row for row in rest if row.cell in region.public]
    beside = [row for row in fallen if row.site in known and known[row.site].cell is not None]
    _enter(places, [row for row in fallen if row.site in known], None, Exclusion.FEW_SITES)
    _enter(places, [row for row in fallen if row.site not in known], None, Exclusion.NEW_SITE)
    stay, wait = part_newcomers(hidden, known, k)
    enough = gardens([*stay, *beside]) >= k
    _enter(places, wait, None, Exclusion.NEW_SITE if enough else Exclusion.FEW_SITES)
    if not hideable or gardens(stay) < k:
        _enter(places, stay, None, Exclusion.FEW_SITES)
        stay = []
    if gardens([*stay, *beside]) >= k:
        _enter(places, [*stay, *beside], None)
    return stay


def part_newcomers(
    rows: Collection[SitePlace], known: Mapping[str, ShownPlace], k: int
) -> tuple[list[SitePlace], list[SitePlace]]:
    """Part the sites of a stratum into those that may stay and those that wait: newcomers of 1 to k - 1 gardens."""
    fresh = [row for row in rows if row.site not in known]
    if gardens(fresh) >= k or not fresh:
        return list(rows), []
    return [row for row in rows if row.site in known], fresh


def gardens(rows: Iterable[SitePlace]) -> int:
    """Count the gardens of some sites: several sites of one household are one."""
    return len({row.garden for row in rows})


def _enter(
    places: dict[str, Place], rows: Iterable[SitePlace], cell: str | None, reason: Exclusion | None = None
) -> None:
    places.update((row.site, Place(row.region, cell, reason)) for row in rows)


def _by_region(
    here: Iterable[SitePlace],
    absent: Iterable[SitePlace],
    known: Mapping[str, ShownPlace],
    candidates: Mapping[str, Collection[str]] | None,
) -> Iterable[RegionSites]:
    """Sort sites and what was told of them by region."""
    here, absent = tuple(here), tuple(absent)
    if candidates is None:
        lying = ((row.region, row.cell) for row in (*here, *absent))
        candidates = _gathered([*lying, *((one.region, one.cell) for one in known.values() if one.cell is not None)])
    found = {
        region: RegionSites(region, frozenset(candidates.get(region, ())))
        for region in sorted({row.region for row in here})
    }
    for row in here:
        found[row.region].here[row.cell].append(row)
    without_cell = Counter(one.region for one in known.values() if one.cell is None)
    for row in (*here, *absent):
        if row.region in found and row.site in known and known[row.site].cell is None:
            found[row.region].hidden.append(row)
    for one in known.values():
        if one.region in found and one.cell is not None:
            found[one.region].public.add(one.cell)
    for region in found.values():
        region.lost = max(without_cell[region.region] - len(region.hidden), 0)
    return found.values()


def _gathered(pairs: Iterable[tuple[str, str]]) -> dict[str, set[str]]:
    found: dict[str, set[str]] = defaultdict(set)
    for key, value in pairs:
        found[key].add(value)
    return found


def _refuse_misfits(here: Collection[SitePlace], absent: Collection[SitePlace], k: int) -> None:
    """Refuse a site that is there twice, and k below 2."""
    if k < 2:  # one garden is never enough
        raise ValueError(f"Fewest gardens of a published place: found {k}, expected 2 or more.")
    times = Counter(row.site for row in (*here, *absent))
    twice = sorted(site for site, number in times.items() if number > 1)
    if twice:
        raise ValueError(f"Found the site {twice[0]} twice, expected each once, with rows or without.")
