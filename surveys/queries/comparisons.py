"""What each return was compared with, as one number: where that number is no longer the same, it is screened again.

Screening compares a return with what is usual for its place and with other returns of its site: those received before
it, and later ones of the same night. None of it is a matter of the clock, so a night need not know what happened since
the last one. It works out of what stands now with what each return would be compared, and finds those that were
compared with something else: because a neighbour came, was taken back or set aside, because what is usual has moved,
or because a person was forgotten, and with them a note or the fine place of a trap. All else that screening reads of a
return is never edited. What is usual elsewhere, in rival habitats and on earlier nights of the site, weighs little: it
is read as it is whenever a return is screened, and asks for no screening by itself.

The number is a sum of hashes over the neighbours, so that it does not depend on the order in which rows are read.
References: finaliser of SplitMix64, Steele, Lea & Flood (2014) OOPSLA, 453-472 (constants from memory).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surveys.methods import METHOD_VERSION
from surveys.methods.screening_rank import effort_steps
from surveys.queries.columns import copied_blocks, row_type
from surveys.queries.seasons import SeasonLists
from surveys.queries.usual import Baseline, Floats, Ints, Places, baseline, places_of
from surveys.vocabulary import USABLE_STATES, ReturnState

Hashes = NDArray[np.uint64]

FIRST_DAY = date(2000, 1, 1).toordinal()  # days are counted from here on the way out of the database

_METHOD = np.frombuffer(hashlib.sha256(METHOD_VERSION.encode()).digest()[:8], dtype="<u8")[0]
_BEFORE, _TELLS, _LATER, _OWN = (np.uint64(number) for number in range(1, 5))
_ODD = np.uint64(0x9E3779B97F4A7C15)
_FIRST, _SECOND = np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB)

#: What is read of each return of some sites, with its binary types.
COLUMNS = (
    ("report", ">i8"), ("site", ">i8"), ("region", ">i8"), ("habitat", ">i8"), ("day", ">i4"), ("nights", ">f8"),
    ("noted", ">i4"), ("latitude", ">f8"), ("longitude", ">f8"),
)  # fmt: skip
SELECTED = """r.id, t.site_id, r.region_id, coalesce(r.habitat_id, 0), r.night - DATE '2000-01-01',
       CASE WHEN r.state = ANY(%(usable)s) THEN coalesce(r.trap_nights, 0) ELSE 0 END,
       (r.note <> '')::int, coalesce(place.latitude, 'NaN'), coalesce(place.longitude, 'NaN')"""

_SEASON = row_type([*COLUMNS, ("again", ">i4"), ("ranked", ">i4"), ("compared_with", ">i8")])
_RETURNS = f"""
SELECT {SELECTED},
       (r.state = ANY(%(again)s))::int, (r.rank > 0)::int, r.compared_with
