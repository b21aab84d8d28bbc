"""What a household reads about its nights: one return with its story, comparable catches of others, its own season."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from uuid import UUID

import numpy as np
from django.db import connection
from django.db.models import Prefetch, QuerySet
from numpy.typing import NDArray

from surveys.methods.feedback import OwnCatch, SeasonCatches
from surveys.methods.level_records import OPEN_ABOVE
from surveys.models import Catch, Question, Return, Season
from surveys.permissions import Visitor, returns_of
from surveys.queries.returns import Bounds, corrected_bounds, correction_in_force, with_corrections
from surveys.queries.season_returns import order_key
from surveys.queries.seasons import SeasonLists
from surveys.vocabulary import USABLE_STATES, ReturnState, Standing

#: Returns that are read for a comparison: those of the nearest nights of the same weeks, whole nights only.
ENOUGH_RETURNS = 3_000
#: A group that a return did not answer. :data:`surveys.methods.season_frame.UNANSWERED` in the packed answers.
_UNANSWERED = -2


def open_questions(visitor: Visitor) -> QuerySet[Question]:
    """Return the questions that wait for the visitor's answer, the oldest first. Two queries."""
    return (
        Question.objects.filter(report__in=returns_of(visitor), answered_at__isnull=True)
        .exclude(report__state=ReturnState.WITHDRAWN)
        .select_related("report__trap")
        .order_by("id")
    )


@dataclass(frozen=True, slots=True)
class Story:
    """What a return took the place of, what took its place, and the questions about it."""

    before: Return | None
    after: Return | None
    questions: tuple[Question, ...]

    @property
    def waits_for_answer(self) -> bool:
        """Say whether a question waits: then no other one can be asked."""
        return any(question.answered_at is None for question in self.questions)


def story_of(report: Return) -> Story:
    """Return the story of a return that was read with everything beside it. No query."""
    return Story(report.amends, getattr(report, "amended_by", None), tuple(report.questions.all()))


def answered_among(reports: list[Return]) -> dict[int, bool]:
    """Say of those returns that were asked about whether every question has its answer. One query."""
    rows = Question.objects.filter(report__in=reports).values_list("report_id", "answered_at")
    found: dict[int, bool] = {}
    for report, answered_at in rows:
        found[report] = found.get(report, True) and answered_at is not None
    return found


def returns_of_night(report: Return, visitor: Visitor) -> list[Return]:
    """Return what the same household counted in the same night, site and trap in order. Four queries."""
    return list(
        returns_of(visitor)
        .filter(trap__site__household=report.trap.site.household_id, night=report.night, season=report.season_id)
        .exclude(state__in=[ReturnState.WITHDRAWN, ReturnState.DISCOUNTED])
        .select_related("habitat", "trap__site")
        .prefetch_related(
            Prefetch("catches", Catch.objects.select_related("group").order_by("group__position")),
            with_corrections(),
        )
        .order_by("trap__site__number", "trap__number", "id")
    )


@dataclass(frozen=True, slots=True)
class OwnReturn:
    """One usable return of one's own: the catch of each group by its code, as the methods read it."""

    report: Return
    catches: dict[str, OwnCatch]


def own_season(visitor: Visitor, season: Season, site: UUID) -> list[OwnReturn]:
    """Return one's own usable returns of a season at one site, the first night first. Four queries.

    The number of a habitat is its key, 0 where it was not told.
    """
    rows = (
        returns_of(visitor)
        .filter(season=season, trap__site__public_id=site, state__in=USABLE_STATES, trap_nights__isnull=False)
        .exclude(standing=Standing.OFF_PROTOCOL)
        .select_related("habitat", "trap")
        .prefetch_related(
            Prefetch("catches", Catch.objects.select_related("group").order_by("group__position")),
            with_corrections(),
        )
        .order_by("night", "id")
    )
    return [OwnReturn(row, own_catches(row, row.trap.site_id)) for row in rows]


def own_catches(report: Return, garden: int) -> dict[str, OwnCatch]:
    """Return the known catches of one return by group, corrections in force put in their place. No query.

    Empty where the trap's effort is not known.
    """
    if not report.trap_nights:
        return {}
    effort = report.trap_nights * (report.rim_ratio or 1.0)
    return {
        code: OwnCatch(
            site=garden,
            habitat=report.habitat_id or 0,
            fresh=report.fresh,
            effort=effort,
            low=low,
            high=high,
            night=report.night.toordinal(),
        )
        for code, (low, high) in counts_of(report).items()
    }


def counts_of(report: Return) -> dict[str, tuple[int, int]]:
    """Return lowest and highest count of each group that is known, -1 for open above, corrections in place. No query.

    The return comes with its catches, their groups, and its corrections.
    """
    found = {}
    for catch in report.catches.all():
        one = correction_in_force(report, catch.group_id) or catch
        if one.low is not None:
            found[catch.group.code] = (one.low, OPEN_ABOVE if one.high is None else one.high)
    return found


