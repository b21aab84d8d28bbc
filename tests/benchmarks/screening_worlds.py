"""Two worlds with planted slips: the project's own simulator, and one with quite other assumptions.

The second world: log-normal gardens, nights and scatter (the first has gammas), all thirty groups with other means,
a night's weather shared by all groups, swarms in other groups and now and then a rich night of everything, large
counts rounded by honest people, unequal shares of slips, copies with changes, slips of a row from any row on. Its
numbers are made up: common practice, no source.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
from shapely.geometry import shape

from surveys.methods.records import Answer, Report
from surveys.methods.simulation import simulate_season, world_from_mappings
from surveys.vocabulary import CLASS_BOUNDS, AnswerKind
from tests.benchmarks.screening_season import Season, Sent
from tests.benchmarks.screening_slipped import Slips

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
AS_OF = datetime(2026, 11, 20, tzinfo=UTC)
SENT_AFTER = timedelta(days=3)
OPENS, CLOSES = datetime(2026, 4, 1, tzinfo=UTC), datetime(2026, 12, 15, tzinfo=UTC)


def read(name: str):
    """Return one fixture file as plain values."""
    return json.loads((FIXTURES / name).read_text(encoding="utf-8"))


def own_world(seed: int, *, households: int, schools: int) -> Season:
    """Return a season of the project's own simulator."""
    groups, plan = {row["code"]: row for row in read("reference/groups.json")}, read("demo/season.json")
    merrow = read("demo/merrow.geojson")
    world = world_from_mappings(list(groups.values()), read("reference/habitats.json"), plan, merrow)
    made = simulate_season(world, rng=np.random.default_rng(seed), households=households, schools=schools, as_of=AS_OF)
    returns = []
    for one in sorted(made.returns, key=lambda one: one.emptied_at):
        garden = made.gardens[one.garden]
        window = min(range(len(world.windows)), key=lambda n: _days_off(world.windows[n], one.set_at.date()))
        report = Report(
            set_at=one.set_at, emptied_at=one.emptied_at, sent_at=max(one.set_at, one.emptied_at) + SENT_AFTER,
            latitude=garden.latitude, longitude=garden.longitude, season_opens=OPENS, season_closes=CLOSES,
            habitat=one.habitat, note=one.note, answers=one.answers, **dict(one.fields),
        )  # fmt: skip
        truth = np.array([_middle(answer) for answer in one.true_answers])
        returns.append(
            Sent(
                garden.number, one.trap, one.set_at.toordinal(), garden.region, window,
                world.habitats.index(one.habitat), report, truth, one.slip, one.extreme,
            )
        )  # fmt: skip
    typical, high = (np.array([groups[g][f"planning_{name}"] for g in world.groups]) for name in ("typical", "high"))
    rings = tuple(_rings(feature["geometry"]) for feature in merrow["features"])
    return Season(
        "own", world.groups, np.array(world.ceilings), typical, high, world.habitats, len(world.regions),
        len(world.windows), rings, tuple(returns),
    )  # fmt: skip


def _days_off(window, day: date) -> int:
    return max((window.first_day - day).days, (day - window.last_day).days, 0)


def _middle(answer: Answer) -> float:
    if answer.low is None:
        return 0.0
    return float(answer.low * 1.5 if answer.high is None else np.sqrt(answer.low * answer.high))


def _rings(geometry) -> tuple[np.ndarray, ...]:
    outline = shape(geometry)
    parts = outline.geoms if outline.geom_type == "MultiPolygon" else [outline]
    return tuple(np.asarray(ring.coords)[:, :2] for part in parts for ring in (part.exterior, *part.interiors))


# --- the second world ---------------------------------------------------------------------------

HABITATS = ("short_lawn", "flower_border", "hedge_base", "compost_edge", "bare_gravel", "wall_edge", "other")
WINDOW_STARTS = (date(2026, 5, 2), date(2026, 6, 20), date(2026, 8, 15))
SWARMS = ("woodlice", "aphids_hoppers", "fly_maggots", "earwigs", "landhoppers", "ants", "springtails", "flies", "slugs",
          "millipedes")  # fmt: skip
