"""Everything that screening reads about a batch of returns, in a fixed number of queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache

import numpy as np
from django.db import connection
from numpy.typing import NDArray
from shapely.geometry import shape

from surveys.methods.records import Answer, Neighbour, Report, Usual
from surveys.methods.screening_chances import bounds_of, point_of, update_site
from surveys.methods.screening_records import RegionFrame
from surveys.methods.usual import plan_baseline, split_size
from surveys.models import Catch, Finding, Region, Return, UsualCatch
from surveys.queries.frames import report_of
from surveys.queries.seasons import SeasonLists
from surveys.vocabulary import USABLE_STATES, AnswerKind, Outcome, ReturnState

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Case:
    """One return with all that screening compares it with."""

    row: Return
    report: Report
    neighbours: tuple[Neighbour, ...]
    later: tuple[Neighbour, ...]
    usual: tuple[Usual, ...]
    region: RegionFrame
    elsewhere: dict[str, Floats]
    held: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """What is usual by region, window, habitat and group: arrays (R, W, H, G)."""

    mean: Floats
    size: Floats
    site_shape: Floats


@dataclass(frozen=True, slots=True)
class _Earlier:
    """Another return of a site, as a neighbour is made from it."""

    key: int
    uuid: str
    trap: int
    night: date
    set_at: datetime
    trap_nights: float | None
    usable: bool
    place: tuple[int, int, int]
    answers: tuple[Answer, ...]


@lru_cache(maxsize=4)
def baseline(lists: SeasonLists, generation: int) -> Baseline:
    """Return what is usual, from one generation or, before there is one, from planning values.

    One query for each generation: it is learned whole and never changes, so nobody may write into it.
    """
    planned = [plan_baseline(group.planning_typical, group.planning_high) for group in lists.groups]
    size, site_shape = split_size(np.array([one[1] for one in planned]))
    room = (len(lists.regions), len(lists.windows), len(lists.habitats), 1)
    found = Baseline(
        mean=np.tile(np.array([one[0] for one in planned]), room),
        size=np.tile(size, room),
        site_shape=np.tile(site_shape, room),
    )
    if generation:
        regions, windows, habitats, groups = (
            {row.pk: place for place, row in enumerate(listed)}
            for listed in (lists.regions, lists.windows, lists.habitats, lists.groups)
        )
        rows = UsualCatch.objects.filter(season=lists.season, generation=generation).values_list(
            "region_id", "window_id", "habitat_id", "group_id", "mean", "size", "site_shape"
        )
        for region, window, habitat, group, mean, night_size, shape_ in rows:
            at = (regions[region], windows[window], habitats[habitat], groups[group])
            found.mean[at], found.size[at], found.site_shape[at] = mean, night_size, shape_
    return found


def region_frames(
    lists: SeasonLists, usual: Baseline, effort: Floats | None = None
) -> dict[tuple[int, int], RegionFrame]:
    """Return the frame of each region and window: what its usable returns were expected to catch. One query.

    None where ``effort`` (R, W, H) is given.
    """
    effort = usable_effort(lists) if effort is None else effort
    codes = tuple(group.code for group in lists.groups)
    frames = {}
    for region, row in enumerate(lists.regions):
        rings = _rings(row)
        for window in range(len(lists.windows)):
            nights = effort[region, window]
            frames[region, window] = RegionFrame(
                groups=codes,
                expected_total=nights @ usual.mean[region, window],
                trap_nights=float(nights.sum()),
                rings=rings,
            )
    return frames


def usable_effort(lists: SeasonLists) -> Floats:
    """Return trap-nights of usable returns by region, window and habitat, (R, W, H). One query.

    Added up as decimals and in one order: floats would end in other digits whenever rows have moved in their table.
    """
    effort = np.zeros((len(lists.regions), len(lists.windows), len(lists.habitats)))
    places = _Places(lists)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT s.region_id, r.night, r.habitat_id, sum(r.trap_nights::numeric)::float8 FROM surveys_return r"
            " JOIN surveys_trap t ON t.id = r.trap_id JOIN surveys_site s ON s.id = t.site_id"
            " WHERE r.season_id = %s AND r.state = ANY(%s) AND r.trap_nights IS NOT NULL"
            " GROUP BY 1, 2, 3 ORDER BY 1, 2, 3",
            [lists.season.pk, sorted(USABLE_STATES)],
        )
        for region, night, habitat, nights in cursor.fetchall():
            effort[places.of(region, night, habitat)] += nights
    return effort


class _Places:
    """Where a return stands in the arrays of a season."""

    def __init__(self, lists: SeasonLists) -> None:
        self._lists = lists
        self._regions = {row.pk: place for place, row in enumerate(lists.regions)}
        self._habitats = {row.pk: place for place, row in enumerate(lists.habitats)}

    def of(self, region: int, night: date, habitat: int | None) -> tuple[int, int, int]:
        """Return region, window (the nearest one between windows) and habitat (the last, "other", if missing)."""
        windows = self._lists.windows
        window = min(
            range(len(windows)),
            key=lambda n: max((windows[n].first_day - night).days, (night - windows[n].last_day).days, 0),
        )
        return self._regions[region], window, self._habitats.get(habitat or 0, len(self._habitats) - 1)


def _rings(region: Region) -> tuple[Floats, ...]:
    outline = shape(region.boundary)
    parts = outline.geoms if outline.geom_type == "MultiPolygon" else [outline]
    return tuple(
        np.asarray(ring.coords, dtype=np.float64)[:, :2] for part in parts for ring in (part.exterior, *part.interiors)
    )


def screening_cases(
    rows: Sequence[Return], *, lists: SeasonLists, usual: Baseline, frames: dict[tuple[int, int], RegionFrame]
) -> list[Case]:
    """Return the cases of a batch. Four queries for any number of returns.

    ``rows`` come with their trap, site, point and habitat. A neighbour is a return of the same site
    that was received before and was not withdrawn; a later one came after it, from the same night.
    """
    places = _Places(lists)
    codes = {group.pk: group.code for group in lists.groups}
    of_site = _returns_of_sites({row.trap.site_id for row in rows}, lists, places)
    answers = _answers([row.pk for row in rows] + [one.key for found in of_site.values() for one in found], codes)
    held: dict[int, list[Finding]] = defaultdict(list)
    for finding in Finding.objects.filter(report__in=rows, outcome=Outcome.HOLD).order_by("id"):
        held[finding.report_id].append(finding)
    cases = []
    for row in rows:
        at = places.of(row.trap.site.region_id, row.night, row.habitat_id)
        before = [one for one in of_site[row.trap.site_id] if one.key < row.pk]
        earlier = [_with_answers(one, answers[one.key]) for one in before]
        after = [one for one in of_site[row.trap.site_id] if one.key > row.pk and one.night == row.night]
        cases.append(
            Case(
                row=row,
                report=report_of(
                    row,
                    answers=answers[row.pk],
                    point=row.trap.site.point,
                    lists=lists,
                    habitat=row.habitat.code if row.habitat else None,
                ),
                neighbours=tuple(_neighbour(one, row) for one in earlier),
                later=tuple(_neighbour(_with_answers(one, answers[one.key]), row) for one in after),
                usual=_usual(lists, usual, at, [one for one in earlier if one.night != row.night]),
                region=frames[at[0], at[1]],
                elsewhere=_elsewhere(lists, usual, at) if row.habitat_id else {},
                held=tuple(held[row.pk]),
            )
        )
    return cases


def _elsewhere(lists: SeasonLists, usual: Baseline, at: tuple[int, int, int]) -> dict[str, Floats]:
    """Return how many times as much of each group the other habitats catch, by their codes."""
    region, window, here = at
    ratios = usual.mean[region, window] / usual.mean[at]
    return {habitat.code: ratios[n] for n, habitat in enumerate(lists.habitats) if n != here}


def _returns_of_sites(sites: Iterable[int], lists: SeasonLists, places: _Places) -> dict[int, list[_Earlier]]:
    found: dict[int, list[_Earlier]] = defaultdict(list)
    rows = (
        Return.objects.filter(season=lists.season, trap__site__in=list(sites))
        .exclude(state=ReturnState.WITHDRAWN)
        .order_by("id")
        .values_list(
            "id", "uuid", "trap_id", "night", "set_at", "trap_nights", "state", "habitat_id",
            "trap__site_id", "trap__site__region_id",
        )
    )  # fmt: skip
    for key, uuid, trap, night, set_at, nights, state, habitat, site, region in rows:
        found[site].append(
            _Earlier(
                key, str(uuid), trap, night, set_at, nights, state in USABLE_STATES,
                places.of(region, night, habitat), (),
            )
        )  # fmt: skip
    return found


def _with_answers(one: _Earlier, answers: tuple[Answer, ...]) -> _Earlier:
    return _Earlier(one.key, one.uuid, one.trap, one.night, one.set_at, one.trap_nights, one.usable, one.place, answers)


def _answers(keys: Iterable[int], codes: dict[int, str]) -> dict[int, tuple[Answer, ...]]:
    found: dict[int, list[Answer]] = defaultdict(list)
    rows = Catch.objects.filter(report__in=set(keys)).order_by("id")
    for report, group, kind, low, high in rows.values_list("report_id", "group_id", "answer", "low", "high"):
        if group in codes:
            found[report].append(Answer(group=codes[group], kind=AnswerKind(kind), low=low, high=high))
    return defaultdict(tuple, {key: tuple(answers) for key, answers in found.items()})


def _neighbour(one: _Earlier, row: Return) -> Neighbour:
    return Neighbour(
        reference=one.uuid,
        same_trap=one.trap == row.trap_id,
        same_night=one.night == row.night,
        hours_apart=abs((one.set_at - row.set_at).total_seconds()) / 3600,
        answers=one.answers,
    )


def _usual(
    lists: SeasonLists, usual: Baseline, at: tuple[int, int, int], earlier: Sequence[_Earlier]
) -> tuple[Usual, ...]:
    """Return what is usual here, with the site's own factor updated by its earlier usable nights."""
    codes = tuple(group.code for group in lists.groups)
    shape_, rate = usual.site_shape[at].copy(), usual.site_shape[at].copy()
    for one in earlier:
        if one.usable and one.trap_nights:
            low, high = bounds_of(one.answers, codes)
            known = ~np.isnan(low)
            counts = np.where(known, point_of(low, high), 0.0)
            expected = np.where(known, usual.mean[one.place] * one.trap_nights, 0.0)
            shape_, rate = update_site(shape_, rate, counts, expected, usual.size[one.place])
    return tuple(
        Usual(
            group=group.code,
            mean=float(usual.mean[at][n]),
            size=float(usual.size[at][n]),
            ceiling=group.ceiling,
            site_shape=float(shape_[n]),
            site_rate=float(rate[n]),
        )
        for n, group in enumerate(lists.groups)
    )
