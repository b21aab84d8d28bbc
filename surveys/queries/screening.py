"""Everything that screening reads about a batch of returns, in a fixed number of queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from uuid import UUID

import numpy as np
from django.db.models import QuerySet
from numpy.typing import NDArray

from surveys.methods.records import Counts, Neighbour, Usual
from surveys.methods.screening_chances import point_of, site_steps
from surveys.methods.screening_records import ScreeningCase
from surveys.methods.season_frame import OPEN, UNANSWERED
from surveys.models import Finding, Return
from surveys.queries.columns import copied_blocks, row_type
from surveys.queries.comparisons import COLUMNS, SELECTED, OfSites, neighbourhood, of_sites, steps_of_effort
from surveys.queries.frames import report_of
from surveys.queries.season_returns import order_key
from surveys.queries.seasons import SeasonLists
from surveys.queries.usual import Baseline, Floats, Ints, baseline, region_frames
from surveys.vocabulary import USABLE_STATES, Outcome, ReturnState

#: What is read of each return of a site; the answers of G groups are added behind.
_COLUMNS = (*COLUMNS, ("uuid", "V16"), ("trap", ">i8"), ("set_at", ">f8"))
_OF_SITES = f"""
SELECT {SELECTED}, r.uuid, r.trap_id, extract(epoch FROM r.set_at)::float8,
       coalesce(p.answers, pack_answers(r.id, %(groups)s::bigint[]))
