"""Coverage, bias and length of the level intervals over 100 points, beside an oracle and four rivals.

``python -m tests.benchmarks.coverage_of_levels [--sites 10 20] [--cells 1000] [--peers] [--quick]``

Sites x mean x (site, night variance); each data set has 20 cells, log-sd 0.5 between them, 1 to 6 returns a site,
effort 0.8 to 1.25. The oracle is the same pivot with the true components, written separately. With ``--peers`` every
third data set goes through the rivals as well.
"""

from __future__ import annotations

import argparse
import csv
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path

import numpy as np

from surveys.methods import METHOD_VERSION
from surveys.methods.level_records import LevelSettings
from tests.benchmarks import rivals
from tests.benchmarks.rivals import Catch, Intervals
from tests.benchmarks.scoring import Score, Tally, exact_catch, our_intervals, range_of
from tests.benchmarks.worlds import World, draw

SITES = (8, 10, 20, 50, 100)
MEANS = (0.1, 0.5, 3.0, 60.0)
VARIANCES = ((0.3, 0.5), (1.0, 1.0), (2.5, 0.5), (0.3, 2.5), (2.5, 2.5))
CELLS_A_FIT = 20
PEERS_EVERY = 3
SPARSE_UP_TO = 0.5  # mean catch up to which the components of few sites lean on their prior
SEED = 20260401
OURS, ORACLE = "level index", "oracle pivot"

# What the level index has to keep at every point with 10 or more sites.
COVERAGE_RANGE = (93.0, 97.5)
LARGEST_BIAS = 4.0
COMPONENT_RANGE = (0.97, 1.03)
LONGEST = 1.06


@dataclass(eq=False)
class Point:
    """One point of the grid with all that was measured there."""

    world: World
    tallies: dict[str, Tally] = field(default_factory=dict)
    site_ratios: list[float] = field(default_factory=list)
    night_ratios: list[float] = field(default_factory=list)
    marginal_ratios: list[float] = field(default_factory=list)
    guards: list[float] = field(default_factory=list)
    unsettled: int = 0
    replaced: int = 0

    def add(self, method: str, intervals: Intervals, oracle: Intervals, truth: np.ndarray) -> None:
        """Add what one method said of one data set."""
        self.tallies.setdefault(method, Tally()).add(intervals, oracle, truth)

    def scores(self) -> dict[str, Score]:
        """Sum up every method."""
        return {method: tally.score() for method, tally in self.tallies.items()}


def grid(sites: Iterable[int]) -> list[World]:
    """List the worlds, in a fixed order."""
    return [World(n, mean, *pair, cells=CELLS_A_FIT) for n, mean, pair in product(sites, MEANS, VARIANCES)]


def seed_of(world: World, number: int, seed: int) -> list[int]:
    """Return a seed that belongs to one data set of one point, whatever else is run."""
    scaled = (world.mean, world.site_variance, world.night_variance)
    return [seed, world.sites, *(round(1000 * value) for value in scaled), number]


def ask_rivals(catch: Catch, rng: np.random.Generator) -> tuple[dict[str, Intervals], bool]:
    """Run all rivals on one data set; say whether the negative binomial of statsmodels converged."""
    regression, converged = rivals.statsmodels_cluster(catch)
    answers = {
        "CR1 sandwich, z": rivals.cr1_z(catch),
        "jackknife, t": rivals.jackknife_t(catch),
        "site bootstrap 999, percentile": rivals.site_bootstrap(catch, rng),
        "statsmodels NB, cluster": regression,
    }
    return answers, converged


def run_point(world: World, sets: int, *, seed: int, peers: bool) -> Point:
    """Draw ``sets`` data sets of one world and score every method on them."""
    point = Point(world)
    for number in range(sets):
        rng = np.random.default_rng(seed_of(world, number, seed))
        drawn = draw(world, rng)
        catch = exact_catch(drawn)
        oracle = rivals.oracle_pivot(catch, drawn.site_variances, world.night_variance)
        ours, result = our_intervals(drawn.rows, LevelSettings())
        point.add(OURS, ours, oracle, drawn.truth)
        point.add(ORACLE, oracle, oracle, drawn.truth)
        true_marginal = world.night_variance * (1.0 + world.site_variance)
        point.site_ratios.append(result.site_variance / world.site_variance)
        point.night_ratios.append(result.night_variance / world.night_variance)
        point.marginal_ratios.append(result.night_variance * (1.0 + result.site_variance) / true_marginal)
        point.guards.append(result.guard)
        point.unsettled += "effects_not_settled" in result.warnings
        if peers and number % PEERS_EVERY == 0:
            answers, converged = ask_rivals(catch, rng)
            point.replaced += not converged
            for method, intervals in answers.items():
                point.add(method, intervals, oracle, drawn.truth)
    return point


