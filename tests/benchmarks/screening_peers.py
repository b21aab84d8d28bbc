"""What does screening find within its review budget, beside methods that anybody could take from a shelf?

    python -m tests.benchmarks.screening_peers [--sites 250] [--seeds 3] [--quick]

Seasons of three made-up worlds (:mod:`tests.benchmarks.screening_planted`) are screened as they would be at night, on
what is usual as learned from the returns, the wrong ones among them. The returns that the budget of 5 % picks are
compared with as many returns picked by a robust z, an isolation forest and ECOD from the same season. The latter two
need scikit-learn and pyod, which the project itself does not.

References: isolation forest: Liu, Ting & Zhou (2008) ICDM; ECOD: Li et al. (2022) IEEE TKDE; robust z: Iglewicz &
Hoaglin (1993) (all from memory).
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib import import_module

import numpy as np

from surveys.methods.effort import trap_nights
from surveys.methods.records import Answer, Neighbour, Usual
from surveys.methods.screening import RegionFrame, Screening, ScreeningSettings, choose_for_review, screen_report
from surveys.methods.screening_chances import update_site
from surveys.methods.usual import estimate_usual
from surveys.vocabulary import QueryReason
from tests.benchmarks.screening_planted import (
    CEILINGS,
    GROUPS,
    HIGH,
    SLIPS_A,
    SLIPS_B,
    TYPICAL,
    WHOLE,
    Sent,
    World,
    answers_of,
    world_a,
    world_b,
    world_c,
)

BUDGET = 0.05
FIRST_SEED = 70_001
HONEST_NIGHTS = (0.5, 2.5)  # what is usual is learned from exposures of such a length
LEAST_TOTAL = 10.0  # added to a cell's total: an index of less is not shown
CAP = 95.0  # percentile at which the severity of a slip is cut
NORMAL = 1.4826  # makes a median absolute deviation a standard deviation under the normal

Q = QueryReason
RIGHT: dict[str, frozenset[QueryReason]] = {
    **dict.fromkeys(("tenfold", "doubled"), frozenset({Q.TEN_TIMES, Q.IMPOSSIBLE_COUNT})),
    "row": frozenset({Q.ROW_SLIP}),
    "swap": frozenset({Q.LOOK_ALIKES}),
    "pooled": frozenset({Q.TRAPS_POOLED}),
    "copied": frozenset({Q.COPIED_FROM_EARLIER}),
    "sibling": frozenset({Q.SAME_AS_SIBLING}),
    "resend": frozenset({Q.SENT_TWICE}),
    "lost": frozenset({Q.LOST_TRAP_ZEROS}),
    "liquid": frozenset({Q.LIQUID_WORDS}),
    **dict.fromkeys(("day", "last_year"), frozenset({Q.DATE_OFF_BY_DAYS})),
    "half_day": frozenset({Q.TWELVE_HOURS_OFF}),
    "day_month": frozenset({Q.DAY_MONTH_SWAPPED}),
    "place": frozenset({Q.PLACE_SIGNS}),
    "minutes": frozenset({Q.PLACE_MINUTES}),
    "habitat": frozenset({Q.WRONG_HABITAT}),
    "rounded": frozenset({Q.ROUND_NUMBERS}),
    "unseen": frozenset(),  # no reason has this name
}


# --- ours ---------------------------------------------------------------------------------------


def screen_world(world: World) -> list[Screening]:
    """Learn what is usual and screen every return against what came before it."""
    returns, place = world.returns, strata(world)
    nights = np.array([stated_nights(one) for one in returns])
    mean, size, site = learn(world, nights, place)
    frames = frames_of(world, nights, place, mean)
    counts = np.array([one.counts for one in returns], dtype=float)
    expected = mean[place] * nights[:, None]
    answers = [answers_of(one.counts) for one in returns]
    came: dict[int, list[int]] = defaultdict(list)
    found = []
    for at, one in enumerate(returns):
        cell = one.region, int(place[1][at]), one.habitat
        earlier = [b for b in came[one.site] if returns[b].report.set_at.date() != one.report.set_at.date()]
        shape = rate = site[cell]
        if earlier:
            sizes = size[tuple(part[earlier] for part in place)]
            shape, rate = update_site(shape, rate, counts[earlier], expected[earlier], sizes)
        ratios = mean[cell[:2]] / mean[cell]
        columns = zip(GROUPS, mean[cell], size[cell], CEILINGS, shape, rate, strict=True)
        found.append(
            screen_report(
                replace(one.report, answers=answers[at]),
                neighbours=tuple(neighbour(returns[b], one, str(b), answers[b]) for b in came[one.site]),
                usual=tuple(Usual(g, float(m), float(k), int(c), float(a), float(b)) for g, m, k, c, a, b in columns),
                region=frames[cell[:2]],
                settings=ScreeningSettings(),
                trap_nights=float(nights[at]),
                elsewhere={code: ratios[n] for n, code in enumerate(world.habitats) if n != cell[2]},
            )
        )
        came[one.site].append(at)
    return found


def stated_nights(one: Sent) -> float:
    """Return the trap-nights that follow from the stated times; 1 where none do."""
    hours = (one.report.emptied_at - one.report.set_at).total_seconds() / 3600.0
    return trap_nights(hours, one.report.traps_pooled) or 1.0


def strata(world: World) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return region, window and habitat (n,) as they were stated."""
    rows = [(one.region, world.window(one), one.habitat) for one in world.returns]
    region, window, habitat = np.array(rows).T
    return region, window, habitat


