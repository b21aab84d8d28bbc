"""The log chances that all rival explanations of one return share."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from surveys.methods.screening_chances import SWARM_CEILING, Catch, log_honest, mid_tail, upper_count
from surveys.methods.screening_records import FloatArray, ScreeningSettings

SWARM_WEIGHT = 3.0  # honest extremes of a group that may swarm, against one of any other (planning value)
MOST_LOG_ODDS = 30.0  # odds beyond this say no more than "certain", and stay finite


@dataclass(frozen=True, eq=False)
class Weighing:
    """The log chances that all rivals share.

    ``own`` (G,): each count under its own group; ``across[g, h]`` (G, G): the count of group h under the
    distribution of group g.
    """

    catch: Catch
    settings: ScreeningSettings

    @cached_property
    def extreme_share(self) -> FloatArray:
        """Return the chance (G,) that a group of a return is an honest extreme: likelier where a group may swarm."""
        weights = np.where(self.catch.ceiling >= SWARM_CEILING, SWARM_WEIGHT, 1.0)
        return np.asarray(self.settings.priors.true_extreme * weights / max(float(weights.sum()), 1.0))

    @cached_property
    def across(self) -> FloatArray:
        """Return the (G, G) log chances of every count under every group."""
        c = self.catch
        return log_honest(
            c.low[None, :],
            c.high[None, :],
            c.mean[:, None],
            c.size[:, None],
            ceiling=c.ceiling[:, None],
            extreme_share=self.extreme_share[:, None],
        )

    @cached_property
    def own(self) -> FloatArray:
        """Return the (G,) log chances of the counts as they were sent."""
        return np.diagonal(self.across)

    @cached_property
    def tail(self) -> FloatArray:
        """Return the (G,) upper mid-p values; 1 where nothing is known."""
        p = mid_tail(self.catch.low, self.catch.mean, self.catch.size)
        return np.where(self.catch.known & (self.catch.low > 0.0), p, 1.0)

    @cached_property
    def quantiles(self) -> dict[str, FloatArray]:
        """Return the quantiles (G,) of the predictive distribution that a plot shows, by share."""
        c = self.catch
        return {share: upper_count(c.mean, c.size, 1.0 - float(share)) for share in ("0.5", "0.9", "0.99", "0.999")}

    def log_of(self, at: int, counts: FloatArray) -> FloatArray:
        """Return log chances of other exact counts under group ``at``."""
        c = self.catch
        return log_honest(
            counts, counts, c.mean[at], c.size[at], ceiling=c.ceiling[at], extreme_share=self.extreme_share[at]
        )


def sum_odds(log_odds: FloatArray) -> float:
    """Return summed odds, kept finite."""
    return float(np.exp(min(float(np.logaddexp.reduce(log_odds)), MOST_LOG_ODDS)))
