"""How the change index would scatter, worked out on a fixed set of drawn gardens.

The closed formula takes each garden's level as known. The change index does not know it: it integrates the level out,
so that a garden's weight leans on its own counts. Here the index's own score and information are averaged over gardens
drawn from the planning model (scrambled Sobol points with a fixed seed, so that the same question always gets the same
answer). The number of gardens enters only afterwards, so one draw serves every number of gardens.

References: sandwich variance, White 1982, and second-order bias of estimating equations, Cox & Snell 1968 (both from
memory); Sobol points, Owen 1998 (scrambling; from memory). The use as a design calculator is this project's own
construction, METHODS.md, section Design.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from surveys.methods.design_formula import formula_scatter
from surveys.methods.design_records import DesignComponents, DesignSettings, SurveyPlan
from surveys.methods.level_records import Floats

NODES = np.arange(-16, 17) * 0.5  # standard deviations around the mode of each garden's level
WIDEST = 0.6  # of a step, on the log scale: a single animal says little about a level
MODE_STEPS = 8
LEVEL_STEPS = 5  # Newton steps to the levels that the index tends to
FEWEST_DRAWN = 50  # animals of all drawn gardens on either side
PROBE = 0.05  # step of the finite differences, on the log scale


@dataclass(frozen=True, slots=True, eq=False)
class DrawnGardens:
    """Animals ``total`` (N, T) per season, ``nights`` (T,), the last season being the one that is compared.

    ``known`` (N, C) are functions of a garden whose mean is exactly 0 under the planning model.
    """

    total: Floats
    nights: Floats
    known: Floats

    @property
    def drawn(self) -> int:
        """Return the number of gardens, those without any animal among them."""
        return int(self.total.shape[0])


@dataclass(frozen=True, slots=True, eq=False)
class GardenScores:
    """``score`` (N, T) and ``information`` (N, T, T) of each drawn garden for the log levels of the seasons."""

    score: Floats
    information: Floats


@dataclass(frozen=True, slots=True, eq=False)
class IndexScatter:
    """Per garden: ``variance`` and ``bias`` of the log ratio (over S), ``effective`` share (times S).

    ``limit`` is the log ratio that the index tends to with many gardens, ``dispersion`` (>= 1) the scatter of gardens'
    shares of animals over that of counting. ``influence``, and animals of the ``season`` and the ``base``, of each
    drawn garden (N,) serve to put thin regions together.
    """

    variance: float
    bias: float
    effective: float
    limit: float
    dispersion: float
    influence: Floats
    season: Floats
    base: Floats


def draw_gardens(components: DesignComponents, plan: SurveyPlan, settings: DesignSettings) -> DrawnGardens:
    """Draw gardens of the planning model.

    A garden's factor, and its factor of each season, are gamma with mean 1; nights are negative binomial, so that the
    sum over n nights is so too, with n times the size.
    Parameters: ``components``; ``plan``; ``settings`` with number and seed. Returns: DrawnGardens. Raises: nothing.
    """
    seasons = plan.base_seasons + 1
    nights = np.r_[np.full(plan.base_seasons, float(plan.base_nights)), float(plan.nights)]
    points = stats.qmc.Sobol(1 + 2 * seasons, rng=settings.seed).random(settings.drawn_gardens)
    points = np.clip(points, 1e-9, 1.0 - 1e-9)
    site = gamma_factor(points[:, :1], components.site)
    season = gamma_factor(points[:, 1 : 1 + seasons], components.site_season)
    expected = plan.rate * nights * np.r_[np.ones(plan.base_seasons), plan.ratio]
    total = night_totals(points[:, 1 + seasons :], expected * site * season, nights, components.night)
    return DrawnGardens(total, nights, known_means(total / expected, site, season))


def night_totals(chance: Floats, mean: Floats, nights: Floats, night_variance: float) -> Floats:
    """Return quantiles of a season's total: negative binomial of size nights / sO, Poisson where sO is 0."""
    if night_variance <= 0:
        return np.asarray(stats.poisson.ppf(chance, mean))
    size = nights / night_variance
    return np.asarray(stats.nbinom.ppf(chance, size, size / (size + mean)))


def known_means(relative: Floats, site: Floats, season: Floats) -> Floats:
    """Return functions of the drawn gardens (N, C) whose mean is 0: what chance left of it can be taken out.

    Parameters: ``relative`` (N, T) totals over what an average garden expects; factors of ``site`` (N, 1) and
    ``season`` (N, T). Deviations of totals are also weighed as the index weighs them, less in a richer garden.
    """
    less = 1.0 / (1.0 + site)
    sides = [np.c_[part[:, :-1].mean(axis=1), part[:, -1]] for part in (relative - site, season - 1.0)]
    return np.hstack([site - 1.0, sides[0], sides[0] * less, sides[1], sides[1] * less])