def learn(world: World, nights: np.ndarray, place: tuple[np.ndarray, ...]) -> tuple[np.ndarray, ...]:
    """Return mean, size and shape of the site's factor (R, W, H, G), from all returns of a plausible length."""
    room = (len(world.rings), len(world.turns) + 1, len(world.habitats))
    honest = (nights >= HONEST_NIGHTS[0]) & (nights <= HONEST_NIGHTS[1])
    counts = np.array([one.counts for one in world.returns], dtype=float)[honest]
    stratum = np.ravel_multi_index(place, room)[honest]
    learned = [
        estimate_usual(
            low=counts[:, g], high=counts[:, g], effort=nights[honest], stratum=stratum, strata=int(np.prod(room)),
            planning_typical=TYPICAL[g], planning_high=HIGH[g],
        )
        for g in range(len(GROUPS))
    ]  # fmt: skip
    return tuple(
        np.stack([getattr(one, name) for one in learned], axis=-1).reshape(*room, -1)
        for name in ("mean", "size", "site_shape")
    )


def frames_of(
    world: World, nights: np.ndarray, place: tuple[np.ndarray, ...], mean: np.ndarray
) -> dict[tuple[int, int], RegionFrame]:
    """Return the frame of each region and window."""
    effort = np.zeros(mean.shape[:3])
    np.add.at(effort, place, np.clip(nights, *HONEST_NIGHTS))
    return {
        (r, w): RegionFrame(GROUPS, effort[r, w] @ mean[r, w], float(effort[r, w].sum()), world.rings[r])
        for r, w in np.ndindex(*mean.shape[:2])
    }


def neighbour(other: Sent, one: Sent, reference: str, answers: tuple[Answer, ...]) -> Neighbour:
    """Return an earlier return of the site as screening takes it."""
    apart = abs((other.report.set_at - one.report.set_at).total_seconds()) / 3600.0
    same_night = other.report.set_at.date() == one.report.set_at.date()
    return Neighbour(reference, other.trap == one.trap, same_night, apart, answers)


def picked_of(screenings: list[Screening]) -> np.ndarray:
    """Return the places that the review budget picks."""
    ranks, urgent, certain = (
        np.array([getattr(s, name) for s in screenings]) for name in ("rank", "urgent", "certain")
    )
    return choose_for_review(ranks, urgent, certain, BUDGET)


# --- peers: a score (n,) for each return, the higher the odder ------------------------------------


def features(world: World) -> np.ndarray:
    """Return (n, 35): log counts, total, hours, latitude, longitude, number of zeros."""
    counts = np.array([one.counts for one in world.returns], dtype=float)
    reports = [one.report for one in world.returns]
    rest = [((r.emptied_at - r.set_at).total_seconds() / 3600.0, r.latitude, r.longitude) for r in reports]
    return np.column_stack([np.log1p(counts), counts.sum(axis=1), np.array(rest), (counts == 0).sum(axis=1)])


def robust_z(world: World) -> np.ndarray:
    """Return the largest |log count - median| / spread over groups, within the stated habitat."""
    logs = np.log1p(np.array([one.counts for one in world.returns], dtype=float))
    habitat = np.array([one.habitat for one in world.returns])
    score = np.zeros(len(logs))
    for at in np.unique(habitat):
        here = habitat == at
        off = np.abs(logs[here] - np.median(logs[here], axis=0))
        spread = np.median(off, axis=0)
        spread = NORMAL * np.where(spread > 0.0, spread, off.mean(axis=0))
        score[here] = np.max(np.divide(off, spread, out=np.zeros_like(off), where=spread > 0.0), axis=1)
    return score


