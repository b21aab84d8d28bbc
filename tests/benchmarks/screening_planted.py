"""Made-up seasons with slips planted in 5 % of returns and honest extremes in 2 %.

World A is that of tests/surveys/methods/test_screening_simulation.py: gamma gardens, one spread for all groups, each
kind of slip as likely as any other. World B differs on purpose: log-normal gardens, habitats, nights and regions, a
garden that is rich is rich in everything, a spread of its own for each group, any group may be extreme, and slips are
harsher, subtler and unequally common. World C is B with few animals. All numbers are made up: common practice, no source.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from surveys.methods.records import Answer, Report
from surveys.vocabulary import AnswerKind

ROWS = [
    row
    for row in json.loads(
        (Path(__file__).resolve().parents[2] / "fixtures/reference/groups.json").read_text(encoding="utf-8")
    )
    if row["code"] != "scorpions"  # thirty groups are left
]
GROUPS = tuple(row["code"] for row in ROWS)
TYPICAL, HIGH, CEILINGS = (
    np.array([row[name] for row in ROWS], dtype=float) for name in ("planning_typical", "planning_high", "ceiling")
)
OPENS, CLOSES = datetime(2026, 5, 1, tzinfo=UTC), datetime(2026, 9, 30, tzinfo=UTC)
WRONG_SHARE, EXTREME_SHARE = 0.05, 0.02
NOTES = ("", "", "", "Sunny and warm.", "We washed our hands with soap.", "No liquid, just moss.", "It rained.")
WET_NOTES = ("we put a bit of beer in", "Soapy water in the cup", "used antifreeze", "", "found them dead, drowned")
SWAPS_A = (
    ("earwigs", "rove_beetles"),
    ("millipedes", "centipedes"),
    ("harvestmen", "spiders"),
    ("springtails", "mites"),
    ("flat_bugs", "other_beetles"),
)
SWAPS_B = (
    *SWAPS_A,
    ("slugs", "land_flatworms"),
    ("ground_beetles", "other_beetles"),
    ("fly_maggots", "beetle_grubs"),
)
#: Slips of which no count tells how far they move an index: the return belongs elsewhere, or nowhere.
WHOLE = frozenset(
    {"resend", "day", "half_day", "day_month", "last_year", "place", "minutes", "habitat", "liquid"},
)


@dataclass(frozen=True, eq=False)
class Sent:
    """One return as it came; ``truth`` (G,) is what the trap held, ``counts`` (G,) what was sent."""

    site: int
    night: int
    trap: int
    region: int
    habitat: int
    truth: np.ndarray
    counts: np.ndarray
    report: Report
    kind: str = ""
    extreme: bool = False


@dataclass(frozen=True, eq=False)
class World:
    """A season: returns in the order of their coming, and the shape of its strata."""

    name: str
    habitats: tuple[str, ...]
    rings: tuple[tuple[np.ndarray, ...], ...]  # of each region
    turns: tuple[datetime, ...]  # a later window begins here
    returns: tuple[Sent, ...]

    def window(self, one: Sent) -> int:
        """Return the window into which the stated date falls."""
        return sum(one.report.set_at >= turn for turn in self.turns)

    def true_window(self, one: Sent) -> int:
        """Return the window in which the return was sent."""
        return sum(one.report.sent_at >= turn for turn in self.turns)


def answers_of(counts: np.ndarray) -> tuple[Answer, ...]:
    """Return counts as answers: none seen, or a number."""
    words = (AnswerKind.NONE_SEEN, AnswerKind.NUMBER)
    return tuple(Answer(group, words[int(n > 0)], int(n), int(n)) for group, n in zip(GROUPS, counts, strict=True))


def draw_nb(rng: np.random.Generator, mean: np.ndarray, size: np.ndarray | float) -> np.ndarray:
    """Draw negative binomial counts as a gamma mixture of Poissons."""
    return rng.poisson(mean * rng.gamma(size, 1.0 / np.asarray(size), np.shape(mean)))


def square(west: float, south: float, width: float, height: float) -> np.ndarray:
    """Return the four corners of a region as (longitude, latitude)."""
    return np.array([[west, south], [west + width, south], [west + width, south + height], [west, south + height]])


def world_a(seed: int, sites: int) -> World:
    """Return a season of world A."""
    rng = np.random.default_rng([seed, 1])
    habitats = ("short_lawn", "flower_border", "hedge_base", "wall_edge")
    outline = square(-19.0, 51.0, 2.0, 1.0)
    means = np.maximum(HIGH / 14.0, 0.05) * np.where(TYPICAL > 0.0, 1.1, 0.7)
    factor = np.exp(rng.normal(0.0, 0.6, (len(habitats), len(GROUPS))))
    season: list[Sent] = []
    for site in range(sites):
        garden, point = rng.gamma(1.25, 0.8, len(GROUPS)), point_in(rng, outline)
        chosen = rng.integers(0, len(habitats), rng.integers(1, 5))
        for night in range(int(rng.integers(2, 9))):
            base = plain_report(rng, OPENS + timedelta(days=night * 6 + int(rng.integers(0, 3))), point)
            weather = np.exp(rng.normal(0.0, 0.3))
            for trap, habitat in enumerate(chosen):
                counts = draw_nb(rng, means * factor[habitat] * garden * weather, 0.9)
                extreme = rng.random() < EXTREME_SHARE
                if extreme:
                    swarms = ("ants", "springtails", "woodlice", "aphids_hoppers", "earwigs", "flies")
                    at = GROUPS.index(str(rng.choice(swarms)))
                    counts[at] = int(means[at] * rng.uniform(8.0, 30.0)) + int(rng.integers(3, 9))
                report = replace(base, habitat=habitats[habitat])
                season.append(Sent(site, night, trap, 0, int(habitat), counts, counts, report, extreme=extreme))
    returns = Planter(rng, season, habitats, SLIPS_A).plant()
    return World("A", habitats, ((outline,),), (), returns)


def world_c(seed: int, sites: int) -> World:
    """Return a season of world B with a tenth of its animals: an empty cup is nothing odd."""
    return world_b(seed, sites, name="C", richness=0.1)


def world_b(seed: int, sites: int, *, name: str = "B", richness: float = 1.0) -> World:
    """Return a season of world B; ``richness`` multiplies the mean of every group."""
    rng = np.random.default_rng([seed, 2])
    habitats = ("short_lawn", "flower_border", "hedge_base", "compost_edge", "bare_gravel", "other")
    outlines = [square(west, 50.8, 0.5, 0.5) for west in (-4.6, -4.1, -3.6)]
    means = richness * np.exp(rng.normal(np.log(np.maximum(HIGH, 3.0) / 18.0), 0.7))
    sizes = rng.uniform(0.3, 2.0, len(GROUPS))
    factor = np.exp(rng.normal(0.0, 0.7, (len(habitats), len(GROUPS))))
    place = np.exp(rng.normal(0.0, 0.3, (3, 2, len(GROUPS))))
    season: list[Sent] = []
    for site in range(sites):
        region = int(rng.integers(3))
        garden = np.exp(rng.normal(0.0, 0.6) + rng.normal(0.0, 0.55, len(GROUPS)))
        point, traps = point_in(rng, outlines[region]), int(rng.integers(1, 7))
        chosen = rng.integers(0, len(habitats), traps)
        says_traps = rng.random() < 0.6
        for night in sorted(rng.choice(8, int(rng.integers(1, 9)), replace=False)):
            base = plain_report(rng, OPENS + timedelta(days=int(night) * 16 + int(rng.integers(0, 12))), point)
            base = replace(base, traps_open=traps if says_traps else None)
            weather = np.exp(rng.normal(0.0, 0.45))
            for trap, habitat in enumerate(chosen):
                mean = means * factor[habitat] * garden * weather * place[region, int(night >= 4)]
                counts = draw_nb(rng, mean, sizes)
                extreme = rng.random() < EXTREME_SHARE
                if extreme:
                    counts = extreme_of_b(rng, counts, mean)
                late = timedelta(minutes=int(rng.integers(0, 40)))
                report = replace(base, habitat=habitats[habitat], sent_at=base.sent_at + late, trap_state=state(rng))
                sent = Sent(site, int(night), trap, region, int(habitat), counts, counts, report, extreme=extreme)
                season.append(sent)
    returns = Planter(rng, season, habitats, SLIPS_B).plant()
    return World(name, habitats, tuple((one,) for one in outlines), (OPENS + timedelta(days=62),), returns)


def extreme_of_b(rng: np.random.Generator, counts: np.ndarray, mean: np.ndarray) -> np.ndarray:
    """Return counts with a swarm of hundreds, or any group at 5 to 20 times its mean."""
    counts = counts.copy()
    if rng.random() < 0.4:
        counts[GROUPS.index(str(rng.choice(["ants", "springtails"])))] = rng.integers(200, 900)
        return counts
    at = int(rng.choice(np.flatnonzero(mean >= min(0.5, mean.max()))))
    counts[at] = max(int(np.ceil(mean[at] * rng.uniform(5.0, 20.0))), int(counts[at]))
    return counts


def state(rng: np.random.Generator) -> str:
    """Return the state in which a trap was lifted: most are well."""
    return str(rng.choice(["intact", "tilted", "water_in", "soil_in"], p=[0.94, 0.02, 0.03, 0.01]))


def point_in(rng: np.random.Generator, outline: np.ndarray) -> tuple[float, float]:
    """Return latitude and longitude of a garden well inside a region."""
    (west, south), (east, north) = outline.min(axis=0), outline.max(axis=0)
    return float(rng.uniform(south + 0.03, north - 0.03)), float(rng.uniform(west + 0.03, east - 0.03))


def plain_report(rng: np.random.Generator, day: datetime, point: tuple[float, float]) -> Report:
    """Return what a careful family says of one night."""
    set_at = day + timedelta(hours=float(rng.integers(16, 20)))
    emptied_at = set_at + timedelta(hours=float(np.round(24.0 + rng.normal(0.0, 1.0), 2)))
    return Report(
        set_at=set_at, emptied_at=emptied_at, sent_at=emptied_at + timedelta(hours=float(rng.exponential(4.0))),
        latitude=point[0], longitude=point[1], season_opens=OPENS, season_closes=CLOSES, trap_state="intact",
        note=str(rng.choice(NOTES)),
    )  # fmt: skip


class Planter:
    """Plants slips in returns that are no extremes, each return at most once."""

    def __init__(self, rng: np.random.Generator, season: list[Sent], habitats: tuple[str, ...], slips: Slips) -> None:
        self.rng, self.habitats, self.slips = rng, habitats, slips
        self.season = sorted(season, key=lambda one: one.report.sent_at)
        self.of_site: dict[int, list[int]] = defaultdict(list)
        for at, one in enumerate(self.season):
            self.of_site[one.site].append(at)
        self.gone: set[int] = set()

    def plant(self) -> tuple[Sent, ...]:
        """Return the season with its slips, in the order of coming."""
        kinds, shares = list(self.slips), np.array([share for share, _ in self.slips.values()], dtype=float)
        wanted, again = round(WRONG_SHARE * len(self.season)), []
        for at in map(int, self.rng.permutation(len(self.season))):
            one = self.season[at]
            if not wanted:
                break
            if one.extreme or one.kind or at in self.gone:
                continue
            kind = str(self.rng.choice(kinds, p=shares / shares.sum()))
            slipped = self.slips[kind][1](self, at, one)
            if slipped is None:
                continue
            wanted -= 1
            if kind == "resend":
                again.append(replace(slipped, kind=kind))
            else:
                self.season[at] = replace(slipped, kind=kind)
        left = [one for at, one in enumerate(self.season) if at not in self.gone] + again
        return tuple(sorted(left, key=lambda one: one.report.sent_at))

    def others(self, at: int, *, same_night: bool) -> list[int]:
        """Return places of untouched returns of the site: siblings of that night, or the trap's earlier nights."""
        one, found = self.season[at], []
        for n in self.of_site[one.site]:
            other = self.season[n]
            near = other.night == one.night if same_night else other.night < one.night and other.trap == one.trap
            if n != at and near and not other.kind and n not in self.gone:
                found.append(n)
        return found

    def counts(self, one: Sent, counts: np.ndarray) -> Sent | None:
        """Return the return with other counts, None where nothing changes."""
        return None if np.array_equal(counts, one.counts) else replace(one, counts=counts)

    def times(self, at: int, one: Sent) -> Sent | None:
        return self._multiply(one, one.counts > 0, 10)

    def times_or_worse(self, at: int, one: Sent) -> Sent | None:
        return self._multiply(one, one.counts > 0, int(self.rng.choice([10, 100], p=[0.75, 0.25])))

    def doubled(self, at: int, one: Sent) -> Sent | None:
        return self._multiply(one, (one.counts > 0) & (one.counts < 10), 11)

    def _multiply(self, one: Sent, may: np.ndarray, by: int) -> Sent | None:
        if not may.any():
            return None
        counts = one.counts.copy()
        counts[self.rng.choice(np.flatnonzero(may))] *= by
        return replace(one, counts=counts)

    def row(self, at: int, one: Sent) -> Sent | None:
        return self.counts(one, np.roll(one.counts, self.rng.choice([-1, 1])))

    def row_from_any(self, at: int, one: Sent) -> Sent | None:
        start, counts = int(self.rng.integers(0, len(GROUPS) - 4)), one.counts.copy()
        if self.rng.random() < 0.5:
            counts[start + 1 :], counts[start] = one.counts[start:-1], 0
        else:
            counts[start:-1], counts[-1] = one.counts[start + 1 :], 0
        return self.counts(one, counts)

    def swap(self, at: int, one: Sent) -> Sent | None:
        return self._swap(one, SWAPS_A)

    def swap_more(self, at: int, one: Sent) -> Sent | None:
        return self._swap(one, SWAPS_B)

    def _swap(self, one: Sent, pairs: tuple[tuple[str, str], ...]) -> Sent | None:
        a, b = (GROUPS.index(name) for name in pairs[self.rng.integers(len(pairs))])
        counts = one.counts.copy()
        counts[[a, b]] = counts[[b, a]]
        return self.counts(one, counts)

    def pooled(self, at: int, one: Sent) -> Sent | None:
        return self._pool(one, self.others(at, same_night=True))

    def pooled_some(self, at: int, one: Sent) -> Sent | None:
        found = self.others(at, same_night=True)
        return self._pool(one, list(self.rng.permutation(found))[: self.rng.integers(1, 4)])

    def _pool(self, one: Sent, found: list[int]) -> Sent | None:
        found = [int(n) for n in found if not self.season[n].extreme]
        slipped = self.counts(one, one.counts + sum(self.season[n].truth for n in found))
        if slipped is not None:
            self.gone.update(found)
        return slipped

    def copied(self, at: int, one: Sent) -> Sent | None:
        earlier = [n for n in self.others(at, same_night=False) if self.season[n].truth.any()]
        return self.counts(one, self.season[earlier[-1]].truth) if earlier else None

    def copied_edited(self, at: int, one: Sent) -> Sent | None:
        earlier = [n for n in self.others(at, same_night=False) if self.season[n].truth.any()]
        return self.counts(one, self._edited(self.season[self.rng.choice(earlier)].truth)) if earlier else None

    def sibling(self, at: int, one: Sent) -> Sent | None:
        before = [n for n in self.others(at, same_night=True) if n < at and self.season[n].truth.any()]
        return self.counts(one, self.season[before[0]].truth) if before else None

    def _edited(self, counts: np.ndarray) -> np.ndarray:
        counts = counts.copy()
        counts[self.rng.integers(len(counts))] += 1
        return counts

    def lost(self, at: int, one: Sent) -> Sent | None:
        states = ["intact", "water_in", "moved", "cover_lost", "dug_up"]
        return self._lose(one, str(self.rng.choice(states)))

    def lost_or_silent(self, at: int, one: Sent) -> Sent | None:
        states = ["intact", "water_in", "moved", "kicked", "dug_up"]
        return self._lose(one, str(self.rng.choice(states, p=[0.4, 0.2, 0.1, 0.1, 0.2])))

    def _lose(self, one: Sent, said: str) -> Sent | None:
        return self.counts(replace(one, report=replace(one.report, trap_state=said)), np.zeros_like(one.counts))

    def liquid(self, at: int, one: Sent) -> Sent | None:
        drawn = self.rng.poisson(np.where(np.isin(GROUPS, ("flies", "slugs", "rove_beetles")), 8.0, 0.0))
        report = replace(one.report, note=str(self.rng.choice(WET_NOTES)))
        return replace(one, counts=one.counts + drawn, report=report)

    def day(self, at: int, one: Sent) -> Sent | None:
        off = timedelta(days=int(self.rng.choice([-1, 1, 2])))
        return replace(one, report=replace(one.report, emptied_at=one.report.emptied_at + off))

    def half_day(self, at: int, one: Sent) -> Sent | None:
        return replace(one, report=replace(one.report, emptied_at=one.report.emptied_at - timedelta(hours=12)))

    def half_day_either(self, at: int, one: Sent) -> Sent | None:
        off = timedelta(hours=int(self.rng.choice([-12, 12])))
        name = str(self.rng.choice(["set_at", "emptied_at"]))
        return replace(one, report=replace(one.report, **{name: getattr(one.report, name) + off}))

    def day_month(self, at: int, one: Sent) -> Sent | None:
        first = one.report.set_at
        if first.day > 12 or first.day == first.month:
            return None
        return replace(one, report=replace(one.report, set_at=first.replace(day=first.month, month=first.day)))

    def last_year(self, at: int, one: Sent) -> Sent | None:
        years = {name: getattr(one.report, name).replace(year=2025) for name in ("set_at", "emptied_at")}
        return replace(one, report=replace(one.report, **years))

    def place(self, at: int, one: Sent) -> Sent | None:
        north, east = one.report.latitude, one.report.longitude
        latitude, longitude = [(north, -east), (east, north), (-east, north)][self.rng.integers(3)]
        return replace(one, report=replace(one.report, latitude=latitude, longitude=longitude))

    def minutes(self, at: int, one: Sent) -> Sent | None:
        typed = {name: float(np.trunc(v) + (v - np.trunc(v)) * 0.6) for name, v in
                 (("latitude", one.report.latitude), ("longitude", one.report.longitude))}  # fmt: skip
        return replace(one, report=replace(one.report, **typed))

    def habitat(self, at: int, one: Sent) -> Sent | None:
        said = int(self.rng.choice([n for n in range(len(self.habitats)) if n != one.habitat]))
        return replace(one, habitat=said, report=replace(one.report, habitat=self.habitats[said]))

    def resend(self, at: int, one: Sent) -> Sent | None:
        counts = self._edited(one.counts) if self.rng.random() < 0.3 else one.counts
        later = one.report.sent_at + timedelta(hours=float(self.rng.uniform(0.1, 30.0)))
        return replace(one, counts=counts, report=replace(one.report, sent_at=later))

    def rounded(self, at: int, one: Sent) -> Sent | None:
        counts = (np.floor(one.counts / 10.0 + 0.5) * 10).astype(int)
        return self.counts(one, counts) if np.sum(counts > 0) >= 2 else None

    def unseen(self, at: int, one: Sent) -> Sent | None:
        many = np.flatnonzero(one.counts >= 10)
        if not len(many):
            return None
        counts = one.counts.copy()
        counts[self.rng.choice(many)] = 0
        return replace(one, counts=counts)