@dataclass(frozen=True, slots=True)
class Others:
    """Usable returns of other households of the same weeks: (n,) arrays, and the answers of each group (G, n).

    ``household`` stands for the garden: two sites of one household are one voice.
    """

    household: NDArray[np.int64]
    habitat: NDArray[np.int64]
    fresh: NDArray[np.int64]
    effort: NDArray[np.float64]
    low: NDArray[np.int64]
    high: NDArray[np.int64]
    groups: tuple[str, ...]

    def of_group(self, code: str) -> SeasonCatches:
        """Return the catches of one group, those left out that did not answer it."""
        place = self.groups.index(code)
        known = self.low[place] >= 0
        return SeasonCatches(
            site=self.household[known],
            habitat=self.habitat[known],
            fresh=self.fresh[known],
            effort=self.effort[known],
            low=self.low[place][known],
            high=self.high[place][known],
        )


_OTHERS = """
SELECT r.id, s.household_id, coalesce(r.habitat_id, 0), coalesce(r.fresh::int, -1),
       r.trap_nights * coalesce(r.rim_ratio, 1), p.answers
FROM surveys_return r
JOIN surveys_trap t ON t.id = r.trap_id
JOIN surveys_site s ON s.id = t.site_id
LEFT JOIN surveys_packedcatch p ON p.report_id = r.id AND p.order_key = %(order_key)s
WHERE r.season_id = %(season)s AND r.night BETWEEN %(first)s AND %(last)s AND r.state = ANY(%(states)s)
  AND r.standing <> %(off)s AND r.trap_nights IS NOT NULL AND s.household_id <> %(own)s
"""


def others_of_the_season(report: Return, lists: SeasonLists) -> Others:
    """Return what other households caught in the same weeks. Four queries at most, whatever the season's size.

    Only usable returns, none off protocol. Of a big season the nights nearest to one's own are read, as many as hold
    :data:`ENOUGH_RETURNS`.
    """
    first, last = _nights(report, lists)
    groups = [group.pk for group in lists.groups]
    parameters: dict[str, Any] = {
        "season": lists.season.pk,
        "first": first,
        "last": last,
        "states": sorted(USABLE_STATES),
        "off": Standing.OFF_PROTOCOL.value,
        "own": report.trap.site.household_id,
        "order_key": order_key(lists),
    }
    with connection.cursor() as cursor:
        cursor.execute(_OTHERS, parameters)
        rows = cursor.fetchall()
    keys, household, habitat, fresh, effort, packed = zip(*rows, strict=True) if rows else ((),) * 6
    blank = np.full(2 * len(groups), _UNANSWERED, dtype=">i4").tobytes()
    answers = np.frombuffer(b"".join(one or blank for one in packed), dtype=">i4").astype(np.int64)
    answers = answers.reshape(len(rows), 2 * len(groups)).T
    low, high = answers[0::2].copy(), answers[1::2].copy()
    at, of_group = ({key: place for place, key in enumerate(listed)} for listed in (keys, groups))
    unpacked = [key for key, one in zip(keys, packed, strict=True) if one is None]
    corrected = corrected_bounds(report__season=lists.season, report__night__range=(first, last))
    for key, group, lowest, highest in (*_sent(unpacked), *corrected):
        if key in at and group in of_group:
            place = of_group[group], at[key]
            low[place] = _UNANSWERED if lowest is None else lowest
            high[place] = OPEN_ABOVE if highest is None else highest
    return Others(
        household=np.array(household, dtype=np.int64),
        habitat=np.array(habitat, dtype=np.int64),
        fresh=np.array(fresh, dtype=np.int64),
        effort=np.array(effort, dtype=np.float64),
        low=low,
        high=high,
        groups=tuple(group.code for group in lists.groups),
    )


def _nights(report: Return, lists: SeasonLists) -> tuple[date, date]:
    """Return the nights to read: the survey window of the return, or the nearest part of it. One query."""
    window = next((one for one in lists.windows if one.first_day <= report.night <= one.last_day), None)
    first, last = (window.first_day, window.last_day) if window else (lists.season.opens_on, lists.season.closes_on)
    with connection.cursor() as cursor:
        # From the index alone: which nights have how many returns, in whatever state.
        cursor.execute(
            "SELECT night, count(*) FROM surveys_return WHERE season_id = %s AND night BETWEEN %s AND %s GROUP BY 1",
            [lists.season.pk, first, last],
        )
        counts = dict(cursor.fetchall())
    return nearest_nights(report.night, first, last, counts, ENOUGH_RETURNS)


def nearest_nights(own: date, first: date, last: date, counts: dict[date, int], enough: int) -> tuple[date, date]:
    """Return the fewest nights around one's own, the same number on both sides, that hold enough returns. No query."""
    if sum(counts.values()) <= enough:
        return first, last
    reach, found = 0, counts.get(own, 0)
    while found < enough:
        reach += 1
        step = timedelta(days=reach)
        found += counts.get(own - step, 0) + counts.get(own + step, 0)
    return max(first, own - timedelta(days=reach)), min(last, own + timedelta(days=reach))


def _sent(reports: list[int]) -> list[Bounds]:
    """Return the known answers of returns that came in since the last night, which packs them. One query, or none."""
    if not reports:
        return []
    with connection.cursor() as cursor:
        # Much faster for thousands of returns than packing each of them in the database.
        cursor.execute(
            "SELECT report_id, group_id, low, high FROM surveys_catch WHERE report_id = ANY(%s) AND low IS NOT NULL",
            [reports],
        )
        rows: list[Bounds] = cursor.fetchall()
    return rows
