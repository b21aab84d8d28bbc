"""Do the intervals of groups seen hold what they promise? Drawn gardens with a known truth, on demand.

    python -m tests.benchmarks.groups_seen 200

Truth is what independent site-nights of the drawn world would show on average: the marginal chance of each of 30
groups, averaged over sites. Every line gives the share of intervals that hold it, in per cent, for each figure.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy import optimize, special, stats

from surveys.methods.groups_seen_intervals import SiteTable, site_figures
from surveys.methods.groups_seen_records import GroupsSeenSettings

GROUPS = 30
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(60)
SITE_SD, PAIR_SD = 0.5, 1.0  # log odds: sites differ, and each site has its own groups
HEADINGS = "cover total shan simp | eff0 eff1 eff2 | cov0 cov1 cov2 | obs0 obs1 obs2"
CLOSE = 0.05  # groups; a miss by less is of no interest to anybody (a saturated list gives an interval of no width)


def chances(centre: float, spread: float) -> tuple[np.ndarray, np.ndarray]:
    """Log odds of each group at a middling site, and its marginal chance on a site-night."""
    odds = centre + spread * special.ndtri((np.arange(GROUPS) + 0.5) / GROUPS)
    at_nodes = special.expit(odds[:, None] + np.hypot(SITE_SD, PAIR_SD) * NODES)
    return odds, at_nodes @ (WEIGHTS / WEIGHTS.sum())


def draw_table(odds: np.ndarray, sites: int, mean_nights: float, rng: np.random.Generator) -> SiteTable:
    """Draw sites with 1 + Poisson nights each and what was seen there."""
    nights = 1 + rng.poisson(mean_nights - 1.0, sites)
    own = SITE_SD * rng.standard_normal((sites, 1)) + PAIR_SD * rng.standard_normal((sites, GROUPS))
    return SiteTable(nights, rng.binomial(nights[:, None], special.expit(odds + own)))


def true_hill(chance: np.ndarray, units: float) -> np.ndarray:
    """Hill numbers of the expected frequencies in ``units`` independent units."""
    below = int(np.floor(units))
    if units > below:
        part = units - below
        return (1 - part) * true_hill(chance, below) + part * true_hill(chance, below + 1)
    times = np.arange(below + 1)
    frequency = stats.binom.pmf(times[:, None], below, chance).sum(axis=1)
    share = times / (below * chance.sum())
    return np.array([frequency[1:].sum(), np.exp(frequency @ special.entr(share)), 1.0 / (frequency @ share**2)])


def true_effort(chance: np.ndarray, coverage: float) -> float:
    """Units at which independent units reach ``coverage``."""

    def short(units: float) -> float:
        return float(1.0 - coverage - (chance * (1.0 - chance) ** units).sum() / chance.sum())

    return float(optimize.brentq(short, 1.0, 1e6))


def measure(sites: int, nights: float, world: tuple[float, float], *, times: float, coverage: float, runs: int) -> str:
    """Draw ``runs`` regions; return the share of intervals that hold the truth, for each figure."""
    rng, settings = np.random.default_rng(20260321), GroupsSeenSettings()
    odds, chance = chances(*world)
    share = chance / chance.sum()
    endless = (GROUPS, np.exp(special.entr(share).sum()), 1.0 / (share**2).sum())
    at_coverage = true_hill(chance, true_effort(chance, coverage))
    held, off = np.zeros(13), np.zeros(13)
    for _ in range(runs):
        table = draw_table(odds, sites, nights, rng)
        whole = table.whole
        effort = round(times * whole.units)
        covered = share[whole.frequencies > 0].sum()
        own = true_hill(chance, whole.units)
        truth = np.array([covered, *endless, *true_hill(chance, effort), *at_coverage, *own])
        figures = site_figures(table, effort, coverage, settings, rng)
        close = np.where(np.arange(13) == 0, CLOSE / GROUPS, CLOSE)
        held += [f.low - c <= t <= f.high + c for f, t, c in zip(figures, truth, close, strict=True)]
        off += [f.value / t - 1.0 for f, t in zip(figures, truth, strict=True)]
    shares, bias = np.round(100 * held / runs).astype(int), np.round(100 * off / runs, 1)
    return f"held % {shares}\n   bias % {bias}"


def main(runs: int) -> None:
    """Print one block for each design."""
    print(HEADINGS)
    for world in ((-2.0, 1.6), (-3.0, 1.6), (-2.0, 0.8), (-2.0, 2.5)):
        for sites, nights in ((10, 2.0), (20, 2.5), (40, 1.0), (80, 2.5), (20, 6.0)):
            for times, coverage in ((1.0, 0.95), (2.0, 0.98)):
                line = measure(sites, nights, world, times=times, coverage=coverage, runs=runs)
                print(f"{world} sites {sites} nights {nights} effort x{times:g} C {coverage}: {line}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
