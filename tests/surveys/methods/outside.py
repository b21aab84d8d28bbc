"""Small tables retyped from the literature, and the few lines that bring them to the methods under test.

Nothing here is computed by the code under test but what its own fits return. Where larger data sets stand behind a
table, only what the likelihood needs is kept: counts by group, or how often each count came.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize

from surveys.methods.cell_rates import Components, Weights, quasi_weights
from surveys.methods.classes import count_log_probability
from surveys.methods.level_layout import Layout, arrange_rows
from surveys.methods.shared_effects import (
    SharedEffects,
    expected_counts,
    fit_shared_effects,
    look_at_curvature,
)
from tests.reference.level_worlds import make_rows

Array = np.ndarray

# Ship damage (McCullagh & Nelder 1983, section 6.3.2): type and year built, period, months of service, incidents.
SHIPS = """A60 60 127 0; A60 75 63 0; A65 60 1095 3; A65 75 1095 4; A70 60 1512 6; A70 75 3353 18; A75 75 2244 11;
B60 60 44882 39; B60 75 17176 29; B65 60 28609 58; B65 75 20370 53; B70 60 7064 12; B70 75 13099 44; B75 75 7117 18;
C60 60 1179 1; C60 75 552 1; C65 60 781 0; C65 75 676 1; C70 60 783 6; C70 75 1948 2; C75 75 274 1; D60 60 251 0;
D60 75 105 0; D65 60 288 0; D65 75 192 0; D70 60 349 2; D70 75 1208 11; D75 75 2051 4; E60 60 45 0; E65 60 789 7;
E65 75 437 7; E70 60 1157 5; E70 75 2161 12; E75 75 542 1"""

# School absence in Walgett (Aitkin 1978): origin, sex, age, learner; days absent of every child.
QUINE = """
A M F0 SL 2 11 14; A M F0 AL 5 5 13 20 22; A M F1 SL 6 6 15; A M F1 AL 7 14; A M F2 SL 6 32 53 57; A M F2 AL 14 16
16 17 40 43 46; A M F3 AL 8 23 23 28 34 36 38; A F F0 SL 3; A F F0 AL 5 11 24 45; A F F1 SL 5 6 6 9 13 23 25 32 53
54; A F F1 AL 5 5 11 17 19; A F F2 SL 8 13 14 20 47 48 60 81; A F F2 AL 2; A F F3 AL 0 2 3 5 10 14 21 36 40; N M F0
SL 6 17 67; N M F0 AL 0 0 2 7 11 12; N M F1 SL 0 0 5 5 5 11 17; N M F1 AL 3 4; N M F2 SL 22 30 36; N M F2 AL 8 0 1 5
7 16 27; N M F3 AL 0 30 10 14 27 41 69; N F F0 SL 25; N F F0 AL 10 11 20 33; N F F1 SL 5 7 0 1 5 5 5 5 7 11 15; N F
F1 AL 5 14 6 6 7 28; N F F2 SL 0 5 14 2 2 3 8 10 12; N F F2 AL 1; N F F3 AL 1 9 22 3 3 5 15 18 22 37"""
# Beet webworms on 1,300 plots (Beall 1940): block, spray and lead; how many plots had 0, 1, 2, ... worms.
WEBWORMS = """
1 NN 5 7 5 6 0 0 2; 2 NN 10 6 3 3 2 1; 3 NN 12 8 3 1 0 1; 4 NN 9 6 6 2 2; 5 NN 15 8 0 2; 6 NN 5 7 5 2 3 2 0 1; 7 NN
5 5 3 6 2 2 0 1 0 1; 8 NN 7 9 5 3 0 1; 9 NN 7 6 6 2 4; 10 NN 8 1 5 5 6; 11 NN 9 8 5 2 1; 12 NN 11 9 3 1 1; 13 NN 14
7 1 3; 1 YN 19 3 3; 2 YN 14 7 4; 3 YN 14 9 2; 4 YN 16 5 4; 5 YN 16 8 1; 6 YN 18 4 1 2; 7 YN 13 7 3 1 1; 8 YN 14 10
1; 9 YN 20 5; 10 YN 13 8 3 0 1; 11 YN 18 3 3 1; 12 YN 13 7 5; 13 YN 17 8; 1 NY 6 8 4 6 1; 2 NY 17 6 2; 3 NY 13 7 3 1
1; 4 NY 18 3 3 0 1; 5 NY 16 5 2 2; 6 NY 12 5 4 2 2; 7 NY 6 7 6 4 0 2; 8 NY 6 11 6 2; 9 NY 15 7 2 1; 10 NY 9 8 5 3;
11 NY 12 8 3 2; 12 NY 15 6 4; 13 NY 17 7 1; 1 YY 12 10 3; 2 YY 18 5 2; 3 YY 13 7 4 1; 4 YY 15 8 1 1; 5 YY 22 3; 6 YY
16 5 4; 7 YY 17 7 0 1; 8 YY 16 5 2 1 1; 9 YY 23 2; 10 YY 15 8 2; 11 YY 18 4 2 1; 12 YY 18 5 1 1; 13 YY 24 1"""
# Hunting spiders in 28 pitfall traps (van der Aart & Smeenk-Enserink 1975): soil water, light, three species.
WATER = np.array(
    [
        2.3321,
        3.0493,
        2.5572,
        2.6741,
        3.0155,
        3.381,
        3.1781,
        2.6247,
        2.4849,
        2.1972,
        2.2192,
        2.2925,
        3.5175,
        3.0865,
        3.2696,
        3.0301,
        3.3322,
        3.1224,
        2.9232,
        3.1091,
        2.9755,
        1.2528,
        1.1939,
        1.6487,
        1.8245,
        0.9933,
        0.9555,
        0.9555,
    ]
)
LIGHT = np.array(
    [
        3.912,
        1.6094,
        3.6889,
        2.9957,
        2.3026,
        0.6931,
        2.3026,
        0.6931,
        3.4012,
        3.6889,
        3.6889,
        3.6889,
        3.4012,
        1.0986,
        0.6931,
        0,
        1.0986,
        1.0986,
        0,
        0,
        0,
        3.912,
        4.0943,
        4.0073,
        2.3026,
        4.382,
        3.6889,
        3.6889,
    ]
)
SPIDERS = {
    "Pardlugu": np.array([0, 1, 1, 1, 1, 0, 1, 55, 0, 0, 0, 0, 1, 3, 6, 6, 2, 5, 12, 13, 16, 0, 2, 0, 1, 0, 0, 0]),
    "Pardpull": np.array(
        [45, 37, 45, 94, 76, 24, 105, 1, 1, 0, 1, 8, 72, 72, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0]
    ),
    "Trocterr": np.array(
        [57, 65, 66, 86, 91, 63, 118, 30, 2, 1, 4, 13, 97, 94, 25, 28, 23, 25, 22, 22, 18, 1, 1, 0, 16, 1, 0, 2]
    ),
}

# Red mites on apple leaves (Bliss & Fisher 1953) and yeast cells on squares ("Student" 1907): how often 0, 1, 2, ...
MITES = [70, 38, 17, 10, 9, 3, 2, 1]
YEAST = [213, 128, 37, 18, 3, 1]


@dataclass(frozen=True, slots=True)
class Value:
    """What somebody else found: a key, the numbers, who says so, and how near the methods must come."""

    key: str
    expected: tuple[float, ...]
    source: str
    rel: float = 0.0
    abs: float = 0.0

    def __str__(self) -> str:
        """Name the case of a test."""
        return self.key.replace(" ", "-")

    def check(self, found: Array | float) -> None:
        """Compare what the methods find."""
        np.testing.assert_allclose(np.atleast_1d(found), self.expected, rtol=self.rel, atol=self.abs)


# How near a value must come: closed forms, maximum likelihood estimates, their errors, and log likelihoods.
CLOSED, ESTIMATE, ERROR, LIKELIHOOD = {"rel": 1e-6}, {"rel": 1e-4}, {"rel": 1e-3}, {"abs": 1e-4}


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Counts (n,) with effort (n,), covariates (n, p), the cell (n,) that carries a level, and the site (n,)."""

    counts: Array
    x: Array
    cell: Array
    effort: Array
    site: Array


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """A fit of the methods, and what they expect of each count."""

    layout: Layout
    effects: SharedEffects
    components: Components
    mu: Array
    weights: Weights

    @property
    def coefficients(self) -> Array:
        """Return the levels of the cells, then the effects."""
        return np.r_[self.effects.levels, self.effects.beta]

    @property
    def counts(self) -> Array:
        """Return the counts in the order of the layout."""
        return self.layout.low.astype(float)

    @property
    def log_likelihood(self) -> float:
        """Return the sum of the log probabilities of the counts."""
        return float(count_log_probability(self.counts, np.log(self.mu), self.components.night).sum())

    @property
    def deviance(self) -> float:
        """Return twice what a mean of its own for each count would gain."""
        above = np.maximum(self.counts, 1e-300)
        saturated = count_log_probability(self.counts, np.log(above), self.components.night).sum()
        return 2.0 * (float(saturated) - self.log_likelihood)

    @property
    def pearson(self) -> float:
        """Return the sum of squared residuals over their variance, mu over the weight."""
        return float(((self.counts - self.mu) ** 2 * self.weights.night / self.mu).sum())

    @property
    def covariance(self) -> Array:
        """Invert the information on levels and effects, put together from the parts that the methods use."""
        seen = look_at_curvature(self.layout, self.mu, self.weights, self.components.site, 0.0)
        of_levels = np.diag(seen.cell_info)
        of_effects = seen.profile + (seen.cell_cross / seen.cell_info[:, None]).T @ seen.cell_cross
        return np.linalg.inv(np.block([[of_levels, seen.cell_cross], [seen.cell_cross.T, of_effects]]))


