"""Intervals for groups seen: whole sites are drawn again, because nights of one garden resemble each other.

The analytic variances (Chao 1987, Colwell et al. 2012) take every unit as independent. Nights of one site are not:
they share the habitat, the trap and the eyes. So the published intervals rest on sites, in two ways, and the wider
one counts: a site drawn twice makes a group seen once into one seen twice, which steadies the bootstrap of rare
groups too much; and where no group hangs on a single site the jackknife does not move at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from surveys.methods.groups_seen_coverage import coverage_at, effort_for_coverage
from surveys.methods.groups_seen_curves import asymptotic_hill, hill_at, observed_hill
from surveys.methods.groups_seen_records import SEEN, Figure, Floats, GroupsSeenSettings, Incidence, Ints
from surveys.methods.groups_seen_richness import groups_seen_count, log_normal_limits

COVERAGE, TOTAL = 0, 1  #: places in a row of figures
OBSERVED, ASYMPTOTIC, AT_EFFORT, AT_COVERAGE = slice(10, 13), slice(1, 4), slice(4, 7), slice(7, 10)


@dataclass(frozen=True, slots=True, eq=False)
class SiteTable:
    """What each of s sites adds: its ``nights`` (s,) and on how many it saw each group, ``sightings`` (s, G)."""

    nights: Ints
    sightings: Ints

    @property
    def whole(self) -> Incidence:
        """Return the incidence frequencies of all sites together."""
        return Incidence(self.sightings.sum(axis=0), int(self.nights.sum()))


def tabulate_sites(site: Ints, answers: Ints) -> SiteTable:
    """Add up nights and sightings of each site.

    Parameters: ``site`` (n,) any whole numbers; ``answers`` (n, G), 1 where seen. Returns: SiteTable. Raises: nothing.
    """
    number = np.unique(site, return_inverse=True)[1]
    nights = np.bincount(number)
    sightings = np.zeros((nights.size, answers.shape[1]), dtype=np.int64)
    np.add.at(sightings, number, (answers == SEEN).astype(np.int64))
    return SiteTable(nights.astype(np.int64), sightings)


def figures_of(incidence: Incidence, effort: float, coverage: float) -> Floats:
    """Return the figures of a region in one row of 13: coverage, then four triples of Hill numbers of orders 0, 1, 2.

    The triples: asymptotic, at ``effort`` site-nights, at ``coverage``, observed. None exceeds the number of groups
    listed, which is known here, unlike in the books: nobody can see a group that is not on the list.
    """
    at_coverage = hill_at(incidence, effort_for_coverage(incidence, coverage))
    triples = (*asymptotic_hill(incidence), *hill_at(incidence, effort), *at_coverage, *observed_hill(incidence))
    here = coverage_at(incidence, incidence.units)
    return np.array([here, *np.minimum(triples, incidence.frequencies.size)])


def bootstrap_errors(table: SiteTable, effort: float, coverage: float, draws: int, rng: np.random.Generator) -> Floats:
    """Standard errors (13,) of the figures when as many sites are drawn again, with putting back.

    The spread is raised by sqrt(s / (s-1)), as the sites drawn vary less than the sites there are.
    Parameters: ``draws`` number of samples; ``rng``. Returns: zero or more. Raises: nothing.
    References: Efron & Tibshirani 1993, An Introduction to the Bootstrap, chapters 6 and 8 (clusters as units).
    """
    sites = table.nights.size
    times = rng.multinomial(sites, np.full(sites, 1.0 / sites), size=draws)
    rows = [figures_of(Incidence(n @ table.sightings, int(n @ table.nights)), effort, coverage) for n in times]
    return np.asarray(np.std(rows, axis=0, ddof=1) * np.sqrt(sites / (sites - 1.0)))


def jackknife_errors(table: SiteTable, effort: float, coverage: float) -> Floats:
    """Standard errors (13,) of the figures from leaving out one site at a time.

    Returns: zero or more. Raises: nothing. References: Efron & Tibshirani 1993, chapter 11; for numbers of species
    Heltshe & Forrester 1983, Biometrics 39: 1-11.
    """
    sites, whole = table.nights.size, table.whole
    left = [
        Incidence(whole.frequencies - seen, whole.units - int(nights))
        for seen, nights in zip(table.sightings, table.nights, strict=True)
    ]
    rows = [figures_of(incidence, effort, coverage) for incidence in left]
    return np.asarray(np.std(rows, axis=0) * np.sqrt(sites - 1.0))


def site_figures(
    table: SiteTable, effort: float, coverage: float, settings: GroupsSeenSettings, rng: np.random.Generator
) -> tuple[Figure, ...]:
    """Return the 13 figures of a region, each with an interval over sites; the order is that of figures_of.

    Coverage: symmetric, within 0 and 1. Number there is to see: Chao's, never below those seen. Hill numbers:
    symmetric on the log scale. All with the t quantile of s - 1 sites, none above the number of groups listed. More
    nights show no fewer groups, so no lower limit beyond the sample lies below that of the sample.
    Parameters: ``table`` of at least two sites. Returns: Figures. Raises: nothing.
    References: Chao 1987; Chao et al. 2014 (standard error times quantile around the estimate); the larger of two
    standard errors is own construction; METHODS.md, section groups seen.
    """
    whole = table.whole
    values = figures_of(whole, effort, coverage)
    errors = np.maximum(
        bootstrap_errors(table, effort, coverage, settings.bootstrap_draws, rng),
        jackknife_errors(table, effort, coverage),
    )
    quantile = float(special.stdtrit(table.nights.size - 1.0, 0.5 + settings.confidence / 2.0))
    low, high = hill_limits(values, quantile * errors)
    low[COVERAGE], high[COVERAGE] = values[COVERAGE] + quantile * errors[COVERAGE] * np.array([-1.0, 1.0])
    low[TOTAL], high[TOTAL] = total_limits(groups_seen_count(whole), values[TOTAL], errors[TOTAL], quantile)
    top = np.full(values.size, float(whole.frequencies.size))
    top[COVERAGE] = 1.0
    low, high = np.clip(low, 0.0, values), np.clip(high, values, top)
    return tuple(Figure(float(v), float(a), float(b)) for v, a, b in zip(values, low, high, strict=True))


def hill_limits(values: Floats, reach: Floats) -> tuple[Floats, Floats]:
    """Limits of a row of figures, symmetric on the log scale: value / f and value x f, f = exp(reach / value).

    Where a number beyond the sample is no smaller than that of the sample, its lower limit is not smaller either.
    Parameters: ``values`` and ``reach`` (13,), quantile times standard error. Returns: lower, upper. Raises: nothing.
    """
    factor = np.exp(reach / np.maximum(values, 1.0))
    low, high = values / factor, values * factor
    for later in (ASYMPTOTIC, AT_EFFORT, AT_COVERAGE):
        beyond = values[later] >= values[OBSERVED]
        low[later] = np.where(beyond, np.maximum(low[later], low[OBSERVED]), low[later])
    return low, high


def total_limits(seen: int, total: float, error: float, quantile: float) -> tuple[float, float]:
    """Limits for the number of groups there are to see: Chao's log-normal ones with the standard error over sites.

    Where nothing is estimated to be unseen they would be one point; the upper one is then total + quantile x error.
    References: Chao 1987, Biometrics 43: 783-791; the exception is own construction.
    """
    low, high = log_normal_limits(seen, total, error**2, quantile=quantile)
    return low, high if total > seen else total + quantile * error
