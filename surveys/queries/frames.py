"""The one bridge from rows to the records and arrays of the methods."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db import connection, transaction
from numpy.typing import NDArray

from surveys.methods.level_records import LevelInput
from surveys.methods.records import Answer, Report
from surveys.models import Catch, Correction, Return, Season, SitePoint
from surveys.queries.seasons import SeasonLists, lists_of
from surveys.vocabulary import USABLE_STATES, AnswerKind, Standing

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
    """All usable answers of a season, one row per return and group, as arrays of equal length.

    ``group``, ``region``, ``window`` and ``habitat`` are positions in the season's lists;
    ``site`` and ``site_night`` are dense numbers; ``low`` and ``high`` bound the count (``high`` is
    -1 when open above); ``trap_nights`` is effort, ``rim_ratio`` mouth over standard mouth
    (1 where not measured), ``fresh`` is 1 for a trap dug in the same day, ``day`` counts days.
    """

    report: NDArray[np.int64]
    group: NDArray[np.int64]
    region: NDArray[np.int64]
    window: NDArray[np.int64]
    habitat: NDArray[np.int64]
    site: NDArray[np.int64]
    site_night: NDArray[np.int64]
    low: NDArray[np.int64]
    high: NDArray[np.int64]
    trap_nights: NDArray[np.float64]
    rim_ratio: NDArray[np.float64]
    fresh: NDArray[np.int64]
    day: NDArray[np.int64]

    def of_group(self, position: int) -> CatchFrame:
        """Return the rows of one group."""
        chosen = self.group == position
        return CatchFrame(**{name: getattr(self, name)[chosen] for name in self.__slots__})

    def __len__(self) -> int:
        return len(self.report)


_CATCH_ROWS = """
SELECT r.id, c.group_id, s.region_id, coalesce(r.habitat_id, 0), s.id, r.night, c.low, coalesce(c.high, -1),
       r.trap_nights, coalesce(r.rim_ratio, 1), coalesce(r.fresh, true)::int
FROM surveys_return r
JOIN surveys_trap t ON t.id = r.trap_id
JOIN surveys_site s ON s.id = t.site_id
JOIN surveys_catch c ON c.report_id = r.id
WHERE r.season_id = %s AND r.state = ANY(%s) AND r.standing <> %s AND r.trap_nights IS NOT NULL
ORDER BY r.id, c.group_id
"""


def catch_frame(lists: SeasonLists) -> CatchFrame:
    """Return every usable, known answer of a season with its corrections in force. Two queries."""
    with connection.cursor() as cursor:
        cursor.execute(_CATCH_ROWS, [lists.season.pk, sorted(USABLE_STATES), Standing.OFF_PROTOCOL.value])
        rows = cursor.fetchall()
    corrections = corrected_answers(lists)
    if corrections:
        rows = [_with_correction(row, corrections) for row in rows]
    return _frame([row for row in rows if row[6] is not None], lists)


def corrected_answers(lists: SeasonLists) -> dict[tuple[int, int], tuple[int | None, int | None]]:
    """Return the corrected bounds in force, by return and group. One query."""
    latest = (
        Correction.objects.filter(report__season=lists.season, report__state="corrected", group__isnull=False)
        .order_by("report_id", "group_id", "-id")
        .distinct("report_id", "group_id")
        .values_list("report_id", "group_id", "low", "high")
    )
    return {(report, group): (low, high) for report, group, low, high in latest}


def _with_correction(row: tuple[Any, ...], corrections: Mapping[tuple[int, int], tuple[Any, Any]]) -> tuple[Any, ...]:
    bounds = corrections.get((row[0], row[1]))
    if bounds is None:
        return row
    low, high = bounds
    return (*row[:6], low, -1 if low is not None and high is None else high, *row[8:])


def _frame(rows: list[tuple[Any, ...]], lists: SeasonLists) -> CatchFrame:
    columns = list(zip(*rows, strict=True)) if rows else [()] * 11
    report, group, region, habitat, site, night, low, high, effort, rim, fresh = columns
    days = np.array([day.toordinal() for day in night], dtype=np.int64)
    sites = _dense(np.array(site, dtype=np.int64))
    frame = CatchFrame(
        report=np.array(report, dtype=np.int64),
        group=_positions(group, [row.pk for row in lists.groups]),
        region=_positions(region, [row.pk for row in lists.regions]),
        window=_windows(days, lists),
        habitat=_positions(habitat, [row.pk for row in lists.habitats]),
        site=sites,
        site_night=_dense(sites * 4_000_000 + days),
        low=np.array(low, dtype=np.int64),
        high=np.array(high, dtype=np.int64),
        trap_nights=np.array(effort, dtype=np.float64),
        rim_ratio=np.array(rim, dtype=np.float64),
        fresh=np.array(fresh, dtype=np.int64),
        day=days,
    )
    placed = (frame.group >= 0) & (frame.region >= 0) & (frame.window >= 0) & (frame.habitat >= 0)
    return CatchFrame(**{name: getattr(frame, name)[placed] for name in frame.__slots__})


def _positions(keys: Iterable[int], listed: list[int]) -> NDArray[np.int64]:
    place = {key: position for position, key in enumerate(listed)}
    return np.array([place.get(key, -1) for key in keys], dtype=np.int64)


def _windows(days: NDArray[np.int64], lists: SeasonLists) -> NDArray[np.int64]:
    found = np.full(len(days), -1, dtype=np.int64)
    for position, window in enumerate(lists.windows):
        inside = (days >= window.first_day.toordinal()) & (days <= window.last_day.toordinal())
        found[inside] = position
    return found


def _dense(keys: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.unique(keys, return_inverse=True)[1].astype(np.int64).reshape(-1)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The exact input of a run: the last event it saw, and a hash over the returns it used."""

    event: int
    returns: int
    digest: str