Slips = dict[str, tuple[float, Callable[[Planter, int, Sent], Sent | None]]]
#: Kind: its share of the slips, and what it does.
SLIPS_A: Slips = {
    name: (1.0, getattr(Planter, does))
    for name, does in {"tenfold": "times", **{n: n for n in (
        "doubled", "row", "swap", "pooled", "copied", "sibling", "resend", "lost", "liquid", "day", "half_day",
        "day_month", "last_year", "place",
    )}}.items()
}  # fmt: skip
SLIPS_B: Slips = {
    "tenfold": (10, Planter.times_or_worse), "doubled": (7, Planter.doubled), "row": (8, Planter.row_from_any),
    "swap": (8, Planter.swap_more), "pooled": (9, Planter.pooled_some), "copied": (6, Planter.copied_edited),
    "sibling": (3, Planter.sibling), "resend": (6, Planter.resend), "lost": (7, Planter.lost_or_silent),
    "liquid": (5, Planter.liquid), "day": (6, Planter.day), "half_day": (4, Planter.half_day_either),
    "day_month": (3, Planter.day_month), "last_year": (2, Planter.last_year), "place": (3, Planter.place),
    "minutes": (2, Planter.minutes), "habitat": (5, Planter.habitat), "rounded": (4, Planter.rounded),
    "unseen": (5, Planter.unseen),
}  # fmt: skip