def isolation_forest(world: World) -> np.ndarray:
    """Return the anomaly score of an isolation forest of 300 trees."""
    from sklearn.ensemble import IsolationForest

    table = features(world)
    return -IsolationForest(n_estimators=300, random_state=1).fit(table).score_samples(table)


def ecod(world: World) -> np.ndarray:
    """Return the score of ECOD: summed log tails of each feature's empirical distribution."""
    from pyod.models.ecod import ECOD

    return np.asarray(ECOD().fit(features(world)).decision_scores_)


Peer = Callable[[World], np.ndarray]
#: Name: the package it needs, and its score.
PEERS: dict[str, tuple[str, Peer]] = {
    "robust z": ("numpy", robust_z),
    "isolation forest": ("sklearn.ensemble", isolation_forest),
    "ECOD": ("pyod.models.ecod", ecod),
}


def available(peers: dict[str, tuple[str, Peer]]) -> tuple[dict[str, Peer], list[str]]:
    """Return the peers whose package is here, and a line for each that is not; loads the packages."""
    here, missing = {}, []
    for name, (package, score) in peers.items():
        try:
            import_module(package)
        except ImportError as error:
            missing.append(f"Left out: {name}, as {package} could not be loaded ({error}).")
        else:
            here[name] = score
    return here, missing


# --- judging ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Outcome:
    """What one method picked of one season, as shares; ``named`` is ours only."""

    weighted: float
    recall: float
    extremes: float
    named: float
    picked: float
    milliseconds: float


@dataclass(frozen=True)
class Found:
    """Sums of one kind over the seasons of a world; severities as shares of a season's."""

    planted: int = 0
    held: int = 0
    named: int = 0
    severity: float = 0.0
    missed: float = 0.0

    def plus(self, other: Found) -> Found:
        """Return the sum of both."""
        names = ("planted", "held", "named", "severity", "missed")
        return Found(*(getattr(self, name) + getattr(other, name) for name in names))


def severities(world: World) -> np.ndarray:
    """Return how far each slip moves the index of its region and window (n,), 0 for what is right.

    Sum over groups of |sent - true| / (total of the cell + 10), the whole list where the return belongs elsewhere
    or nowhere; cut at the 95th percentile of the season's slips.
    """
    counts, truth = (
        np.array([getattr(one, name) for one in world.returns], dtype=float) for name in ("counts", "truth")
    )
    wrong = wrong_of(world)
    whole = np.array([one.kind in WHOLE for one in world.returns])
    cells = np.array([one.region * (len(world.turns) + 1) + world.true_window(one) for one in world.returns])
    once = np.array([one.kind != "resend" for one in world.returns], dtype=float)[:, None]
    totals = np.zeros((cells.max() + 1, len(GROUPS)))
    np.add.at(totals, cells, truth * once)
    moved = np.where(whole[:, None], counts, np.abs(counts - truth)) / (totals[cells] + LEAST_TOTAL)
    raw = np.where(wrong, moved.sum(axis=1), 0.0)
    return np.minimum(raw, np.percentile(raw[wrong], CAP))


def wrong_of(world: World) -> np.ndarray:
    """Return which returns (n,) hold a slip."""
    return np.array([one.kind != "" for one in world.returns])


def judge(world: World, picked: np.ndarray, named: np.ndarray | None, seconds: float) -> Outcome:
    """Compare the picked places with what was planted; ``named`` (n,): the first reason is right."""
    held = np.isin(np.arange(len(world.returns)), picked)
    wrong, weights = wrong_of(world), severities(world)
    extreme = np.array([one.extreme for one in world.returns])
    return Outcome(
        weighted=float(weights[held].sum() / weights.sum()),
        recall=float(held[wrong].mean()),
        extremes=float(held[extreme].mean()),
        named=float("nan") if named is None else float(named[held & wrong].mean()),
        picked=float(held.mean()),
        milliseconds=1000.0 * seconds / len(held),
    )


def by_kind(world: World, picked: np.ndarray, named: np.ndarray) -> dict[str, Found]:
    """Return what was found of each kind."""
    held, share = np.isin(np.arange(len(world.returns)), picked), severities(world)
    share = share / share.sum()
    kinds = np.array([one.kind for one in world.returns])
    found = {}
    for kind in np.unique(kinds[kinds != ""]):
        own = kinds == kind
        sums = (own.sum(), (own & held).sum(), (own & held & named).sum())
        found[str(kind)] = Found(*map(int, sums), float(share[own].sum()), float(share[own & ~held].sum()))
    return found


