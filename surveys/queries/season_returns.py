"""Every usable return of a season, read from PostgreSQL into arrays."""

from __future__ import annotations

import hashlib
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surveys.methods.season_frame import OPEN, UNANSWERED, CatchFrame, number_site_nights, order_in_frame
from surveys.queries.columns import copied_blocks, row_type
from surveys.queries.returns import corrected_bounds
from surveys.queries.seasons import SeasonLists
from surveys.vocabulary import USABLE_STATES, HouseholdKind, Standing

FIRST_DAY = date(2000, 1, 1)  # days are counted from here on the way out of the database

#: Columns of a return on the way, with their binary types; the answers of G groups are added behind them.
_COLUMNS = (
    ("report", ">i8"),
    ("uuid", "V16"),
    ("version", ">i4"),
    ("sender", ">i8"),
    ("region", ">i8"),
    ("habitat", ">i8"),
    ("site", ">i8"),
    ("day", ">i4"),
    ("used", ">i4"),
    ("trap_nights", ">f8"),
    ("rim_ratio", ">f8"),
    ("settling", ">i4"),
    ("temp_max_c", ">f8"),
    ("temp_min_c", ">f8"),
    ("school", ">i4"),
)

_RETURNS = """
SELECT r.id, r.uuid, r.version, coalesce(r.sender_id, 0), s.region_id, coalesce(r.habitat_id, 0), s.id,
       r.night - DATE '2000-01-01',
       (r.standing <> %(off)s AND r.trap_nights IS NOT NULL)::int, coalesce(r.trap_nights, 0),
       coalesce(r.rim_ratio, 1), coalesce(r.fresh::int, -1), coalesce(r.temp_max_c, 'NaN'),
       coalesce(r.temp_min_c, 'NaN'), (h.kind = %(school)s)::int,
       coalesce(p.answers, pack_answers(r.id, %(groups)s::bigint[]))
FROM surveys_return r
JOIN surveys_trap t ON t.id = r.trap_id
JOIN surveys_site s ON s.id = t.site_id
JOIN surveys_household h ON h.id = s.household_id
LEFT JOIN surveys_packedcatch p ON p.report_id = r.id AND p.order_key = %(order_key)s
WHERE r.season_id = %(season)s AND r.state = ANY(%(states)s)
"""


def order_key(lists: SeasonLists) -> int:
    """Return a number that changes with the season's groups or their order. No query."""
    listed = ",".join(str(group.pk) for group in lists.groups)
    return int.from_bytes(hashlib.sha256(listed.encode()).digest()[:8], "big", signed=True)


def read_season(lists: SeasonLists) -> tuple[CatchFrame, str, int]:
    """Return the usable returns with corrections in force, a hash over them, and how many. Three queries.

    The hash is over uuid (16 bytes) and version (4 bytes, high byte first) of every usable return. Returns off
    protocol are in the hash but not in the frame.
    """
    n_groups = len(lists.groups)
    row = row_type([*_COLUMNS, ("answers", f"V{8 * n_groups}")])
    groups = [group.pk for group in lists.groups]
    parameters = {
        "season": lists.season.pk,
        "states": sorted(USABLE_STATES),
        "off": Standing.OFF_PROTOCOL.value,
        "school": HouseholdKind.SCHOOL.value,
        "groups": groups,
        "order_key": order_key(lists),
    }
    with ThreadPoolExecutor(max_workers=1) as beside:  # a block is placed while the next one is still on its way
        placing = [beside.submit(_placed, block, lists) for block in copied_blocks(_RETURNS, parameters, row)]
    parts = [placed.result() for placed in placing]
    columns = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    named = columns.pop("named").astype(_NAME)  # joining arrays turns the bytes of numbers round
    del placing, parts
    _put_corrections(columns, lists, groups)
    return _frame(columns, lists), _digest(named), len(named)


#: How a return and its version are named in the hash of a snapshot.
_NAME = np.dtype([("uuid", "V16"), ("version", ">i4")])


def _digest(named: NDArray[Any]) -> str:
    """Return the SHA-256 over uuid and version of every return, in the order of their uuids."""
    halves = np.ascontiguousarray(named["uuid"]).view(">u8").reshape(-1, 2)
    return hashlib.sha256(named[np.lexsort((halves[:, 1], halves[:, 0]))].tobytes()).hexdigest()