#: Shares of the planted slips.
SHARES = {
    "ten_times": 10, "hundred_times": 3, "doubled_digit": 6, "digits_exchanged": 4, "impossible_count": 3, "row_slip": 8,
    "look_alikes": 7, "look_alikes_merged": 3, "traps_pooled": 9, "copied_from_earlier": 6, "same_as_sibling": 6,
    "sent_twice": 6, "lost_trap_zeros": 6, "liquid_words": 5, "date_off_by_days": 6, "last_year": 2,
    "twelve_hours_off": 4, "day_month_swapped": 3, "place_signs": 3, "place_minutes": 2, "wrong_habitat": 5,
    "rounded": 3, "only_exciting": 4,
}  # fmt: skip


def other_world(seed: int, *, households: int, schools: int, slip_share: float = 0.05) -> Season:
    """Return a season of the second world."""
    return _Other(seed).season(households, schools, slip_share)


class _Other(Slips):
    """One draw of the second world."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng([seed, 1912])
        rows = [row for row in read("reference/groups.json") if row["code"] != "scorpions"]
        self.groups = tuple(row["code"] for row in rows)
        self.ceilings, self.typical, self.high = (
            np.array([row[name] for row in rows], dtype=float)
            for name in ("ceiling", "planning_typical", "planning_high")
        )
        n, rng = len(rows), self.rng
        self.base = np.exp(rng.normal(np.log(np.maximum(self.high, 2.0) / 22.0), 0.6))
        self.habitat = np.exp(rng.normal(0.0, 0.6, (len(HABITATS), n)))
        self.place = np.exp(rng.normal(0.0, 0.3, (3, 3, n)))
        self.scatter = rng.uniform(0.45, 1.05, n)  # log sd of a trap's night
        self.squares = [
            np.array([[x, 50.8], [x + 0.5, 50.8], [x + 0.5, 51.55], [x, 51.55]]) for x in (-4.6, -3.9, -3.2)
        ]
        self.returns: list[Sent] = []

    def season(self, households: int, schools: int, slip_share: float) -> Season:
        for site in range(households + schools):
            self._garden(site, school=site >= households)
        self._plant(slip_share)
        self.returns.sort(key=lambda one: one.report.sent_at)
        return Season(
            "other", self.groups, self.ceilings, self.typical, self.high, HABITATS, 3, 3,
            tuple((square,) for square in self.squares), tuple(self.returns),
        )  # fmt: skip

    def _garden(self, site: int, *, school: bool) -> None:
        rng = self.rng
        region = int(rng.integers(3))
        traps = int(rng.integers(5, 11)) if school else int(rng.choice([1, 2, 3, 4], p=[0.25, 0.3, 0.25, 0.2]))
        habitats = rng.integers(0, len(HABITATS), traps)
        sd = 0.75
        garden = np.exp(rng.normal(0, sd * np.sqrt(0.4)) + rng.normal(0, sd * np.sqrt(0.6), len(self.groups)))
        corner = self.squares[region][0]
        latitude, longitude = corner[1] + rng.uniform(0.05, 0.7), corner[0] + rng.uniform(0.03, 0.47)
        rounds = rng.random() < 0.25  # this family rounds large numbers
        for window, first in enumerate(WINDOW_STARTS):
            for day in sorted(rng.choice(40, int(rng.integers(1, 4)), replace=False)):
                evening = datetime.combine(first + timedelta(days=int(day)), datetime.min.time(), UTC)
                set_at = evening + timedelta(hours=17.0 + round(float(rng.uniform(0, 3)) * 4) / 4)
                hours = 24.0 + round(float(rng.normal(0, 1.2)) * 4) / 4
                weather = np.exp(rng.normal(0, 0.4))
                for trap in range(traps):
                    mean = self.base * self.habitat[habitats[trap]] * self.place[region, window] * garden * weather
                    scatter = np.exp(self.scatter * rng.standard_normal(len(mean)) - 0.2)
                    counts = rng.poisson(mean * scatter * hours / 24.0)
                    extreme = rng.random() < 0.012
                    if extreme:
                        counts = self._extreme(counts)
                    self._add(
                        site=site,
                        trap=trap,
                        set_at=set_at,
                        hours=hours,
                        place=(region, window, int(habitats[trap])),
                        counts=counts,
                        extreme=extreme,
                        point=(float(latitude), float(longitude)),
                        rounds=rounds,
                        traps=traps,
                    )

    def _extreme(self, counts: np.ndarray) -> np.ndarray:
        rng = self.rng
        counts = counts.copy()
        if rng.random() < 0.15:
            return np.round(counts * rng.uniform(2.0, 4.0)).astype(int)
        at = self.groups.index(str(rng.choice(SWARMS)))
        counts[at] = int(self.base[at] * rng.uniform(8, 45)) + int(rng.integers(5, 30))
        return np.minimum(counts, self.ceilings - 1).astype(int)

    def _add(self, *, site, trap, set_at, hours, place, counts, extreme, point, rounds, traps) -> None:
        region, window, habitat = place
        counts = np.minimum(counts, self.ceilings - 1)
        sent = counts.copy()
        if rounds or extreme:
            sent = np.where(sent > 60, np.round(sent / 10.0) * 10, sent).astype(int)
        emptied = set_at + timedelta(hours=hours)
        state = str(self.rng.choice(["intact", "tilted", "water_in", "soil_in"], p=[0.95, 0.02, 0.02, 0.01]))
        report = Report(
            set_at=set_at, emptied_at=emptied, sent_at=emptied + timedelta(hours=float(self.rng.exponential(8.0))),
            latitude=point[0], longitude=point[1], season_opens=OPENS, season_closes=CLOSES, habitat=HABITATS[habitat],
            trap_state=state, traps_open=traps, answers=self._answers(sent),
            note=str(self.rng.choice(["", "", "", "Dry night.", "We washed the cup before.", "A fox came by."])),
        )  # fmt: skip
        self.returns.append(
            Sent(site, trap, set_at.toordinal(), region, window, habitat, report, counts.astype(float), None, extreme,
                 hours / 24.0)
        )  # fmt: skip

    def _answers(self, counts: np.ndarray) -> tuple[Answer, ...]:
        classed = self.rng.random(len(counts)) < 0.35
        found = []
        for group, count, as_class in zip(self.groups, counts, classed, strict=True):
            n = int(count)
            if n <= 0:
                found.append(Answer(group, AnswerKind.NONE_SEEN, 0, 0))
            elif as_class and n > 20:
                low, high = next(b for b in CLASS_BOUNDS.values() if b[1] is None or n <= b[1])
                found.append(Answer(group, AnswerKind.CLASS, low, high))
            else:
                found.append(Answer(group, AnswerKind.NUMBER, n, n))
        return tuple(found)

    def _plant(self, share: float) -> None:
        rng = self.rng
        names, weights = list(SHARES), np.array(list(SHARES.values()), dtype=float)
        order = [int(n) for n in rng.permutation(len(self.returns)) if not self.returns[n].extreme]
        wanted, used, gone = round(share * len(self.returns)), Counter(), set()
        for at in order:
            if sum(used.values()) >= wanted:
                break
            if at in gone or self.returns[at].kind:
                continue
            kind = str(rng.choice(names, p=weights / weights.sum()))
            slipped = self._slip(kind, self.returns[at], gone)
            if slipped is None:
                continue
            used[kind] += 1
            if kind == "sent_twice":
                self.returns.append(slipped)
            else:
                self.returns[at] = slipped
        self.returns = [one for n, one in enumerate(self.returns) if n not in gone]

    def _slip(self, kind: str, one: Sent, gone: set[int]) -> Sent | None:
        if kind == "wrong_habitat":
            said = int(self.rng.choice([h for h in range(len(HABITATS)) if h != one.habitat]))
            return replace(one, kind=kind, habitat=said, report=replace(one.report, habitat=HABITATS[said]))
        if kind == "lost_trap_zeros" and self.rng.random() < 0.7:
            state = str(self.rng.choice(["water_in", "moved", "dug_up", "cover_lost"]))
            one = replace(one, report=replace(one.report, trap_state=state))
        changed = self._counts_slipped(kind, one, gone)
        if changed is not None:
            return replace(one, kind=kind, report=replace(one.report, answers=self._exact(changed)))
        report = self._report_slipped(kind, one)
        return None if report is None else replace(one, kind=kind, report=report)