def table(counts: Array, *, x: Array | None = None, **columns: Array) -> Table:
    """Fill in what a table does not say: no covariates, one cell, effort 1, a site of its own for each count."""
    n = len(counts)
    return Table(
        np.asarray(counts, dtype=np.int64),
        np.zeros((n, 0)) if x is None else np.asarray(x, dtype=float),
        np.asarray(columns.get("cell", np.zeros(n)), dtype=np.int64),
        np.asarray(columns.get("effort", np.ones(n)), dtype=float),
        np.asarray(columns.get("site", np.arange(n)), dtype=np.int64),
    )


def layout_of(data: Table) -> Layout:
    """Sort a table as the methods do."""
    return arrange_rows(
        make_rows(
            cell=data.cell,
            site=data.site,
            low=data.counts,
            effort=data.effort,
            covariates=data.x,
            covariates_of_habitat=data.x[:1],
        )
    )


def fit(data: Table, *, size: float = np.inf, site: float = 0.0, ridge: float = 0.0) -> Fitted:
    """Fit a table: Poisson, negative binomial of a given ``size``, or with sites that differ as well."""
    layout, components = layout_of(data), Components(site, 1.0 / size)
    effects = fit_shared_effects(
        layout, layout.low.astype(float), site_variance=site, night_variance=components.night, ridge=ridge
    )
    assert effects.converged
    mu = expected_counts(layout, effects.levels, effects.beta)
    return Fitted(layout, effects, components, mu, quasi_weights(layout, mu, components))


