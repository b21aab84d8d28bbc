"""How far the gate of the levels shows lucky seasons of a group near its limit: what is shown, over the truth.

``python -m tests.benchmarks.shown_by_luck [--sets 1400]``

The gate asks for 10 animals expected at the pooled rate, and the pooled rate holds each cell's own count. Every cell
has 12 gardens of 2 nights each, effort 1, gamma gardens and nights with S = N = 1, and the same true rate, at which
fewer than 10 animals are expected. With one cell the pooled rate is the cell's own; with more it is shared, and cells
of one size are all shown or none. Takes about a minute.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np

from surveys.methods.indices import estimate_level
from surveys.methods.level_records import LevelCell, LevelInput, LevelSettings
from surveys.vocabulary import IndexLabel
from tests.benchmarks.scoring import error_of_mean
from tests.benchmarks.worlds import positive
from tests.reference.level_worlds import make_rows

GARDENS, NIGHTS, VARIANCE = 12, 2, 1.0
DESIGNS = ((1, 0.2), (1, 0.33), (6, 0.33))  # cells, true rate a trap-night
SETS = 1400  # with one cell; of six a third
SEED = 20260403
HEADER = (
    "| cells | animals expected in a cell at the true rate | cells drawn | shown | shown estimate over truth "
    "| its error | coverage of the shown, % | its error | estimate over truth, all cells | coverage of all, % |\n"
    "|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|"
)


@dataclass(frozen=True, eq=False)
class Luck:
    """Of each set and cell (sets, cells): is it ``shown``, does its interval hold the truth, estimate over truth."""

    shown: np.ndarray
    holds: np.ndarray
    ratio: np.ndarray


def draw_cells(cells: int, rate: float, rng: np.random.Generator) -> LevelInput:
    """Draw the returns of ``cells`` alike."""
    garden = np.repeat(np.arange(cells * GARDENS), NIGHTS)
    effects = positive(rng, "gamma", VARIANCE, cells * GARDENS)[garden]
    counts = rng.poisson(rate * effects * positive(rng, "gamma", VARIANCE, garden.size))
    return make_rows(cell=garden // GARDENS, site=garden, low=counts, n_cells=cells)


def holds_truth(cell: LevelCell, rate: float) -> bool:
    """Say whether the interval of a cell holds the true rate."""
    return cell.low is not None and cell.high is not None and cell.low <= rate <= cell.high


def run_design(cells: int, rate: float, sets: int) -> Luck:
    """Draw and estimate ``sets`` seasons of one design; the seed of each is fixed by its number."""
    found = []
    for number in range(sets):
        rng = np.random.default_rng([SEED, cells, round(1000 * rate), number])
        found.append(estimate_level(draw_cells(cells, rate, rng), LevelSettings()).cells)
    table = np.array(
        [
            [(one.shown is not IndexLabel.TOO_FEW, holds_truth(one, rate), (one.estimate or 0.0) / rate) for one in row]
            for row in found
        ]
    )
    return Luck(table[:, :, 0] > 0, table[:, :, 1] > 0, table[:, :, 2])


def write_row(cells: int, rate: float, luck: Luck) -> str:
    """Write one Markdown row; errors are those over sets, whose cells are shown together."""
    chosen = luck.shown.any(axis=1)
    ratio, coverage = luck.ratio[chosen], 100 * luck.holds[chosen]
    figures = " | ".join(
        f"{values.mean():.{digits}f} | {error_of_mean(values):.{digits}f}" if chosen.any() else "- | -"
        for values, digits in ((ratio, 2), (coverage, 1))
    )
    return (
        f"| {cells} | {rate * GARDENS * NIGHTS:.1f} | {luck.shown.size} | {luck.shown.sum()} | {figures} "
        f"| {luck.ratio.mean():.2f} | {100 * luck.holds.mean():.1f} |"
    )


def main() -> None:
    """Run the designs and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=SETS, help="seasons of one cell; of six a third")
    asked = parser.parse_args()
    began = time.perf_counter()
    print(f"{GARDENS} gardens of {NIGHTS} nights, S = N = {VARIANCE:g}, seed {SEED}.\n\n{HEADER}", flush=True)
    for cells, rate in DESIGNS:
        sets = -(-asked.sets // max(1, cells // 2))
        print(write_row(cells, rate, run_design(cells, rate, sets)), flush=True)
    print(f"\n{time.perf_counter() - began:.0f} seconds")


if __name__ == "__main__":
    main()