FROM surveys_return r JOIN surveys_trap t ON t.id = r.trap_id
LEFT JOIN surveys_sitepoint place ON place.site_id = t.site_id
WHERE r.season_id = %(season)s AND r.state <> %(withdrawn)s
"""  # noqa: S608
#: Returns that a night may screen again: no person has decided on them.
AGAIN = (ReturnState.STANDING, ReturnState.QUERIED)


@dataclass(frozen=True, slots=True, eq=False)
class OfSites:
    """Every return of some sites that was not taken back: arrays (n,), in any order.

    ``day`` is ordinal; ``nights`` are trap-nights that tell of the site, zero where it is not usable; ``noted`` says
    whether there is a note, ``latitude`` and ``longitude`` where its site is.
    """

    report: Ints
    site: Ints
    day: Ints
    nights: Floats
    noted: Ints
    latitude: Floats
    longitude: Floats
    places: Places


def of_sites(rows: NDArray[Any], lists: SeasonLists) -> OfSites:
    """Return rows that were read as ``COLUMNS`` say, as native columns with their places. No query."""
    whole = {name: rows[name].astype(np.int64) for name in ("report", "site", "region", "habitat", "day", "noted")}
    day = whole["day"] + FIRST_DAY
    return OfSites(
        report=whole["report"],
        site=whole["site"],
        day=day,
        nights=rows["nights"].astype(np.float64),
        noted=whole["noted"],
        latitude=rows["latitude"].astype(np.float64),
        longitude=rows["longitude"].astype(np.float64),
        places=places_of(lists, region=whole["region"], day=day, habitat=whole["habitat"]),
    )


def due_returns(lists: SeasonLists, generation: int) -> Ints:
    """Return the keys of the returns that a night must screen again, site by site. One query."""
    parameters = {
        "season": lists.season.pk,
        "usable": sorted(USABLE_STATES),
        "again": sorted(AGAIN),
        "withdrawn": ReturnState.WITHDRAWN.value,
    }
    blocks = list(copied_blocks(_RETURNS, parameters, _SEASON))
    if not blocks or not sum(map(len, blocks)):
        return np.empty(0, dtype=np.int64)
    found = np.concatenate(blocks)
    del blocks
    returns, usual = of_sites(found, lists), baseline(lists, generation)
    now = comparison_numbers(
        neighbourhood(returns, usual, lists),
        steps_of_effort(usual)[returns.places.region, returns.places.window],
        found["ranked"] == 1,
    )
    due = (found["again"] == 1) & (now != found["compared_with"])
    order = np.lexsort((returns.report[due], returns.site[due]))
    return np.asarray(returns.report[due][order], dtype=np.int64)


def neighbourhood(returns: OfSites, usual: Baseline, lists: SeasonLists) -> Hashes:
    """Return a hash (n,) over what each return is compared with, all but its region's effort. No query."""
    places = returns.places
    since = usual.since[places.cell]
    cell = np.ravel_multi_index(places.cell, usual.since.shape).astype(np.int64)
    own = _mixed(
        _OWN,
        np.full(len(cell), _form(lists)),
        cell,
        since,
        returns.noted,
        returns.latitude.view(np.int64),
        returns.longitude.view(np.int64),
    )
    before = _mixed(_BEFORE, returns.report)
    tells = _mixed(_TELLS, returns.report, returns.nights.view(np.int64), cell)  # of earlier nights only
    later = _mixed(_LATER, returns.report)
    order = np.lexsort((returns.report, returns.site))
    own[order] += _sum_before((before + tells)[order], returns.site[order])
    order = np.lexsort((returns.report, returns.day, returns.site))
    own[order] -= _sum_before(tells[order], np.stack([returns.site[order], returns.day[order]]))
    order = order[::-1]
    own[order] += _sum_before(later[order], np.stack([returns.site[order], returns.day[order]]))
    return own


def _form(lists: SeasonLists) -> int:
    """Return a number that changes with the groups of a season and with what a cup holds of each."""
    listed = ",".join(f"{group.pk} {group.ceiling}" for group in lists.groups)
    return int.from_bytes(hashlib.sha256(listed.encode()).digest()[:8], "little", signed=True)


def steps_of_effort(usual: Baseline) -> Ints:
    """Return the effort (R, W) that ranks are compared with, in steps."""
    return effort_steps(usual.nights.sum(axis=2))


def comparison_numbers(hashes: Hashes, steps: Ints, ranked: NDArray[np.bool_]) -> Ints:
    """Return the number (n,) that is kept with a return. Effort matters only to those that have a rank."""
    return np.asarray(_mixed(_OWN, hashes.view(np.int64), np.where(ranked, steps, -1)).view(np.int64), dtype=np.int64)


def _sum_before(values: Hashes, of: Ints) -> Hashes:
    """Return the sum (n,) of the values that stand before each in its run of equal ``of`` (n,) or (m, n)."""
    sums = np.cumsum(values, dtype=np.uint64) - values
    keys = np.atleast_2d(of)
    begins = np.concatenate([[True], (keys[:, 1:] != keys[:, :-1]).any(axis=0)])
    first = np.maximum.accumulate(np.where(begins, np.arange(len(values)), 0))
    return np.asarray(sums - sums[first], dtype=np.uint64)


def _mixed(kind: np.uint64, *columns: Ints) -> Hashes:
    """Return a hash (n,) over some columns, one after the other."""
    found: Any = np.full(len(columns[0]), _METHOD ^ kind, dtype=np.uint64)
    for column in columns:
        found = found * _ODD + np.ascontiguousarray(column, dtype=np.int64).view(np.uint64)
        found = (found ^ (found >> np.uint64(30))) * _FIRST
        found = (found ^ (found >> np.uint64(27))) * _SECOND
        found = found ^ (found >> np.uint64(31))
    return np.asarray(found, dtype=np.uint64)