def snapshot(lists: SeasonLists) -> Snapshot:
    """Return what identifies the usable returns of a season at this moment. Two queries."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT coalesce(max(id), 0) FROM surveys_event")
        event = cursor.fetchone()
        cursor.execute(
            "SELECT uuid::text, version FROM surveys_return WHERE season_id = %s AND state = ANY(%s) ORDER BY uuid",
            [lists.season.pk, sorted(USABLE_STATES)],
        )
        rows = cursor.fetchall()
    digest = hashlib.sha256()
    for uuid, version in rows:
        digest.update(f"{uuid}:{version}\n".encode())
    return Snapshot(event=int(event[0]) if event else 0, returns=len(rows), digest=digest.hexdigest())


@dataclass(frozen=True, slots=True)
class NightInput:
    """What one run computes from: read in one snapshot of the database."""

    lists: SeasonLists
    snapshot: Snapshot
    frame: CatchFrame


def night_input(season: Season) -> NightInput:
    """Read everything a run needs, as of one instant. Eight queries in one REPEATABLE READ snapshot."""
    with transaction.atomic(durable=True):
        with connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
        lists = lists_of(season)
        return NightInput(lists=lists, snapshot=snapshot(lists), frame=catch_frame(lists))


def level_input(night: NightInput, *, group: int, rim_exponent: float) -> LevelInput:
    """Return the rows of one group as the level index reads them. No query.

    A cell is a region x window. Covariates: habitat (all but the first), fresh, and the day within
    its window, linear and quadratic, from -1 to 1. Habitats are predicted settled and mid-window.
    """
    rows = night.frame.of_group(group)
    lists = night.lists
    n_habitats = len(lists.habitats)
    season = _days_in_window(rows, lists)
    habitats = np.eye(n_habitats)[:, 1:]
    covariates = np.column_stack([habitats[rows.habitat], rows.fresh.astype(float), season, season**2 - 1 / 3])
    at_mid_window = np.tile([0.0, 0.0, -1 / 3], (n_habitats, 1))
    weights = np.array(lists.weights, dtype=np.float64)
    return LevelInput(
        cell=rows.region * len(lists.windows) + rows.window,
        site=rows.site,
        effort=rows.trap_nights * rows.rim_ratio**rim_exponent,
        low=rows.low,
        high=rows.high,
        covariates=covariates.reshape(len(rows), n_habitats + 2),
        habitat=rows.habitat,
        night=rows.site_night,
        n_cells=len(lists.regions) * len(lists.windows),
        habitat_weights=weights / weights.sum(),
        covariates_of_habitat=np.column_stack([habitats, at_mid_window]),
    )


def _days_in_window(rows: CatchFrame, lists: SeasonLists) -> NDArray[np.float64]:
    firsts = np.array([window.first_day.toordinal() for window in lists.windows], dtype=np.float64)
    lasts = np.array([window.last_day.toordinal() for window in lists.windows], dtype=np.float64)
    middle = (firsts + lasts) / 2
    half = np.maximum((lasts - firsts) / 2, 1.0)
    return (rows.day - middle[rows.window]) / half[rows.window]
