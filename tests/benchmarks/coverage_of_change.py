"""Coverage, bias and length of the change intervals over a grid, beside three rivals on the same data.

``python -m tests.benchmarks.coverage_of_change [--regions 800] [--sites 10 20] [--classed 0.6] [--law log-normal]
[--ratio 0.1]``

Six periods, base the first three, true log change -0.48 (or another ratio) from the fourth on, 80 % visit chance, 1 to 3
returns a visit; the last period is scored. Data sets have 20 regions. Two gates: *total* asks for 20 animals of base and period together
and two effective gardens; *product* is the gate of the product (10 revisited gardens, 6 effective, 20 animals), of which those compared by totals
stand in a table of their own.
Rivals: the conditional Poisson estimate with the same by-garden variance and t; the Poisson regression with a level
for every garden (the same estimate) with the CR1 sandwich and z; the F pivot on totals for every region.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np
from scipy import special

from surveys.methods.change import estimate_change
from surveys.methods.change_layout import arrange_visits
from surveys.methods.change_records import SPARSE, ChangeInput, ChangeResult, ChangeSettings, ImputedCounts
from surveys.methods.change_sparse import f_limit, pair_visits, total_pairs
from surveys.methods.level_fit import fit_group
from surveys.methods.level_layout import arrange_rows
from surveys.methods.level_records import LevelSettings
from tests.reference.change_worlds import LOG_CHANGE, ChangeWorld, draw_change
from tests.reference.level_worlds import make_rows

SITES = (10, 20, 40)
MEANS = (0.3, 3.0, 20.0)
VARIANCES = ((1.0, 1.0, 0.0), (1.0, 1.0, 0.3), (2.5, 2.5, 0.3))
REGIONS_A_SET = 20
SEED = 20260601
SCORED = 5  # the last of six periods
OURS, CONDITIONAL, SANDWICH, PIVOT = "change index", "conditional Poisson CR2-t", "Poisson CR1 z", "F pivot"
METHODS = (OURS, CONDITIONAL, SANDWICH, PIVOT)
COVERAGE_RANGE = (92.0, 97.5)
SETTINGS = ChangeSettings()
NO_FALL_BACK = {
    "sparse_period_animals": 0.0,
    "sparse_base_animals": 0.0,
    "fewest_effective_sites": 1.2,
}  # for the rival


@dataclass(frozen=True)
class Interval:
    """Log estimate and log limits of one region; nan where a method gives none."""

    estimate: float
    low: float
    high: float


@dataclass(frozen=True)
class Region:
    """What was measured in one region: intervals by method, the gates it passes, effective gardens."""

    intervals: dict[str, Interval]
    total: bool
    shown: bool
    effective: float
    method: str

    @property
    def by_totals(self) -> bool:
        """Say whether the region is shown, and compared by totals."""
        return self.shown and self.method == SPARSE


@dataclass(eq=False)
class Point:
    """One point of the grid."""

    world: ChangeWorld
    regions: list[Region] = field(default_factory=list)
    seconds: float = 0.0


def log_or_nan(value: float | None) -> float:
    """Take the log; nan for None, minus infinity for 0."""
    if value is None:
        return float("nan")
    return float(np.log(value)) if value > 0 else float("-inf")


def cell_interval(result: ChangeResult, region: int) -> Interval:
    """Read the interval of the scored period."""
    cell = result.cell(region, SCORED)
    return Interval(*(log_or_nan(value) for value in (cell.ratio, cell.low, cell.high)))


def sandwich_interval(result: ChangeResult, region: int) -> Interval:
    """CR1 with the normal quantile: v = S / (S - 1) x sum of squared influences."""
    cell, influences = result.cell(region, SCORED), result.influences
    value = influences.value[influences.region == region, SCORED]
    gardens = int((influences.share[influences.region == region, SCORED] > 0).sum())
    if cell.ratio is None or cell.ratio <= 0 or gardens < 2:
        return Interval(log_or_nan(cell.ratio), float("nan"), float("nan"))
    reach = special.ndtri(0.975) * np.sqrt(gardens / (gardens - 1) * np.sum(value**2))
    return Interval(np.log(cell.ratio), np.log(cell.ratio) - reach, np.log(cell.ratio) + reach)


def pivot_intervals(rows: ChangeInput, imputed: ImputedCounts) -> list[Interval]:
    """F pivot in every region, its dispersion from the region's own gardens."""
    visits = arrange_visits(rows, imputed)
    totals = total_pairs(pair_visits(visits, SCORED, (0, 1, 2)), visits)
    own = np.where(totals.expected > 0, totals.excess / np.where(totals.expected > 0, totals.expected, 1.0), 1.0)
    sides = (totals.middle, totals.period_count, totals.base_count, np.maximum(own, 1.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        columns = [np.log(totals.ratio), *(np.log(f_limit(*sides, share)) for share in (0.025, 0.975))]
    return [Interval(*(float(column[r]) for column in columns)) for r in range(rows.n_regions)]


def impute(rows: ChangeInput) -> ImputedCounts:
    """Let the level fit expect the counts within classes, each region and period being a cell."""
    if (rows.low == rows.high).all():
        return ImputedCounts(rows.low.astype(float), np.zeros(rows.low.size))
    cell, index = rows.region * rows.n_periods + rows.period, np.arange(rows.low.size)
    columns = {"cell": cell, "site": rows.site, "effort": rows.effort, "low": rows.low, "high": rows.high}
    layout = arrange_rows(make_rows(**columns, night=index))
    fit = fit_group(layout, LevelSettings())
    counts, variance = np.empty(index.size), np.empty(index.size)
    counts[layout.night], variance[layout.night] = fit.imputed.counts, fit.imputed.variance
    return ImputedCounts(counts, variance)


def score_regions(rows: ChangeInput) -> Iterator[Region]:
    """Run every method on one data set."""
    imputed = impute(rows)
    ours = estimate_change(rows, SETTINGS, imputed=imputed)
    plain = replace(SETTINGS, working_night_variance=0.0, **NO_FALL_BACK)
    conditional = estimate_change(rows, plain, imputed=imputed)
    pivots = pivot_intervals(rows, imputed)
    for region in range(rows.n_regions):
        cell = ours.cell(region, SCORED)
        yield Region(
            intervals={
                OURS: cell_interval(ours, region),
                CONDITIONAL: cell_interval(conditional, region),
                SANDWICH: sandwich_interval(conditional, region),
                PIVOT: pivots[region],
            },
            total=cell.animals_base + cell.animals_period >= 20 and cell.effective_sites >= 2,
            shown=cell.shown,
            effective=cell.effective_sites,
            method=cell.method,
        )


def run_point(world: ChangeWorld, number: int, regions: int) -> Point:
    """Draw and score one point of the grid; its seed is fixed by its number."""
    point, rng, start = Point(world), np.random.default_rng([SEED, number]), time.perf_counter()
    while len(point.regions) < regions:
        point.regions.extend(score_regions(draw_change(world, rng)))
    point.seconds = time.perf_counter() - start
    return point


def summary(regions: list[Region], method: str, truth: float) -> str:
    """Write coverage (misses below and above, no interval), log length and bias of one method."""
    if len(regions) < 30:  # fewer say nothing
        return "-"
    estimate, low, high = (
        np.array([getattr(r.intervals[method], side) for r in regions]) for side in ("estimate", "low", "high")
    )
    none = np.isnan(low) | np.isnan(high)
    below, above = low > truth, high < truth
    finite = np.isfinite(high - low)
    coverage = 100 * float((~(none | below | above)).mean())
    mark = "" if COVERAGE_RANGE[0] <= coverage <= COVERAGE_RANGE[1] else " **!**"
    misses = f"{100 * below.mean():.1f}/{100 * above.mean():.1f}/{100 * none.mean():.1f}"
    length = f"{(high - low)[finite].mean():.2f}" if finite.any() else "-"
    known = np.isfinite(estimate)
    return f"{coverage:.1f}{mark} ({misses}) {length}, {(estimate[known] - truth).mean():+.3f}"


def table(points: list[Point], gate: str) -> str:
    """Write one Markdown table for the regions that pass ``gate`` (total, shown or by_totals)."""
    lines = [
        "| sites | mean | sS, sO, sP | regions (of) | SE % | effective | by site % | " + " | ".join(METHODS) + " |",
        "|---" * (7 + len(METHODS)) + "|",
    ]
    for point in points:
        world, chosen = point.world, [r for r in point.regions if getattr(r, gate)]
        n = len(chosen)
        error = f"{100 * np.sqrt(0.95 * 0.05 / n):.1f}" if n else "-"
        effective = f"{np.mean([r.effective for r in chosen]):.1f}" if n else "-"
        by_site = f"{100 * np.mean([r.method == 'by_site' for r in chosen]):.0f}" if n else "-"
        variances = f"{world.site_variance:g}, {world.night_variance:g}, {world.visit_variance:g}"
        head = (world.sites, f"{world.mean:g}", variances, f"{n} ({len(point.regions)})", error, effective, by_site)
        lines.append(
            "| "
            + " | ".join([*map(str, head), *(summary(chosen, method, world.log_change) for method in METHODS)])
            + " |"
        )
    return "\n".join(lines)


def main() -> None:
    """Run the grid and print two tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--regions", type=int, default=1000, help="regions drawn at every point")
    parser.add_argument("--sites", type=int, nargs="+", default=list(SITES))
    parser.add_argument("--means", type=float, nargs="+", default=list(MEANS))
    parser.add_argument("--classed", type=float, default=0.0, help="share of counts of 2 or more given as classes")
    parser.add_argument("--law", choices=["gamma", "log-normal"], default="gamma")
    parser.add_argument("--ratio", type=float, default=float(np.exp(LOG_CHANGE)), help="true change")
    asked = parser.parse_args()
    points = []
    for number, (sites, mean, variances) in enumerate(product(asked.sites, asked.means, VARIANCES)):
        world = ChangeWorld(
            sites,
            mean,
            *variances,
            regions=REGIONS_A_SET,
            law=asked.law,
            share_classed=asked.classed,
            log_change=float(np.log(asked.ratio)),
        )
        points.append(run_point(world, number, asked.regions))
        print(f"<!-- {sites} sites, mean {mean:g}, {variances}: {points[-1].seconds:.0f} s -->", flush=True)
    print(
        "\nCoverage % (truth below / above / no interval) mean log length, bias of the log ratio (ratios of 0 left out)."
    )
    print(f"{asked.law} variation, {100 * asked.classed:.0f} % of counts >= 2 in classes, seed {SEED}.")
    for title, gate in (
        ("Gate by total (20 animals, 2 effective gardens)", "total"),
        ("Gate of the product", "shown"),
        ("Gate of the product, by totals", "by_totals"),
    ):
        print(f"\n**{title}**\n\n{table(points, gate)}")


if __name__ == "__main__":
    main()