def component_row(points: list[Point]) -> str:
    """Write the median of estimated over true for S, N and V over all data sets of these points."""
    if not points:
        return "-"
    parts = (
        np.median(np.concatenate([getattr(point, kind) for point in points]))
        for kind in ("site_ratios", "night_ratios", "marginal_ratios")
    )
    return " / ".join(f"{part:.3f}" for part in parts)


def method_rows(points: list[Point]) -> list[str]:
    """Write one Markdown row for every method at one number of sites."""
    rows = []
    for method in points[0].tallies:
        scores = [point.tallies[method].score() for point in points]
        means = [float(np.mean([getattr(s, part) for s in scores])) for part in ("miss_low", "miss_high", "none")]
        rows.append(
            f"| {points[0].world.sites} | {method} | {scores[0].cells} | {range_of([s.coverage for s in scores])} "
            f"| {means[0]:.1f} / {means[1]:.1f} / {means[2]:.1f} | {range_of([s.bias for s in scores])} "
            f"| {range_of([s.length for s in scores], 2)} |"
        )
    return rows


HEADER = (
    "| sites | method | cells a point | coverage %, min / mean / max of the points "
    "| truth below / above / no interval, % | bias % of the estimate, min / mean / max "
    "| log length over oracle, min / mean / max |\n|---|---|---|---|---|---|---|"
)
COMPONENT_HEADER = (
    "| sites | S / N / V, all points | S / N / V, mean 0.1 and 0.5 | S / N / V, mean 3 and 60 "
    "| guard, mean / max | not settled | NB of statsmodels replaced by Poisson |\n|---|---|---|---|---|---|---|"
)


def write_table(points: list[Point]) -> str:
    """Write both tables and what was missed, as Markdown."""
    lines, components = [HEADER], ["", "Median of estimated over true components:", "", COMPONENT_HEADER]
    for n in dict.fromkeys(point.world.sites for point in points):
        here = [point for point in points if point.world.sites == n]
        lines += method_rows(here)
        sparse = [point for point in here if point.world.mean <= SPARSE_UP_TO]
        rich = [point for point in here if point.world.mean > SPARSE_UP_TO]
        guards = np.concatenate([point.guards for point in here])
        components.append(
            f"| {n} | {component_row(here)} | {component_row(sparse)} | {component_row(rich)} "
            f"| {guards.mean():.3f} / {guards.max():.2f} | {sum(p.unsettled for p in here)} "
            f"| {sum(p.replaced for p in here)} |"
        )
    return "\n".join([*lines, *components, "", *list_misses(points)])


def name_of(world: World) -> str:
    """Name a point."""
    return f"{world.sites} sites, mean {world.mean:g}, S {world.site_variance:g}, N {world.night_variance:g}"


def faults_of(point: Point) -> list[str]:
    """List what the level index missed at one point, each with its Monte-Carlo standard error."""
    ours, oracle, name = point.tallies[OURS].score(), point.tallies[ORACLE].score(), name_of(point.world)
    faults = []
    if not COVERAGE_RANGE[0] <= ours.coverage <= COVERAGE_RANGE[1]:
        faults.append(
            f"{name}: coverage {ours.coverage:.2f} % (standard error {ours.error:.2f}), oracle {oracle.coverage:.2f}"
        )
    if abs(ours.bias) > LARGEST_BIAS:
        faults.append(f"{name}: bias {ours.bias:+.1f} % (standard error {ours.bias_error:.1f})")
    if ours.length > LONGEST:
        faults.append(f"{name}: log length {ours.length:.3f} of the oracle's (standard error {ours.length_error:.3f})")
    return faults


