"""A season with planted slips, as screening sees it: returns in the order in which they came, cases, and the judging."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from surveys.methods.effort import trap_nights
from surveys.methods.records import Neighbour, Report, Usual
from surveys.methods.screening import RegionFrame, Screening, ScreeningCase, choose_for_review
from surveys.methods.screening_chances import bounds_of, point_of, update_site
from surveys.methods.usual import estimate_usual
from surveys.vocabulary import QueryReason

BUDGET = 0.05
HONEST_HOURS = (12.0, 60.0)  # what is usual is learned from exposures of such a length
LEAST_MEAN = 0.2  # a slip in a group rarer than this does not weigh more

Q = QueryReason
#: The reasons that name each planted kind rightly.
RIGHT: dict[str, frozenset[QueryReason]] = {
    **dict.fromkeys(
        ("ten_times", "hundred_times", "doubled_digit", "digits_exchanged"),
        frozenset({Q.TEN_TIMES, Q.IMPOSSIBLE_COUNT}),
    ),
    "impossible_count": frozenset({Q.IMPOSSIBLE_COUNT, Q.TEN_TIMES}),
    "row_slip": frozenset({Q.ROW_SLIP}),
    "look_alikes": frozenset({Q.LOOK_ALIKES}),
    "look_alikes_merged": frozenset({Q.LOOK_ALIKES}),
    "traps_pooled": frozenset({Q.TRAPS_POOLED}),
    "copied_from_earlier": frozenset({Q.COPIED_FROM_EARLIER}),
    "same_as_sibling": frozenset({Q.SAME_AS_SIBLING}),
    "sent_twice": frozenset({Q.SENT_TWICE}),
    "lost_trap_zeros": frozenset({Q.LOST_TRAP_ZEROS}),
    "liquid_words": frozenset({Q.LIQUID_WORDS, Q.SAFETY}),
    "date_off_by_days": frozenset({Q.DATE_OFF_BY_DAYS}),
    "last_year": frozenset({Q.DATE_OFF_BY_DAYS}),
    "twelve_hours_off": frozenset({Q.TWELVE_HOURS_OFF}),
    "day_month_swapped": frozenset({Q.DAY_MONTH_SWAPPED}),
    "place_signs": frozenset({Q.PLACE_SIGNS}),
    "place_minutes": frozenset({Q.PLACE_MINUTES}),
    "wrong_habitat": frozenset({Q.WRONG_HABITAT}),
    "rounded": frozenset({Q.ROUND_NUMBERS}),
    "only_exciting": frozenset(one for one in Q if one.value == "small_missed"),
}


@dataclass(frozen=True, eq=False)
class Sent:
    """One return as it came, what a careful count of that tray would have said (G,), and what is wrong with it."""

    site: int
    trap: int
    night: int
    region: int
    window: int
    habitat: int
    report: Report
    truth: np.ndarray
    kind: str | None = None
    extreme: bool = False
    true_nights: float = 1.0

    @property
    def nights(self) -> float:
        """Return the trap-nights that follow from what was sent; 1 where none do."""
        hours = (self.report.emptied_at - self.report.set_at).total_seconds() / 3600.0
        return trap_nights(hours, self.report.traps_pooled) or 1.0


@dataclass(frozen=True, eq=False)
class Season:
    """Returns in the order of their coming, and the lists of the season."""

    name: str
    groups: tuple[str, ...]
    ceilings: np.ndarray
    typical: np.ndarray
    high: np.ndarray
    habitats: tuple[str, ...]
    regions: int
    windows: int
    rings: tuple[tuple[np.ndarray, ...], ...]
    returns: tuple[Sent, ...]


@dataclass(frozen=True, eq=False)
class Learned:
    """The season as arrays (n, G) and what is usual of it (R, W, H, G)."""

    low: np.ndarray
    high: np.ndarray
    point: np.ndarray
    nights: np.ndarray
    mean: np.ndarray
    size: np.ndarray
    site_shape: np.ndarray
    place: tuple[np.ndarray, np.ndarray, np.ndarray]


def learn(season: Season) -> Learned:
    """Learn what is usual from all returns, the wrong ones among them, as a night does."""
    low, high = (
        np.array(side)
        for side in zip(*(bounds_of(o.report.answers, season.groups) for o in season.returns), strict=True)
    )
    nights = np.array([one.nights for one in season.returns])
    place = tuple(np.array([getattr(one, name) for one in season.returns]) for name in ("region", "window", "habitat"))
    room = (season.regions, season.windows, len(season.habitats))
    hours = nights * 24.0
    honest = (hours >= HONEST_HOURS[0]) & (hours <= HONEST_HOURS[1])
    learned = [
        estimate_usual(
            low=low[honest, g], high=high[honest, g], effort=nights[honest],
            stratum=np.ravel_multi_index(place, room)[honest], strata=int(np.prod(room)),
            planning_typical=season.typical[g], planning_high=season.high[g],
        )
        for g in range(len(season.groups))
    ]  # fmt: skip
    mean, size, shape = (
        np.stack([getattr(one, name) for one in learned], axis=-1).reshape(*room, -1)
        for name in ("mean", "size", "site_shape")
    )
    return Learned(low, high, point_of(low, high), nights, mean, size, shape, place)


def cases_of(season: Season, learned: Learned, *, with_later: bool = True) -> list[ScreeningCase]:
    """Return what screening compares each return with, as the service reads it from its tables."""
    frames = _frames(season, learned)
    known = ~np.isnan(learned.low)
    expected = np.where(known, learned.mean[learned.place] * learned.nights[:, None], 0.0)
    counts = np.where(known, learned.point, 0.0)
    came: dict[int, list[int]] = defaultdict(list)
    night: dict[tuple[int, int], list[int]] = defaultdict(list)
    for at, one in enumerate(season.returns):
        night[one.site, one.report.set_at.toordinal()].append(at)
    cases = []
    for at, one in enumerate(season.returns):
        cell = one.region, one.window, one.habitat
        before = came[one.site]
        after = [b for b in night[one.site, one.report.set_at.toordinal()] if b > at and with_later]
        shape, rate = _site(
            learned, cell, [b for b in before if season.returns[b].night != one.night], counts, expected
        )
        usual = tuple(
            Usual(g, float(m), float(k), int(c), float(a), float(b))
            for g, m, k, c, a, b in zip(
                season.groups, learned.mean[cell], learned.size[cell], season.ceilings, shape, rate, strict=True
            )
        )
        ratios = learned.mean[one.region, one.window] / learned.mean[cell]
        others = {code: ratios[n] for n, code in enumerate(season.habitats) if n != one.habitat}
        cases.append(
            ScreeningCase(
                report=one.report, neighbours=tuple(_neighbour(season, b, one) for b in before), usual=usual,
                region=frames[one.region, one.window], trap_nights=float(learned.nights[at]), elsewhere=others,
                later=tuple(_neighbour(season, b, one) for b in after if season.returns[b].trap != one.trap),
            )
        )  # fmt: skip
        before.append(at)
    return cases


def _site(learned, cell, earlier, counts, expected):
    shape = rate = learned.site_shape[cell]
    for b in earlier:
        there = tuple(part[b] for part in learned.place)
        shape, rate = update_site(shape, rate, counts[b], expected[b], learned.size[there])
    return shape, rate


def _frames(season: Season, learned: Learned) -> dict[tuple[int, int], RegionFrame]:
    effort = np.zeros(learned.mean.shape[:3])
    np.add.at(effort, learned.place, np.clip(learned.nights, 0.0, 3.0))
    return {
        (r, w): RegionFrame(
            season.groups, effort[r, w] @ learned.mean[r, w], float(effort[r, w].sum()), season.rings[r]
        )
        for r in range(season.regions)
        for w in range(season.windows)
    }


def _neighbour(season: Season, b: int, one: Sent) -> Neighbour:
    other = season.returns[b]
    apart = abs((other.report.set_at - one.report.set_at).total_seconds()) / 3600.0
    same_night = other.report.set_at.date() == one.report.set_at.date()
    return Neighbour(str(b), other.trap == one.trap, same_night, apart, other.report.answers)


def severity(season: Season, learned: Learned) -> np.ndarray:
    """Return how far each slip moves the indices (n,): summed relative shifts of the catch per trap-night, and one.

    The one stands for what no count shows: a night that is counted twice, in the wrong season, or not at all.
    """
    truth = np.array([one.truth for one in season.returns], dtype=float)
    nights = np.array([one.true_nights for one in season.returns])
    sent = np.where(np.isnan(learned.point), truth, learned.point) / learned.nights[:, None]
    typical = np.maximum(learned.mean[learned.place], LEAST_MEAN)
    return 1.0 + np.sum(np.abs(sent - truth / nights[:, None]) / typical, axis=1)


@dataclass(frozen=True, eq=False)
class Verdict:
    """What a method held of a season within the budget."""

    recall: float
    weighted: float
    damped: float
    extremes: float
    named: float
    precision: float
    kinds: dict[str, tuple[int, int, int]]  # planted, held, named rightly


def held_by_rank(screenings: list[Screening]) -> np.ndarray:
    """Return which returns wait (n,) when the queue is cut at the budget."""
    ranks, urgent, certain = (
        np.array([getattr(s, name) for s in screenings]) for name in ("rank", "urgent", "certain")
    )
    held = np.zeros(len(screenings), dtype=bool)
    held[choose_for_review(ranks, urgent, certain, BUDGET)] = True
    return held


def judge(season: Season, held: np.ndarray, weights: np.ndarray, first: list[QueryReason | None] | None) -> Verdict:
    """Compare what was held with what was planted; ``first`` are the first reasons, None for a method without any."""
    kinds = [one.kind for one in season.returns]
    wrong = np.array([kind is not None for kind in kinds])
    extreme = np.array([one.extreme and one.kind is None for one in season.returns])
    right = np.array([
        first is not None and kind is not None and first[at] in RIGHT[kind] for at, kind in enumerate(kinds)
    ])  # fmt: skip
    table = {
        kind: (
            sum(k == kind for k in kinds),
            sum(k == kind and bool(h) for k, h in zip(kinds, held, strict=True)),
            sum(k == kind and bool(h) and bool(r) for k, h, r in zip(kinds, held, right, strict=True)),
        )
        for kind in sorted({k for k in kinds if k})
    }
    damp = np.log1p(weights)
    return Verdict(
        recall=float(np.mean(held[wrong])),
        weighted=float(weights[held & wrong].sum() / weights[wrong].sum()),
        damped=float(damp[held & wrong].sum() / damp[wrong].sum()),
        extremes=float(np.mean(held[extreme])) if extreme.any() else 0.0,
        named=float(np.mean(right[held & wrong])) if first is not None and np.any(held & wrong) else float("nan"),
        precision=float(np.mean(wrong[held])) if held.any() else 0.0,
        kinds=table,
    )
