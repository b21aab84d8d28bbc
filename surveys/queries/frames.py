"""The one bridge from rows to the records and arrays of the methods."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from django.db import connection, transaction
from django.db.models import Count
from numpy.typing import NDArray

from surveys.methods.level_layout import Layout, arrange_rows, canonical_order
from surveys.methods.level_records import LevelInput
from surveys.methods.level_terms import TermRows, build_terms
from surveys.methods.records import Answer, Report
from surveys.models import Catch, Correction, Return, Season, SitePoint
from surveys.queries.columns import copied_blocks, row_type
from surveys.queries.seasons import SeasonLists, lists_of, seasons
from surveys.vocabulary import USABLE_STATES, AnswerKind, HouseholdKind, Standing

#: Fields of a Report that are columns of a return under the same name.
SAME_NAME = tuple(
    name
    for name in Report.__slots__
    if name not in {"latitude", "longitude", "sent_at", "season_opens", "season_closes", "habitat", "answers"}
)


def answer_of(catch: Catch | Correction, code: str) -> Answer:
    """Return a stored catch (or its correction) as an answer of the methods. No query."""
    return Answer(group=code, kind=AnswerKind(str(catch.answer)), low=catch.low, high=catch.high)


def report_of(
    report: Return,
    *,
    answers: Iterable[Answer],
    point: SitePoint,
    lists: SeasonLists,
    habitat: str | None,
    corrected: Mapping[str, Any] | None = None,
) -> Report:
    """Return a row as the record that protocol check and screening read. No query.

    ``corrected`` replaces columns by their corrections in force.
    """
    fields = {name: getattr(report, name) for name in SAME_NAME}
    fields.update(corrected or {})
    return Report(
        latitude=point.latitude,
        longitude=point.longitude,
        sent_at=report.received_at,
        season_opens=lists.opens,
        season_closes=lists.closes,
        habitat=habitat,
        answers=tuple(answers),
        **fields,
    )


@dataclass(frozen=True, slots=True)
class CatchFrame:
    """All usable returns of a season as arrays: n returns, G groups in the season's order.

    ``region``, ``window`` and ``habitat`` are positions in the season's lists; ``site`` is the site's number,
    ``site_night`` tells site and night apart; ``trap_nights`` is effort, ``rim_ratio`` mouth over standard mouth
    (1 where not measured), ``settling`` 0 settled, 1 fresh, -1 unknown; ``day`` counts days; ``temp_max_c`` and
    ``temp_min_c`` are NaN where not told; ``low`` and ``high`` (G, n) bound the counts: ``low`` is -2 where a group
    was not answered, ``high`` -1 where a class is open above. Returns stand in the order in which the level index
    sorts them.
    """

    report: NDArray[np.int64]
    site: NDArray[np.int64]
    region: NDArray[np.int64]
    window: NDArray[np.int64]
    habitat: NDArray[np.int64]
    day: NDArray[np.int64]
    site_night: NDArray[np.int64]
    trap_nights: NDArray[np.float64]
    rim_ratio: NDArray[np.float64]
    settling: NDArray[np.int64]
    temp_max_c: NDArray[np.float64]
    temp_min_c: NDArray[np.float64]
    school: NDArray[np.bool_]
    first_return: NDArray[np.bool_]
    low: NDArray[np.int32]
    high: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.report)

    def known(self, group: int) -> NDArray[np.bool_] | slice:
        """Say which returns answered a group: a slice when all did."""
        answered = self.low[group] >= 0
        return slice(None) if answered.all() else answered

    def of_sites(self, sites: NDArray[np.int64]) -> CatchFrame:
        """Keep the returns of some sites, in their order."""
        kept = np.isin(self.site, sites)
        return CatchFrame(**{name: getattr(self, name)[..., kept] for name in CatchFrame.__slots__})


#: Bounds of a count where a group was not answered, and the upper one of a class open above.
UNANSWERED, OPEN = -2, -1
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


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The exact input of a run: the last event it saw, and a hash over the returns it used."""

    event: int
    returns: int
    digest: str


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
    kept: list[dict[str, NDArray[Any]]] = []
    names: list[NDArray[Any]] = []
    for block in copied_blocks(_RETURNS, parameters, row):
        names.append(block[["uuid", "version"]].astype(_NAME))
        kept.append(_placed(block, lists))
    columns = {name: np.concatenate([part[name] for part in kept], axis=-1) for name in kept[0]}
    _put_corrections(columns, lists, groups)
    named = np.concatenate(names).astype(_NAME)  # joining arrays turns the bytes of numbers round
    return _ordered(_frame(columns), lists), _digest(named), len(named)


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
    answers = (
        np.ascontiguousarray(block["answers"][chosen]).view(">i4").reshape(int(chosen.sum()), len(lists.groups), 2)
    )
    return {
        **{name: place[chosen] for name, place in places.items()},
        **{name: block[name][chosen].astype(np.int64) for name in ("report", "sender", "site", "settling", "school")},
        **{name: block[name][chosen].astype(np.float64) for name in _MEASURES},
        "day": days[chosen],
        "low": np.ascontiguousarray(answers[:, :, 0].T, dtype=np.int32),
        "high": np.ascontiguousarray(answers[:, :, 1].T, dtype=np.int32),
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
            where = (place[group], order[at])
            columns["low"][where] = UNANSWERED if low is None else low
            columns["high"][where] = UNANSWERED if low is None else OPEN if high is None else high


def corrected_answers(lists: SeasonLists) -> dict[tuple[int, int], tuple[int | None, int | None]]:
    """Return the corrected bounds in force, by return and group. One query."""
    latest = (
        Correction.objects.filter(report__season=lists.season, report__state="corrected", group__isnull=False)
        .order_by("report_id", "group_id", "-id")
        .distinct("report_id", "group_id")
        .values_list("report_id", "group_id", "low", "high")
    )
    return {(report, group): (low, high) for report, group, low, high in latest}


def _frame(columns: dict[str, NDArray[Any]]) -> CatchFrame:
    sender, report = columns.pop("sender"), columns["report"]
    columns["site_night"] = columns["site"] * NIGHTS_APART + columns["day"]
    columns["school"] = columns["school"] == 1
    columns["first_return"] = _first_of_each(sender, report)
    return CatchFrame(**columns)


#: More than there are days in a calendar, so that no two sites share a site-night.
NIGHTS_APART = 4_000_000


def _first_of_each(sender: NDArray[np.int64], report: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Say which return is the first of its sender; one whose sender is gone is not."""
    order = np.lexsort((report, sender))
    first = np.zeros(len(sender), dtype=bool)
    first[order] = np.r_[True, sender[order][1:] != sender[order][:-1]][: len(sender)]
    return first & (sender > 0)


def _ordered(frame: CatchFrame, lists: SeasonLists) -> CatchFrame:
    """Put returns into the order of the level index, once for all groups."""
    rows = LevelRows(frame, lists)
    order = canonical_order(rows.every_return())
    if isinstance(order, slice):
        return frame
    return CatchFrame(**{name: getattr(frame, name)[..., order] for name in CatchFrame.__slots__})


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


@dataclass(frozen=True, slots=True)
class EarlierSeason:
    """A season before the one that is computed: hash and number of its usable returns, and those that change reads."""

    lists: SeasonLists
    returns: int
    digest: str
    frame: CatchFrame


@dataclass(frozen=True, slots=True)
class NightInput:
    """What one run computes from: read in one snapshot of the database.

    ``earlier`` seasons stand in time order; ``returning`` are the sites that have returns in two seasons or more.
    """

    lists: SeasonLists
    snapshot: Snapshot
    frame: CatchFrame
    earlier: tuple[EarlierSeason, ...]
    returning: NDArray[np.int64]


def night_input(season: Season) -> NightInput:
    """Read everything a run needs, as of one instant, in one REPEATABLE READ snapshot.

    Eleven queries, and seven for each earlier season.
    """
    with transaction.atomic(durable=True):
        with connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            cursor.execute("SELECT coalesce(max(id), 0) FROM surveys_event")
            event = cursor.fetchone()
        lists = lists_of(season)
        frame, digest, usable = read_season(lists)
        before = _seasons_before(season)
        returning = _returning_sites([season, *before])
        earlier = tuple(_read_earlier(lists_of(one), returning) for one in before)
    return NightInput(lists, Snapshot(int(event[0]) if event else 0, usable, digest), frame, earlier, returning)


def _seasons_before(season: Season) -> list[Season]:
    """Return the seasons opened before this one that share a region and a group with it, oldest first. One query."""
    return list(
        seasons()
        .filter(opens_on__lt=season.opens_on, regions__in=season.regions.all(), groups__in=season.groups.all())
        .distinct()
        .order_by("opens_on", "code")
    )


def _returning_sites(among: list[Season]) -> NDArray[np.int64]:
    """Return the numbers of the sites with usable returns in two or more of some seasons. One query, none for one."""
    if len(among) < 2:
        return np.zeros(0, dtype=np.int64)
    sites = (
        Return.objects.filter(season__in=among, state__in=sorted(USABLE_STATES))
        .values("trap__site")
        .annotate(seen=Count("season", distinct=True))
        .filter(seen__gte=2)
        .values_list("trap__site", flat=True)
    )
    return np.array(sorted(sites), dtype=np.int64)


def _read_earlier(lists: SeasonLists, returning: NDArray[np.int64]) -> EarlierSeason:
    """Read an earlier season and keep only the sites that tell of a change. Seven queries."""
    frame, digest, usable = read_season(lists)
    return EarlierSeason(lists, usable, digest, frame.of_sites(returning))


class LevelRows:
    """The returns of a season as the level index reads them, laid out once for all groups. No query.

    A cell is a region x window. Shared effects: habitat (all but the first), settling, the observer, and the day
    within its window, linear and quadratic, from -1 to 1.
    """

    def __init__(self, frame: CatchFrame, lists: SeasonLists) -> None:
        self.frame = frame
        self.n_cells = len(lists.regions) * len(lists.windows)
        self.cell = frame.region * len(lists.windows) + frame.window
        weights = np.array(lists.weights, dtype=np.float64)
        self.habitat_weights = weights / weights.sum()
        self.terms = build_terms(term_rows(frame, lists), len(lists.habitats))

    def of_group(self, group: int, *, rim_exponent: float) -> LevelInput:
        """Return the rows of one group, those left out that did not answer it."""
        known = self.frame.known(group)
        effort = self.frame.trap_nights * self.frame.rim_ratio**rim_exponent
        return self._rows(known, effort, self.frame.low[group], self.frame.high[group])

    def layout_of_all(self, *, rim_exponent: float) -> Layout:
        """Return all returns arranged, to be shared by the groups that every return answered."""
        effort = self.frame.trap_nights * self.frame.rim_ratio**rim_exponent
        nothing = np.zeros(len(self.frame), dtype=np.int32)
        return arrange_rows(self._rows(slice(None), effort, nothing, nothing))

    def every_return(self) -> LevelInput:
        """Return a row for each return, without counts: only to put them into order."""
        nothing = np.zeros(len(self.frame), dtype=np.int32)
        return self._rows(slice(None), self.frame.trap_nights * self.frame.rim_ratio, nothing, nothing)

    def _rows(
        self, known: NDArray[np.bool_] | slice, effort: NDArray[np.float64], low: NDArray[Any], high: NDArray[Any]
    ) -> LevelInput:
        frame = self.frame
        return LevelInput(
            cell=self.cell[known],
            site=frame.site[known],
            effort=effort[known],
            low=low[known],
            high=high[known],
            covariates=self.terms.covariates[known],
            habitat=frame.habitat[known],
            night=frame.site_night[known],
            n_cells=self.n_cells,
            habitat_weights=self.habitat_weights,
            covariates_of_habitat=self.terms.of_habitat,
        )


def term_rows(frame: CatchFrame, lists: SeasonLists) -> TermRows:
    """Return what the shared effects of a season's returns are read from. No query."""
    return TermRows(
        site=frame.site,
        habitat=frame.habitat,
        settling=frame.settling,
        in_window=_days_in_window(frame, lists),
        school=frame.school,
        first_return=frame.first_return,
    )


def _days_in_window(frame: CatchFrame, lists: SeasonLists) -> NDArray[np.float64]:
    firsts = np.array([window.first_day.toordinal() for window in lists.windows], dtype=np.float64)
    lasts = np.array([window.last_day.toordinal() for window in lists.windows], dtype=np.float64)
    middle = (firsts + lasts) / 2
    half = np.maximum((lasts - firsts) / 2, 1.0)
    days: NDArray[np.float64] = (frame.day - middle[frame.window]) / half[frame.window]
    return days