def list_misses(points: list[Point]) -> list[str]:
    """List every requirement that was missed: by point, and by number of sites for length and components."""
    bound = [point for point in points if point.world.sites >= 10]
    faults = [fault for point in bound for fault in faults_of(point)]
    for n in dict.fromkeys(point.world.sites for point in bound):
        here = [point for point in bound if point.world.sites == n]
        length = float(np.mean([point.tallies[OURS].score().length for point in here]))
        if length > LONGEST:
            faults.append(f"{n} sites: mean log length {length:.3f} of the oracle's")
        for kind in ("site_ratios", "marginal_ratios"):
            median = float(np.median(np.concatenate([getattr(point, kind) for point in here])))
            if not COMPONENT_RANGE[0] <= median <= COMPONENT_RANGE[1]:
                faults.append(f"{n} sites: median of {kind.replace('_', ' ')} {median:.3f}")
    asked = (
        f"Asked at 10 and more sites: coverage {COVERAGE_RANGE[0]} to {COVERAGE_RANGE[1]} % and bias within "
        f"{LARGEST_BIAS:g} % at every point, log length at most {LONGEST:g} of the oracle's (points above it are named "
        f"too), median components {COMPONENT_RANGE[0]} to {COMPONENT_RANGE[1]}."
    )
    return [asked, "", *(f"- {fault}" for fault in faults or ["nothing missed"])]


def write_points(points: list[Point], path: Path) -> None:
    """Write every point and method as CSV."""
    with path.open("w", newline="", encoding="utf-8") as sheet:
        writer = csv.writer(sheet)
        score_names = list(Score.__dataclass_fields__)
        extra = ["site_ratio", "night_ratio", "marginal_ratio", "guard_mean"]
        writer.writerow(["sites", "mean", "site_variance", "night_variance", "method", *score_names, *extra])
        for point in points:
            world = point.world
            medians = [np.median(v) for v in (point.site_ratios, point.night_ratios, point.marginal_ratios)]
            for method, score in point.scores().items():
                own = [*medians, np.mean(point.guards)] if method == OURS else [np.nan] * 4
                values = [getattr(score, name) for name in score_names]
                where = [world.sites, world.mean, world.site_variance, world.night_variance, method]
                writer.writerow([*where, *(f"{value:.5g}" for value in [*values, *own])])


def read_arguments() -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, nargs="+", default=list(SITES))
    parser.add_argument("--cells", type=int, help="cells a point; 3000 up to 20 sites, 2000 at 50, 1500 above")
    parser.add_argument("--peers", action="store_true", help="run the rivals on every third data set")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--table", type=Path, help="also write the tables to this Markdown file")
    parser.add_argument("--points", type=Path, help="also write every point to this CSV file")
    parser.add_argument("--quick", action="store_true", help="60 cells a point at 10 sites, with rivals")
    arguments = parser.parse_args()
    if arguments.quick:
        arguments.sites, arguments.cells, arguments.peers = [10], 60, True
    return arguments


def sets_for(world: World, cells: int | None) -> int:
    """Say how many data sets a point gets."""
    wanted = cells or (3000 if world.sites <= 20 else 2000 if world.sites <= 50 else 1500)
    return max(2, -(-wanted // world.cells))


def main() -> None:
    """Run the grid, print progress and tables."""
    arguments, points, began = read_arguments(), [], time.perf_counter()
    print(f"method {METHOD_VERSION}, seed {arguments.seed}", flush=True)
    for world in grid(arguments.sites):
        point = run_point(world, sets_for(world, arguments.cells), seed=arguments.seed, peers=arguments.peers)
        points.append(point)
        ours = point.tallies[OURS].score()
        print(
            f"{name_of(world)}: coverage {ours.coverage:.1f} (s.e. {ours.error:.1f}), bias {ours.bias:+.1f} %, "
            f"length {ours.length:.2f}, {time.perf_counter() - began:.0f} s so far",
            flush=True,
        )
        if arguments.points:
            write_points(points, arguments.points)
        if arguments.table:
            arguments.table.write_text(f"{write_table(points)}\n", encoding="utf-8")
    table = write_table(points)
    if arguments.quick:
        table += "\n\nA quick run shows that all of it works; 60 cells judge nothing."
    print(f"\n{table}\n\n{(time.perf_counter() - began) / 60:.1f} minutes")


if __name__ == "__main__":
    main()