def catch_frame(lists: SeasonLists) -> CatchFrame:
    """Return every usable return of a season with its corrections in force. Three queries."""
    return read_season(lists)[0]


def _placed(block: NDArray[Any], lists: SeasonLists) -> dict[str, NDArray[Any]]:
    """Turn a block into native columns, without the returns that have no place in the season's lists."""
    days = block["day"].astype(np.int64) + FIRST_DAY.toordinal()
    places = {
        "region": _positions(block["region"], [row.pk for row in lists.regions]),
        "habitat": _positions(block["habitat"], [row.pk for row in lists.habitats]),
        "window": _windows(days, lists),
    }
    chosen = block["used"] == 1
    for place in places.values():
        chosen &= place >= 0
    answers = np.ascontiguousarray(block["answers"][chosen]).view(">i4").astype(np.int32)
    return {
        "named": block[["uuid", "version"]].astype(_NAME),
        **{name: place[chosen] for name, place in places.items()},
        **{name: block[name][chosen].astype(np.int64) for name in ("report", "sender", "site", "settling", "school")},
        **{name: block[name][chosen].astype(np.float64) for name in _MEASURES},
        "day": days[chosen],
        "answers": answers.reshape(int(chosen.sum()), 2 * len(lists.groups)),
    }


_MEASURES = ("trap_nights", "rim_ratio", "temp_max_c", "temp_min_c")


def _put_corrections(columns: dict[str, NDArray[Any]], lists: SeasonLists, groups: list[int]) -> None:
    """Put corrected bounds in the place of those that were sent. One query."""
    corrections = corrected_answers(lists)
    if not corrections:
        return
    order = np.argsort(columns["report"])
    ordered, place = columns["report"][order], {group: position for position, group in enumerate(groups)}
    for (report, group), (low, high) in corrections.items():
        at = int(np.searchsorted(ordered, report))
        if at < len(ordered) and ordered[at] == report and group in place:
            bounds = (UNANSWERED, UNANSWERED) if low is None else (low, OPEN if high is None else high)
            columns["answers"][order[at], 2 * place[group] : 2 * place[group] + 2] = bounds


def corrected_answers(lists: SeasonLists) -> dict[tuple[int, int], tuple[int | None, int | None]]:
    """Return the corrected bounds in force, by return and group. One query."""
    rows = corrected_bounds(report__season=lists.season)
    return {(report, group): (low, high) for report, group, low, high in rows}


def _frame(columns: dict[str, NDArray[Any]], lists: SeasonLists) -> CatchFrame:
    """Put returns into the order of the level index, once for all groups, and their answers group by group."""
    sender, answers = columns.pop("sender"), columns.pop("answers")
    columns["site_night"] = number_site_nights(columns["site"], columns["day"])
    columns["school"] = columns["school"] == 1
    columns["first_return"] = _first_of_each(sender, columns["report"])
    order = order_in_frame(columns, lists.by_code)
    answers = answers[order].T
    low, high = np.ascontiguousarray(answers[0::2]), np.ascontiguousarray(answers[1::2])
    return CatchFrame(**{name: column[order] for name, column in columns.items()}, low=low, high=high)


def _first_of_each(sender: NDArray[np.int64], report: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Say which return is the first of its sender; one whose sender is gone is not."""
    order = np.lexsort((report, sender))
    first = np.zeros(len(sender), dtype=bool)
    first[order] = np.r_[True, sender[order][1:] != sender[order][:-1]][: len(sender)]
    return first & (sender > 0)


def _positions(keys: NDArray[Any], listed: list[int]) -> NDArray[np.int64]:
    """Return the place of each key in a list, -1 where it is not there."""
    known = np.array(listed, dtype=np.int64)
    order = np.argsort(known)
    at = np.minimum(np.searchsorted(known[order], keys), max(len(listed) - 1, 0))
    return np.where(known[order][at] == keys, order[at], -1).astype(np.int64)


def _windows(days: NDArray[np.int64], lists: SeasonLists) -> NDArray[np.int64]:
    found = np.full(len(days), -1, dtype=np.int64)
    for position, window in enumerate(lists.windows):
        inside = (days >= window.first_day.toordinal()) & (days <= window.last_day.toordinal())
        found[inside] = position
    return found
