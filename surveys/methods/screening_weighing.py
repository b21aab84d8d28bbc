"""The log chances that all rival explanations share, for many returns at once and for one."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from surveys.methods.screening_catch import Catch, Catches
from surveys.methods.screening_chances import SWARM_CEILING, log_honest, mid_tail, upper_count
from surveys.methods.screening_records import BoolArray, FloatArray, IntArray, ScreeningCase, ScreeningSettings

USUAL_LIST = 30.0  # groups of a full list: on a shorter one a single group is no likelier to be far out
SWARM_WEIGHT = 3.0  # honest extremes of a group that may swarm, against one of any other (planning value)
MOST_LOG_ODDS = 30.0  # odds beyond this say no more than "certain", and stay finite
LEAST_LOG_ODDS = float(np.log(0.002))  # weaker explanations are not carried along: they change no decision


@dataclass(frozen=True, eq=False)
class Weighings:
    """The log chances of n returns of one form, as arrays (n, G): rows are returns, columns groups."""

    cases: tuple[ScreeningCase, ...]
    catches: Catches
    settings: ScreeningSettings

    @cached_property
    def extreme_share(self) -> FloatArray:
        """Return the chance (n, G) that a group of a return is an honest extreme: likelier where a group may swarm."""
        weights = np.where(self.catches.ceiling >= SWARM_CEILING, SWARM_WEIGHT, 1.0)
        total = np.maximum(weights.sum(axis=1, keepdims=True), USUAL_LIST)
        return np.asarray(self.settings.priors.true_extreme * weights / total)

    @cached_property
    def known(self) -> BoolArray:
        """Say which answers (n, G) bound a count."""
        return self.catches.known

    @cached_property
    def own(self) -> FloatArray:
        """Return the log chances (n, G) of the counts as they were sent."""
        return self.across(np.arange(len(self.catches.groups)), np.arange(len(self.catches.groups)))

    @cached_property
    def tail(self) -> FloatArray:
        """Return the upper mid-p values (n, G); 1 where nothing is known."""
        c = self.catches
        found = np.ones_like(c.low)
        some = self.known & (c.low > 0.0)
        found[some] = mid_tail(c.low[some], c.mean[some], c.size[some])
        return found

    @cached_property
    def seen(self) -> IntArray:
        """Return how many groups (n,) have a count above zero."""
        return np.asarray(np.sum(self.known & (self.catches.point > 0.0), axis=1), dtype=np.int64)

    @cached_property
    def empty(self) -> BoolArray:
        """Say which returns (n,) have answers, and all of them zero."""
        return np.asarray(self.known.any(axis=1) & (self.seen == 0))

    def across(self, counts_of: IntArray, under: IntArray) -> FloatArray:
        """Return the log chances (n, m) of the counts of some groups (m,) under the distributions of others (m,)."""
        c = self.catches
        return log_honest(
            c.low[:, counts_of],
            c.high[:, counts_of],
            c.mean[:, under],
            c.size[:, under],
            ceiling=c.ceiling[:, under],
            extreme_share=self.extreme_share[:, under],
        )

    def of_counts(self, rows: IntArray, counts_of: IntArray, *, mean: FloatArray, size: FloatArray) -> FloatArray:
        """Return the log chances (m,) of single counts, by row and group, under other distributions (m,)."""
        c, at = self.catches, (rows, counts_of)
        return log_honest(
            c.low[at], c.high[at], mean, size, ceiling=c.ceiling[at], extreme_share=self.extreme_share[at]
        )

    def one(self, row: int) -> Weighing:
        """Return what the words about one return need."""
        return Weighing(self.catches.one(row), self.settings, self.tail[row])


@dataclass(frozen=True, eq=False)
class Weighing:
    """One return's counts, and the upper mid-p value of each (G,)."""

    catch: Catch
    settings: ScreeningSettings
    tail: FloatArray

    @cached_property
    def quantiles(self) -> dict[str, FloatArray]:
        """Return the quantiles (G,) of the predictive distribution that a plot shows, by share."""
        c = self.catch
        return {share: upper_count(c.mean, c.size, 1.0 - float(share)) for share in ("0.5", "0.9", "0.99", "0.999")}


def sum_odds(log_odds: FloatArray) -> float:
    """Return summed odds, kept finite."""
    return float(np.exp(min(float(np.logaddexp.reduce(log_odds)), MOST_LOG_ODDS)))
