"""What a method's intervals did over many drawn cells: coverage and its error, misses by side, bias, length."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from surveys.methods.indices import estimate_level
from surveys.methods.level_records import LevelInput, LevelResult, LevelSettings
from tests.benchmarks.rivals import Catch, Intervals
from tests.benchmarks.worlds import Drawn


@dataclass(frozen=True)
class Score:
    """Shares in per cent; ``error`` is the Monte-Carlo standard error of ``coverage``, taken over data sets.

    ``miss_low``: the truth lies below the interval, ``miss_high``: above it, ``none``: no interval (a miss too).
    ``bias`` of the estimate and its error in per cent of the truth; ``length`` is mean log(high / low) over that of
    the oracle, in cells where both have a lower limit above zero, ``length_error`` its standard error.
    """

    cells: int
    coverage: float
    error: float
    miss_low: float
    miss_high: float
    none: float
    bias: float
    bias_error: float
    length: float
    length_error: float


@dataclass(eq=False)
class Tally:
    """Intervals of one method beside truth and oracle, data set by data set."""

    intervals: list[Intervals] = field(default_factory=list)
    oracles: list[Intervals] = field(default_factory=list)
    truths: list[np.ndarray] = field(default_factory=list)

    def add(self, intervals: Intervals, oracle: Intervals, truth: np.ndarray) -> None:
        """Add one data set."""
        self.intervals.append(intervals)
        self.oracles.append(oracle)
        self.truths.append(truth)

    def length_over_oracle(self) -> tuple[float, float]:
        """Return the ratio of summed log(high / low) to the oracle's where both lower limits are above zero, and its error.

        The error is that of a ratio of two sums over data sets (linearised).
        """
        low, high = (np.stack([getattr(i, side) for i in self.intervals]) for side in ("low", "high"))
        oracle_low, oracle_high = (np.stack([getattr(i, side) for i in self.oracles]) for side in ("low", "high"))
        both = (low > 0) & (oracle_low > 0) & np.isfinite(high)
        own, oracle = (
            np.log(np.where(both, top, 1.0) / np.where(both, bottom, 1.0)).sum(axis=1)
            for bottom, top in ((low, high), (oracle_low, oracle_high))
        )
        if not oracle.sum() > 0:
            return float("nan"), float("nan")
        ratio, sets = own.sum() / oracle.sum(), own.size
        squares = ((own - ratio * oracle) ** 2).sum() * sets / max(sets - 1, 1)
        return float(ratio), float(np.sqrt(squares) / oracle.sum()) if sets > 1 else float("nan")

    def score(self) -> Score:
        """Sum up all data sets added so far."""
        truth = np.stack(self.truths)
        estimate = np.stack([i.estimate for i in self.intervals])
        low, high = (np.stack([getattr(i, side) for i in self.intervals]) for side in ("low", "high"))
        none = ~(np.isfinite(low) & np.isfinite(high))
        below, above = truth < low, truth > high  # never true where there is no interval
        inside, ratio = ~(none | below | above), estimate / truth
        length, length_error = self.length_over_oracle()
        return Score(
            cells=truth.size,
            coverage=100.0 * float(inside.mean()),
            error=100.0 * error_of_mean(inside),
            miss_low=100.0 * float(below.mean()),
            miss_high=100.0 * float(above.mean()),
            none=100.0 * float(none.mean()),
            bias=100.0 * float(ratio.mean() - 1.0),
            bias_error=100.0 * error_of_mean(ratio),
            length=length,
            length_error=length_error,
        )


def error_of_mean(values: np.ndarray) -> float:
    """Return the standard error of the mean of (sets, cells) whose cells share their components within a set."""
    by_set = values.mean(axis=1)
    return float(by_set.std(ddof=1) / np.sqrt(by_set.size)) if by_set.size > 1 else float("nan")


def exact_catch(drawn: Drawn) -> Catch:
    """Return what rivals and the oracle see: the exact counts."""
    rows = drawn.rows
    return Catch(drawn.counts, rows.effort, rows.cell, rows.site, rows.n_cells)


def our_intervals(rows: LevelInput, settings: LevelSettings) -> tuple[Intervals, LevelResult]:
    """Run the level index and take out its intervals; a cell without one is a fault of the benchmark's worlds."""
    result = estimate_level(rows, settings)
    triples = [(cell.estimate, cell.low, cell.high) for cell in result.cells]
    table = np.array([[np.nan if value is None else value for value in triple] for triple in triples])
    return Intervals(np.nan_to_num(table[:, 0]), table[:, 1], table[:, 2]), result


def range_of(values: list[float], digits: int = 1) -> str:
    """Write min / mean / max."""
    return " / ".join(f"{value:.{digits}f}" for value in (min(values), float(np.mean(values)), max(values)))