FROM surveys_trap t JOIN surveys_return r ON r.trap_id = t.id
LEFT JOIN surveys_sitepoint place ON place.site_id = t.site_id
LEFT JOIN surveys_packedcatch p ON p.report_id = r.id AND p.order_key = %(order_key)s
WHERE t.site_id = ANY(%(sites)s) AND r.season_id = %(season)s AND r.state <> %(withdrawn)s
ORDER BY t.site_id, r.id
"""  # noqa: S608


@dataclass(frozen=True, slots=True)
class Case:
    """One return, what screening compares it with, and that as numbers: a hash, and a step of effort."""

    row: Return
    against: ScreeningCase
    neighbourhood: np.uint64
    effort_step: int


@dataclass(frozen=True, slots=True, eq=False)
class _Sites:
    """Every return of some sites: columns (n,), counts (n, G), and what each tells of its site (n, G)."""

    of: OfSites
    uuid: NDArray[np.void]
    trap: Ints
    set_at: Floats
    low: Floats
    high: Floats
    gained: Floats
    offered: Floats


def with_what_is_read(returns: QuerySet[Return]) -> QuerySet[Return]:
    """Return the same returns with their trap, site, point and habitat, as screening reads them. No query."""
    return returns.select_related("trap__site__point", "habitat")


def screening_cases(rows: Sequence[Return], *, lists: SeasonLists, generation: int) -> list[Case]:
    """Return the cases of a batch, without rows that have been taken back meanwhile. One query, whatever their number.

    ``rows`` come as :func:`with_what_is_read` has them. A neighbour is a return of the same site
    that was received before and was not withdrawn; a later one came after it, from the same night.
    """
    usual, frames = baseline(lists, generation), region_frames(lists, generation)
    sites = _returns_of_sites(sorted({row.trap.site_id for row in rows}), lists, usual)
    if sites is None:
        return []
    of, steps = sites.of, steps_of_effort(usual)
    hashes, codes = neighbourhood(of, usual, lists), tuple(group.code for group in lists.groups)
    neighbours = _Neighbours(sites, codes)
    at_key = {int(key): at for at, key in enumerate(of.report)}
    first, last = _runs(of.site)
    cases = []
    for row in rows:
        at = at_key.get(row.pk)
        if at is None:
            continue
        night = of.day[first[at] : last[at]] == of.day[at]
        region, window, habitat = (int(axis[at]) for axis in of.places.cell)
        told = first[at] + np.flatnonzero(~night[: at - first[at]])  # earlier nights of the site
        shape = usual.site_shape[region, window, habitat]
        against = ScreeningCase(
            report=report_of(
                row,
                answers=(),
                point=row.trap.site.point,
                lists=lists,
                habitat=row.habitat.code if row.habitat else None,
            ),
            counts=neighbours.counts[at],
            neighbours=neighbours.of(at, range(first[at], at)),
            later=neighbours.of(at, (at + 1 + np.flatnonzero(night[at + 1 - first[at] :])).tolist()),
            usual=_usual(
                lists,
                usual,
                (region, window, habitat),
                shape + sites.gained[told].sum(axis=0),
                shape + sites.offered[told].sum(axis=0),
            ),
            region=frames[region, window],
            trap_nights=row.trap_nights or 1.0,
            elsewhere=_elsewhere(lists, usual, (region, window, habitat)) if row.habitat_id else {},
        )
        cases.append(Case(row, against, hashes[at], int(steps[region, window])))
    return cases


def held_findings(rows: Iterable[Return]) -> dict[int, list[Finding]]:
    """Return what the protocol check asks a person to look at, by the key of the return. One query."""
    held: dict[int, list[Finding]] = defaultdict(list)
    for finding in Finding.objects.filter(report__in=list(rows), outcome=Outcome.HOLD).order_by("id"):
        held[finding.report_id].append(finding)
    return held


class _Neighbours:
    """Makes neighbours of the returns of a site."""

    def __init__(self, sites: _Sites, codes: tuple[str, ...]) -> None:
        self.counts = [Counts(codes, low, high) for low, high in zip(sites.low, sites.high, strict=True)]
        self._names = [str(UUID(bytes=bytes(name))) for name in sites.uuid]
        self._trap, self._day = sites.trap.tolist(), sites.of.day.tolist()
        self._set_at = sites.set_at.tolist()

    def of(self, at: int, others: Iterable[int]) -> tuple[Neighbour, ...]:
        """Return some others (their places) as neighbours of the return at a place."""
        trap, day, set_at = self._trap[at], self._day[at], self._set_at[at]
        return tuple(
            Neighbour(
                reference=self._names[other],
                same_trap=self._trap[other] == trap,
                same_night=self._day[other] == day,
                hours_apart=abs(self._set_at[other] - set_at) / 3600,
                answers=self.counts[other],
            )
            for other in others
        )


def _returns_of_sites(keys: list[int], lists: SeasonLists, usual: Baseline) -> _Sites | None:
    """Return every return of some sites, by site and in the order in which they came; None where there is none."""
    groups = [group.pk for group in lists.groups]
    parameters = {
        "season": lists.season.pk,
        "sites": keys,
        "usable": sorted(USABLE_STATES),
        "withdrawn": ReturnState.WITHDRAWN.value,
        "groups": groups,
        "order_key": order_key(lists),
    }
    layout = row_type([*_COLUMNS, ("answers", f"V{8 * len(groups)}")])
    blocks = list(copied_blocks(_OF_SITES, parameters, layout))
    rows = np.concatenate(blocks) if blocks else np.empty(0, dtype=layout)
    if not len(rows):
        return None
    of = of_sites(rows, lists)
    bounds = np.ascontiguousarray(rows["answers"]).view(">i4").astype(np.int64).reshape(len(rows), len(groups), 2)
    low, high = _as_bounds(bounds[:, :, 0], bounds[:, :, 1])
    told = ~np.isnan(low) & (of.nights > 0.0)[:, None]
    gained, offered = site_steps(
        np.where(told, point_of(low, high), 0.0),
        np.where(told, usual.mean[of.places.cell] * of.nights[:, None], 0.0),
        usual.size[of.places.cell],
    )
    return _Sites(
        of=of,
        uuid=rows["uuid"],
        trap=rows["trap"].astype(np.int64),
        set_at=rows["set_at"].astype(np.float64),
        low=low,
        high=high,
        gained=gained,
        offered=offered,
    )


def _as_bounds(low: Ints, high: Ints) -> tuple[Floats, Floats]:
    """Return packed bounds as the methods read them: NaN where nothing is known, infinite where open."""
    unknown = low == UNANSWERED
    return (
        np.where(unknown, np.nan, low),
        np.where(unknown, np.nan, np.where(high == OPEN, np.inf, high)),
    )


def _runs(of: Ints) -> tuple[Ints, Ints]:
    """Return where the run of equal values that each stands in begins and ends (n,)."""
    begins = np.flatnonzero(np.concatenate([[True], of[1:] != of[:-1]]))
    ends = np.append(begins[1:], len(of))
    which = np.repeat(np.arange(len(begins)), ends - begins)
    return begins[which], ends[which]


def _elsewhere(lists: SeasonLists, usual: Baseline, at: tuple[int, int, int]) -> dict[str, Floats]:
    """Return how many times as much of each group the other habitats catch, by their codes."""
    region, window, here = at
    ratios = usual.mean[region, window] / usual.mean[at]
    return {habitat.code: ratios[n] for n, habitat in enumerate(lists.habitats) if n != here}


def _usual(
    lists: SeasonLists, usual: Baseline, at: tuple[int, int, int], shape: Floats, rate: Floats
) -> tuple[Usual, ...]:
    """Return what is usual here; ``shape`` and ``rate`` (G,) are the site's own gamma."""
    of_groups = zip(
        lists.groups, usual.mean[at].tolist(), usual.size[at].tolist(), shape.tolist(), rate.tolist(), strict=True
    )
    return tuple(
        Usual(group=group.code, mean=mean, size=size, ceiling=group.ceiling, site_shape=own, site_rate=offered)
        for group, mean, size, own, offered in of_groups
    )