def run(
    make: Callable[[int, int], World], *, sites: int, seeds: int, peers: dict[str, Peer]
) -> tuple[dict[str, list[Outcome]], dict[str, Found]]:
    """Return outcomes of each method and the sums by kind, over the seasons of one world."""
    outcomes: dict[str, list[Outcome]] = defaultdict(list)
    kinds: dict[str, Found] = defaultdict(Found)
    for seed in range(FIRST_SEED, FIRST_SEED + seeds):
        world = make(seed, sites)
        began = time.perf_counter()
        screenings = screen_world(world)
        picked = picked_of(screenings)
        seconds = time.perf_counter() - began
        named = np.array([
            bool(s.suspicions) and one.kind != "" and s.suspicions[0].reason in RIGHT[one.kind]
            for one, s in zip(world.returns, screenings, strict=True)
        ])  # fmt: skip
        outcomes["screening"].append(judge(world, picked, named, seconds))
        for kind, found in by_kind(world, picked, named).items():
            kinds[kind] = kinds[kind].plus(found)
        for name, score in peers.items():
            began = time.perf_counter()
            order = np.argsort(-score(world), kind="stable")[: len(picked)]
            outcomes[name].append(judge(world, order, None, time.perf_counter() - began))
    return outcomes, kinds


# --- tables -------------------------------------------------------------------------------------


def mean_and_error(values: list[float], digits: int) -> str:
    """Write a mean over seasons and its standard error; a dash where there is none."""
    if np.isnan(values).any():
        return "-"
    error = f" ± {np.std(values, ddof=1) / np.sqrt(len(values)):.{digits}f}" if len(values) > 1 else ""
    return f"{np.mean(values):.{digits}f}{error}"


def method_rows(world: str, outcomes: dict[str, list[Outcome]]) -> list[str]:
    """Return the rows of one world."""
    digits = {"weighted": 2, "recall": 2, "extremes": 2, "named": 2, "picked": 3, "milliseconds": 2}
    return [
        f"| {world} | {method} | "
        + " | ".join(mean_and_error([getattr(one, name) for one in found], places) for name, places in digits.items())
        + " |"
        for method, found in outcomes.items()
    ]


def kind_cell(found: Found | None, seeds: int) -> str:
    """Write one kind in one world: planted, share held, share of these named rightly, share of severity, and missed."""
    if found is None or not found.planted:
        return "- | - | - | - | -"
    named = f"{found.named / found.held:.2f}" if found.held else "-"
    shares = f"{found.severity / seeds:.3f} | {found.missed / seeds:.3f}"
    return f"{found.planted} | {found.held / found.planted:.2f} | {named} | {shares}"


def main() -> None:
    """Run the benchmark and print its tables."""
    parser = argparse.ArgumentParser(description="Screening beside its peers, on three made-up worlds.")
    parser.add_argument("--sites", type=int, default=250)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--quick", action="store_true", help="60 sites, one seed")
    chosen = parser.parse_args()
    sites, seeds = (60, 1) if chosen.quick else (chosen.sites, chosen.seeds)
    peers, missing = available(PEERS)
    worlds = {"A": world_a, "B": world_b, "C": world_c}
    results = {name: run(make, sites=sites, seeds=seeds, peers=peers) for name, make in worlds.items()}
    print(f"Seasons of {sites} gardens, {seeds} of each world; budget {BUDGET:.0%} (mean ± standard error).\n")
    for line in missing:
        print(line + "\n")
    print("| world | method | severity-weighted recall | plain recall | true extremes held | first reason right |"
          " share picked | ms per return |\n|---|---|---|---|---|---|---|---|")  # fmt: skip
    for name, (outcomes, _) in results.items():
        print("\n".join(method_rows(name, outcomes)))
    columns = [f"{name} {what}" for name in results for what in ("planted", "held", "named", "severity", "missed")]
    print("\n| kind | " + " | ".join(columns) + " |")
    print("|---" * (len(columns) + 1) + "|")
    for kind in dict.fromkeys((*SLIPS_A, *SLIPS_B)):
        print(f"| {kind} | " + " | ".join(kind_cell(kinds.get(kind), seeds) for _, kinds in results.values()) + " |")


if __name__ == "__main__":
    main()