def gamma_factor(chance: Floats, variance: float) -> Floats:
    """Return gamma quantiles of mean 1 and the given variance; 1 where it is 0."""
    if variance <= 0:
        return np.ones_like(chance)
    return np.asarray(special.gammaincinv(1.0 / variance, chance) * variance)


def garden_mode(total: Floats, nights: Floats, levels: Floats, working: float) -> tuple[Floats, Floats]:
    """Mode and step (N,) of each garden's log level under the working model, flat on the log scale."""
    size = total + nights / working
    level = np.log(total.sum(axis=1) / (np.exp(levels) @ nights))
    for _ in range(MODE_STEPS):
        odds = working * np.exp(levels + level[:, None])
        chance = odds / (1.0 + odds)
        curve = np.maximum((size * chance * (1.0 - chance)).sum(axis=1), 1e-3)
        level = level + np.clip((total - size * chance).sum(axis=1) / curve, -1.0, 1.0)
    return level, np.minimum(1.0 / np.sqrt(curve), 2.0 * WIDEST)


def score_gardens(gardens: DrawnGardens, levels: Floats, working: float) -> GardenScores:
    """Score and information of each garden with its own level integrated out, as in the change index.

    Score = E[d], information = E[curvature] - Cov[d], expectations over the garden's level. For equal efforts the
    total of a season is sufficient: n nights are negative binomial of size n / V together. Gardens without any animal
    say nothing. Parameters: ``gardens``; log ``levels`` (T,); ``working`` variance V. Returns: GardenScores.
    Raises: nothing. References: Louis 1982 (from memory).
    """
    total = gardens.total[gardens.total.sum(axis=1) > 0]
    mode, scale = garden_mode(total, gardens.nights, levels, working)
    at = (mode[:, None] + scale[:, None] * NODES)[:, None, :] + levels[:, None]
    odds = working * np.exp(at)
    size = (total + gardens.nights / working)[:, :, None]
    weight = (total[:, :, None] * at - size * np.log1p(odds)).sum(axis=1)
    weight = np.exp(weight - weight.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    chance = odds / (1.0 + odds)
    slope = total[:, :, None] - size * chance
    score = np.einsum("stk,sk->st", slope, weight)
    weighted = slope * weight[:, None, :]
    information = score[:, :, None] * score[:, None, :] - np.matmul(weighted, slope.transpose(0, 2, 1))
    seasons = np.arange(levels.size)
    information[:, seasons, seasons] += np.einsum("stk,sk->st", size * chance * (1.0 - chance), weight)
    return GardenScores(score, information)


def limit_levels(gardens: DrawnGardens, plan: SurveyPlan, working: float) -> Floats:
    """Find the levels (T,) that the index tends to: those at which the mean score of a garden is zero.

    Base seasons are exchangeable, so they share one level, 0. Parameters: ``gardens``; ``plan``; ``working`` variance.
    Returns: levels. Raises: nothing.
    """
    levels = np.r_[np.zeros(plan.base_seasons), math.log(plan.ratio)]
    for _ in range(LEVEL_STEPS):
        terms = score_gardens(gardens, levels, working)
        step = steady_mean(terms.score[:, -1], gardens) / max(mean_information(terms, gardens.drawn)[-1, -1], 1e-12)
        levels[-1] += float(np.clip(step, -1.0, 1.0))
    return np.asarray(levels)


def steady_mean(score: Floats, gardens: DrawnGardens) -> float:
    """Mean of a score over gardens with the chance of the draw taken out by functions of known mean.

    Parameters: ``score`` of the gardens with animals, 0 for the others; ``gardens``. Returns: the constant of a
    regression on ``gardens.known``. Raises: nothing.
    References: control variates, Hammersley & Handscomb 1964 (from memory).
    """
    every = every_garden(score, gardens)
    return float(np.linalg.lstsq(np.c_[np.ones(gardens.drawn), gardens.known], every, rcond=None)[0][0])


def every_garden(values: Floats, gardens: DrawnGardens) -> Floats:
    """Spread values of the gardens with animals over all drawn gardens, 0 for the others."""
    every = np.zeros(gardens.drawn)
    every[gardens.total.sum(axis=1) > 0] = values
    return every


def index_scatter(components: DesignComponents, plan: SurveyPlan, settings: DesignSettings) -> IndexScatter:
    """How the log ratio of the change index scatters per garden under a plan.

    With H the mean information, g the gradient of log I = delta_c - log mean exp(delta_b) and q = H^-1 g, a garden's
    influence is q' psi_s: variance = E[(q' psi)^2]; share of information h_s = q' H_s q, effective share =
    (E h)^2 / E h^2; bias as in :func:`second_order_bias`. Where even the drawn gardens hold hardly any animals, the
    closed formula is used.
    Parameters: ``components``; ``plan``; ``settings``. Returns: IndexScatter. Raises: nothing.
    References: module docstring.
    """
    gardens = draw_gardens(components, plan, settings)
    if min(gardens.total[:, :-1].sum(), gardens.total[:, -1].sum()) < FEWEST_DRAWN:
        return closed_scatter(gardens, components, plan, settings)
    working = settings.working_night_variance
    levels = limit_levels(gardens, plan, working)
    terms = score_gardens(gardens, levels, working)
    information = mean_information(terms, gardens.drawn)
    gradient = np.r_[np.full(plan.base_seasons - 1, -1.0 / plan.base_seasons), 1.0]
    lever = np.asarray(np.linalg.solve(information, gradient), dtype=float)
    influence = terms.score[:, 1:] @ lever
    share = np.einsum("t,stc,c->s", lever, terms.information[:, 1:, 1:], lever)
    return IndexScatter(
        variance=float((influence**2).sum() / gardens.drawn),
        bias=second_order_bias(gardens, terms, levels, lever, working),
        effective=float(share.sum() ** 2 / (share**2).sum() / gardens.drawn),
        limit=float(levels[-1]),
        dispersion=share_dispersion(gardens, plan),
        influence=every_garden(influence, gardens),
        season=gardens.total[:, -1],
        base=gardens.total[:, :-1].sum(axis=1),
    )


def closed_scatter(
    gardens: DrawnGardens, components: DesignComponents, plan: SurveyPlan, settings: DesignSettings
) -> IndexScatter:
    """Scatter by the closed formula, with the influences of a ratio of totals."""
    closed = formula_scatter(components, plan, settings)
    season, base = gardens.total[:, -1], gardens.total[:, :-1].sum(axis=1)
    expected = plan.rate * plan.nights * plan.ratio, plan.rate * plan.base_nights * plan.base_seasons
    return IndexScatter(
        variance=closed.variance,
        bias=0.0,
        effective=closed.effective,
        limit=math.log(plan.ratio),
        dispersion=share_dispersion(gardens, plan),
        influence=season / expected[0] - base / expected[1],
        season=season,
        base=base,
    )


def share_dispersion(gardens: DrawnGardens, plan: SurveyPlan) -> float:
    """Squared deviations of the season's animals, given a garden's own total, over their binomial variance; at least 1.

    References: McCullagh & Nelder 1989 (X2 / df as dispersion; from memory), as in change_sparse.py.
    """
    odds = plan.ratio * plan.nights / (plan.base_seasons * plan.base_nights)
    chance, caught = odds / (1.0 + odds), gardens.total.sum(axis=1)
    expected = float((caught * chance * (1.0 - chance)).sum())
    found = float(((gardens.total[:, -1] - caught * chance) ** 2).sum())
    return max(1.0, found / expected) if expected > 0 else 1.0


def mean_information(terms: GardenScores, drawn: int) -> Floats:
    """Mean information (T-1, T-1) of all but the first season, whose level is held at 0."""
    return np.asarray(terms.information[:, 1:, 1:].sum(axis=0) / drawn)


def second_order_bias(
    gardens: DrawnGardens, terms: GardenScores, levels: Floats, lever: Floats, working: float
) -> float:
    """Bias of the log ratio times the number of gardens.

    q' { -E[H_s H^-1 psi_s] + 1/2 sum_jk V_jk d^2 E psi / d delta_j d delta_k } - 1/2 of the variance between the base
    levels, which a log of a mean adds (Jensen). V = H^-1 E[psi psi'] H^-1. Derivatives by central differences.
    References: Cox & Snell 1968 (from memory), for an estimating equation.
    """
    drawn, seasons = gardens.drawn, levels.size
    inverse = np.linalg.inv(mean_information(terms, drawn))
    steps = terms.score[:, 1:] @ inverse
    spread = steps.T @ steps / drawn
    bias = -float(np.einsum("t,stc,sc->", lever, terms.information[:, 1:, 1:], steps)) / drawn
    for j in range(seasons - 1):
        probe = np.zeros(seasons)
        probe[1 + j] = PROBE
        up, down = (mean_information(score_gardens(gardens, levels + s * probe, working), drawn) for s in (1.0, -1.0))
        bias -= 0.5 * float(lever @ ((up - down) / (2.0 * PROBE)) @ spread[:, j])
    base = np.full(seasons - 1, 1.0 / (seasons - 1))[:-1]
    between = float(base @ np.diag(spread)[:-1] - base @ spread[:-1, :-1] @ base)
    return bias - 0.5 * between