def best_size(data: Table, low: float, high: float) -> Fitted:
    """Fit the negative binomial of the size at which the log likelihood is highest."""

    def loss(log_size: float) -> float:
        return -fit(data, size=float(np.exp(log_size))).log_likelihood

    found = optimize.minimize_scalar(loss, bounds=np.log([low, high]), method="bounded", options={"xatol": 1e-10})
    return fit(data, size=float(np.exp(found.x)))


def spread(frequencies: list[int]) -> Array:
    """Write out how often each count came as single counts."""
    return np.repeat(np.arange(len(frequencies)), frequencies)


def ships(*, type_as_cell: bool = False) -> Table:
    """Type, year and period of the ships; months of service are the effort."""
    lines = [line.split() for line in SHIPS.split(";")]
    years = [[*(line[0][1:] == year for year in ("65", "70", "75")), line[1] == "75"] for line in lines]
    kinds = np.array(["ABCDE".index(line[0][0]) for line in lines])
    service, incidents = (np.array([int(line[i]) for line in lines]) for i in (2, 3))
    if type_as_cell:
        return table(incidents, x=np.array(years, dtype=float), cell=kinds, effort=service)
    return table(incidents, x=np.column_stack([np.eye(5)[kinds][:, 1:], years]), effort=service)


def quine() -> tuple[list[list[str]], Array]:
    """Origin, sex, age and learner of every child, and the days absent."""
    groups = [line.split() for line in QUINE.split(";")]
    words = [group[:4] for group in groups for _ in group[4:]]
    return words, np.array([int(days) for group in groups for days in group[4:]])


def webworms() -> Table:
    """Blocks as cells; spray, lead, and both together."""
    groups = [line.split() for line in WEBWORMS.split(";")]
    counts = [spread([int(often) for often in group[2:]]) for group in groups]
    block = np.repeat([int(group[0]) - 1 for group in groups], [len(part) for part in counts])
    spray, lead = (np.repeat([float(g[1][i] == "Y") for g in groups], [len(part) for part in counts]) for i in (0, 1))
    return table(np.concatenate(counts), x=np.column_stack([spray, lead, spray * lead]), cell=block)
