"""Sites that differ: likelihoods, components and covariance against glmmTMB, lme4, statsmodels and scipy."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import integrate, optimize, special, stats

from surveys.methods.cell_rates import Components
from surveys.methods.dispersion import COMPONENT_GRID, integrated_log_likelihood, posterior_components
from surveys.methods.level_layout import Layout, arrange_rows
from surveys.methods.level_records import OPEN_ABOVE, LevelSettings
from surveys.methods.shared_effects import fit_shared_effects, look_at_fit, moves_of_sites, start_point
from surveys.methods.site_lattice import impute_counts, lattice_nodes, node_weights, plot_log_likelihood
from tests.reference.level_worlds import draw_world, make_rows
from tests.surveys.methods.outside import ERROR, ESTIMATE, Array, Fitted, Table, Value, fit, layout_of, table

QUADRATURE = "computed in Python, adaptive Gauss-Hermite quadrature of 25 points"
TEMPLATE = "computed with R package glmmTMB 1.1.5 (Laplace)"

# Stream salamanders (Price et al. 2016): whether the site was mined; count x how often, one entry per site.
SALAMANDERS = """
yes 0x23 1x3 2x2; yes 0x14 1x5 2x6 3x2 6x1; yes 0x28; no 0x7 1x5 2x7 3x2 4x2 6x2 7x1 8x1 13x1; no 0x9 1x3 2x6 3x3
4x2 5x2 6x1 11x1 14x1; no 0x13 1x4 2x3 3x1 4x3 6x1 7x1 8x1 10x1; no 0x8 1x4 2x4 3x1 4x2 5x3 7x4 8x1 36x1; no 0x10
1x3 2x4 3x4 4x2 5x1 6x1 9x1 11x1 12x1; no 0x4 1x4 2x6 3x1 4x5 5x1 6x2 7x4 8x1; no 0x12 1x6 2x4 3x2 4x2 5x1 11x1; yes
0x25 1x1 2x2; no 0x9 1x2 2x5 3x3 4x4 5x4 6x1; no 0x20 1x2 2x1 5x2 8x2 9x1; no 0x11 1x5 2x4 3x3 5x3 7x1 10x1; no 0x12
1x8 2x2 3x2 4x4; yes 0x26 1x2; yes 0x26 1x2; no 0x13 1x6 2x4 3x2 7x1 9x1 13x1; yes 0x23 1x3 4x1 6x1; yes 0x24 1x3
3x1; yes 0x19 1x5 2x1 3x2 4x1; yes 0x27 1x1; yes 0x24 1x2 3x1 4x1"""
# Ticks on grouse chicks (Elston et al. 2001): place, year, height above the sea in metres; ticks on every chick.
TICKS = """
1 96 403 5 21 26 13 23; 1 97 403 2 0 1; 2 97 409 0 3 1; 3 96 410 1 0 2 5 1 2 2; 4 95 411 34 17 16; 4 96 411 42 38 61
79 39 41; 4 97 411 2 4 4 1 2 2 1 4 1 3 3; 5 96 415 15 23 14; 6 96 417 3 14 11 9 4 10 33 19 16; 7 95 419 2 7 31 66 49
82 85 64; 8 96 421 7 11; 9 95 422 9 11 7 13; 10 96 423 7; 10 97 423 2 0; 11 95 424 11 14 4 10; 11 96 424 24; 11 97
424 3; 12 96 425 4 6 2; 13 95 427 6 0 1 0 3 15 8; 13 96 427 7; 14 95 430 4 1 0 0 3 1; 14 96 430 16 13 11 7 4 11 6 13
5 8 13 17 5 1 1 2; 14 97 430 0 0; 15 97 433 0 3 1 0 0 1 0; 16 97 434 10 4 1; 17 95 437 7 0 4; 18 96 439 5 3 7; 19 95
442 7 2 16 12 0 1; 19 96 442 13 1 5 7; 19 97 442 1 3 4 0 4 2 2 2 0 0; 20 96 443 25 11 6 4 7; 21 96 444 3; 22 95 446
5 3; 22 97 446 3 0 3 1 2 3; 23 96 448 19 26 9 2 4 3 22 32; 24 96 449 85 45 68 84 50; 25 97 450 1 4 4 2 5 2 0; 26 95
451 8 3 4; 27 96 456 1 1 4; 28 95 457 1 0 0 5; 28 96 457 6 2 7 8 14; 28 97 457 0 4 5 2 3 2 2 1 2 0; 29 96 458 1 0 1
6 1; 30 95 460 2; 30 96 460 6 7 10; 30 97 460 0 0 0; 31 95 464 0 0 0 1 2; 31 97 464 2 0 1; 32 95 465 0 0; 33 95 466
2 0 3; 34 95 468 0 0 1; 34 97 468 0 0; 35 97 470 0; 36 95 472 0; 36 96 472 15 15 6 19 14 0 6 3; 36 97 472 1 0 4 0 0
0 0; 37 95 475 0 0 3 2; 37 96 475 1 2 3 0; 38 95 476 1 1 0 0; 39 97 477 2 0 1; 40 96 479 1 0 5 5 8 21; 41 97 483 0 0
2; 42 96 485 1 1 3 2 3; 43 97 486 0; 44 95 488 0 0 2 1; 45 95 490 0 0 0; 46 96 491 14 5 27; 47 95 492 0 0 0; 47 96
492 1 2; 48 95 493 2 1 1; 49 97 494 1 0 0 0 0; 50 96 495 2 5 1 2 0 8 3 14 16 18 11 13; 50 97 495 0 0 0 0 0; 51 95
496 0 0 1 1 0 0 0 1 1 0; 51 97 496 0 0 0 0; 52 96 499 0 0 0; 53 95 503 3; 53 96 503 7 5 3 1 6; 54 95 507 0 0 0 0; 55
96 509 5 4; 56 97 511 0 0 1 0 0 0 0 1 0 0 0; 57 97 513 1 0 0 1 1 0 0; 58 97 514 0 0; 59 95 515 0 0 0 0; 60 95 518 5
2; 60 96 518 3 8; 61 96 521 2 1 0; 62 95 525 2 1; 62 96 525 1 0 3 1; 62 97 525 0 0 1; 63 95 533 0 0 1 0 0 1 0 0; 63
97 533 0 1 2 0 0 0"""


def salamanders() -> Table:
    """Sites with 28 visits each; the effect is that of a site that was not mined."""
    counts, site, unmined = [], [], []
    for number, line in enumerate(SALAMANDERS.split(";")):
        mined, *pairs = line.split()
        for pair in pairs:
            count, often = (int(part) for part in pair.split("x"))
            counts += [count] * often
            site += [number] * often
            unmined += [float(mined == "no")] * often
    return table(np.array(counts), x=np.array(unmined)[:, None], site=np.array(site))


def ticks() -> Table:
    """Places as sites; effects of 1996, 1997 and the height over the mean of all chicks."""
    rows = [(line.split()[:3], line.split()[3:]) for line in TICKS.split(";")]
    facts = np.array([[int(word) for word in words] for words, found in rows for _ in found])
    counts = np.array([int(count) for _, found in rows for count in found])
    years = [facts[:, 1] == 96, facts[:, 1] == 97, facts[:, 2] - facts[:, 2].mean()]
    return table(counts, x=np.column_stack(years), site=facts[:, 0])


NORMAL_NODES = np.arange(-6.0, 6.0, 0.1)  # of a normal site effect, in standard deviations


def normal_log_likelihood(layout: Layout, effects: Array, deviation: float, size: float) -> float:
    """Integrate a normal log site effect out of the methods' plot likelihood on an even lattice."""
    log_mean = np.log(layout.effort) + effects[0] + layout.covariates @ effects[1:]
    of_plots = plot_log_likelihood(layout, log_mean, deviation * NORMAL_NODES, 1.0 / size)
    return float(special.logsumexp(of_plots + stats.norm.logpdf(NORMAL_NODES) + np.log(0.1), axis=1).sum())


MIXED = {
    "M1": ((0.6282573852, 1.129825625, -1.125671434, -0.02383525301), 0.8982537371, 2.040649082, ticks),
    "M2": ((-1.475067171, 2.259122809), 0.527663729, 0.6389299957, salamanders),
}
MIXED_LIKELIHOODS = [
    Value("M1 logLik_AGHQ25", (-905.3217991,), QUADRATURE, rel=1e-6),
    Value("M2 logLik_AGHQ25", (-869.1075643,), QUADRATURE, rel=1e-6),
]


@pytest.mark.parametrize("value", MIXED_LIKELIHOODS, ids=str)
def test_counts_at_sites_are_as_likely_as_quadrature_says(value: Value) -> None:
    effects, deviation, size, data = MIXED[value.key.split()[0]]
    value.check(normal_log_likelihood(layout_of(data()), np.array(effects), deviation, size))


@cache
def best_mixed(name: str) -> Array:
    """Let scipy find effects, log deviation and log size at which that likelihood is highest."""
    effects, _, _, data = MIXED[name]
    layout = layout_of(data())

    def loss(at: Array) -> float:
        return -normal_log_likelihood(layout, at[:-2], float(np.exp(at[-2])), float(np.exp(at[-1])))

    start = np.r_[np.array(effects) + 0.05, -0.5, 0.0]
    found = optimize.minimize(loss, start, method="BFGS", options={"gtol": 1e-5})
    return np.r_[found.x[:-2], np.exp(found.x[-2:])]


MIXED_VALUES = [
    Value("M2 coef_AGHQ25", (-1.475067171, 2.259122809), QUADRATURE, **ESTIMATE),
    Value("M2 sd_re_AGHQ25", (0.527663729,), QUADRATURE, rel=1e-4),
    Value("M2 theta_AGHQ25", (0.6389299957,), QUADRATURE, **ERROR),
    # Laplace is another approximation: 0.01 on coefficients lies between it and the integral
    Value("M2 coef", (-1.474091507, 2.258172703), TEMPLATE, abs=0.01),
]


@pytest.mark.parametrize("value", MIXED_VALUES, ids=str)
def test_the_plot_likelihood_is_highest_where_quadrature_says(value: Value) -> None:
    found = best_mixed("M2")
    kind = value.key.split()[1].removesuffix("_AGHQ25")
    value.check({"coef": found[:2], "sd_re": found[2], "theta": found[3]}[kind])


def conditional_likelihood(counts: Array, means: Array, effect: float, night: float) -> float:
    size = 1.0 / night
    return float(np.prod(stats.nbinom.pmf(counts, size, size / (size + means * effect))))


def integrate_site(counts: Array, means: Array, site: float, night: float) -> float:
    """Integrate a gamma site effect out with scipy, on the log scale."""

    def integrand(log_effect: float) -> float:
        effect = np.exp(log_effect)
        density = float(stats.gamma.pdf(effect, 1.0 / site, scale=site)) * effect
        return conditional_likelihood(counts, means, effect, night) * density

    return float(
        integrate.quad(integrand, -150, 6, points=[-30, -9, -3, -1, 0, 1, 2, 3], epsabs=0, epsrel=1e-10, limit=400)[0]
    )


@pytest.mark.parametrize(("site", "night"), [(0.2, 0.3), (1.0, 1.0), (3.0, 0.5), (6.0, 6.0)])
@pytest.mark.parametrize("counts", [[0], [4], [0, 0, 3], [2, 7, 1, 12], [40, 25]])
def test_the_lattice_integrates_a_site_as_scipy_quad_does(counts: list[int], site: float, night: float) -> None:
    means = np.resize([0.8, 1.5, 2.5], len(counts)) * max(1.0, max(counts) / 4)
    layout = layout_of(table(counts, effort=means, site=np.zeros(len(counts))))
    expected = np.log(integrate_site(layout.low, layout.effort, site, night))
    for step, tolerance in ((0.3, 2e-3), (0.05, 1e-4)):  # 0.3 is what the methods use
        nodes = lattice_nodes(5.0, step)
        logs = plot_log_likelihood(layout, np.log(layout.effort), nodes, night)[0]
        found = special.logsumexp(logs, b=node_weights(nodes, np.array(0.0), site, step))
        assert found == pytest.approx(expected, abs=tolerance)


def gamma_poisson_log_likelihood(counts: Array, means: Array, site: float) -> float:
    """Closed form of Poisson counts that share a gamma effect: the negative multinomial."""
    shape = 1.0 / site
    total, mean = counts.sum(), means.sum()
    constant = special.gammaln(total + shape) - special.gammaln(shape) - special.gammaln(counts + 1.0).sum()
    return float(
        constant + (counts * np.log(means)).sum() + shape * np.log(shape) - (total + shape) * np.log(shape + mean)
    )


@pytest.mark.parametrize("site", [0.1, 0.8, 2.5, 6.0])
@pytest.mark.parametrize("counts", [[0], [3], [0, 2, 5], [30, 11]])
def test_without_nights_the_lattice_gives_the_closed_gamma_poisson_integral(counts: list[int], site: float) -> None:
    means, night = np.resize([0.8, 1.5, 2.5], len(counts)), 1e-7
    layout = layout_of(table(counts, effort=means, site=np.zeros(len(counts))))
    nodes = lattice_nodes(5.0, 0.05)
    logs = plot_log_likelihood(layout, np.log(layout.effort), nodes, night)[0]
    found = special.logsumexp(logs, b=node_weights(nodes, np.array(0.0), site, 0.05))
    assert found == pytest.approx(gamma_poisson_log_likelihood(layout.low, layout.effort, site), abs=2e-4)


def test_one_count_a_site_without_nights_is_the_negative_binomial_of_scipy() -> None:
    nodes, site = lattice_nodes(5.0, 0.05), 0.7
    counts = np.arange(25)
    layout = layout_of(table(counts, effort=np.full(25, 3.0)))
    logs = plot_log_likelihood(layout, np.log(layout.effort), nodes, 1e-7)
    found = special.logsumexp(logs, b=node_weights(nodes, np.array(0.0), site, 0.05), axis=1)
    np.testing.assert_allclose(found, stats.nbinom.logpmf(counts, 1 / site, 1 / (1 + site * 3.0)), atol=5e-5)


def test_an_open_class_is_expected_from_its_site_as_scipy_quad_says() -> None:
    # two nights at one site: 6 animals, and "4 or more"; site effect and night effect by two integrals
    site, night, means = 1.2, 0.8, np.array([2.0, 3.0])
    rows = make_rows(cell=[0, 0], site=[0, 0], low=[6, 4], high=[6, OPEN_ABOVE], effort=means)
    layout = arrange_rows(rows)
    counts = np.arange(4, 4000)

    def moment(power: int) -> float:
        def integrand(log_effect: float) -> float:
            effect = np.exp(log_effect)
            size = 1.0 / night
            density = stats.gamma.pdf(effect, 1.0 / site, scale=site) * effect
            seen = stats.nbinom.pmf(6, size, size / (size + means[0] * effect))
            chances = stats.nbinom.pmf(counts, size, size / (size + means[1] * effect))
            return float(density * seen * np.dot(counts.astype(float) ** power, chances))

        return float(integrate.quad(integrand, -10, 5, epsabs=0, epsrel=1e-8, limit=200)[0])

    none, first, second = (moment(power) for power in range(3))
    found = impute_counts(layout, np.log(layout.effort), Components(site, night), lattice_nodes(5.0, 0.05), 0.05)
    opened = int(np.flatnonzero(layout.classed)[0])
    assert found.counts[opened] == pytest.approx(first / none, rel=1e-3)
    assert found.variance[opened] == pytest.approx(second / none - (first / none) ** 2, rel=5e-3)


def test_the_surface_of_components_is_the_double_integral_of_scipy() -> None:
    # one cell of four sites with one return each: integrate every site, then the level under its own prior
    counts, site_counts = np.array([0, 2, 5, 1]), 4
    layout = layout_of(table(counts))
    working = Components(1.0, 1.0)
    effects = fit_shared_effects(layout, layout.low.astype(float), site_variance=1.0, night_variance=1.0, ridge=0.25)
    level = effects.levels[0]
    surface = integrated_log_likelihood(layout, effects, lattice_nodes(5.0, 0.1), 0.1, working)

    def information(mean: float) -> float:
        plot = mean / (1 + working.marginal_night * mean)
        return site_counts * plot / (1 + working.site * plot)

    for i, j in ((2, 3), (5, 5), (7, 4)):
        site, night = float(COMPONENT_GRID[i]), float(COMPONENT_GRID[j])

        size = 1.0 / night
        effects_seen = np.linspace(-60.0, 4.5, 6451)
        density = stats.gamma.pdf(np.exp(effects_seen), 1.0 / site, scale=site) * np.exp(effects_seen)
        deviation = 1 / np.sqrt(information(np.exp(level)))
        log_rates = level + np.linspace(-3.5 - 0.4, 4.5 + 0.4, 45) * deviation
        heights = []
        for log_rate in log_rates:
            share = size / (size + np.exp(log_rate + effects_seen))
            each = [integrate.simpson(stats.nbinom.pmf(c, size, share) * density, x=effects_seen) for c in counts]
            heights.append(float(np.prod(each)) * np.sqrt(information(np.exp(log_rate))))
        expected = np.log(integrate.simpson(heights, x=log_rates))
        assert surface[i, j] == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("tilt", [-0.5, 0.0, 0.6])
def test_a_normal_likelihood_of_log_components_has_the_log_normal_means_of_closed_form(tilt: float) -> None:
    settings = LevelSettings()
    grid = np.log(COMPONENT_GRID)
    centre, deviations = np.log([0.5, 0.6]), np.array([0.3, 0.35])
    covariance = np.diag(deviations**2) + tilt * np.prod(deviations) * (np.ones((2, 2)) - np.eye(2))
    precision = np.linalg.inv(covariance)
    from_centre = np.stack(np.meshgrid(grid - centre[0], grid - centre[1], indexing="ij"), axis=-1)
    surface = -0.5 * np.einsum("ija,ab,ijb->ij", from_centre, precision, from_centre)
    # normal likelihood times normal prior is normal; then the mean of a log-normal
    prior = np.log([settings.site_prior_centre, settings.night_prior_centre])
    posterior = np.linalg.inv(precision + np.eye(2) / settings.prior_log_sd**2)
    mean = posterior @ (precision @ centre + prior / settings.prior_log_sd**2)
    site = np.exp(mean[0] + posterior[0, 0] / 2)
    night = np.exp(mean[1] + posterior[1, 1] / 2)
    both = np.exp(mean.sum() + posterior.sum() / 2)
    found = posterior_components(surface, settings)
    assert found.site == pytest.approx(site, rel=1e-3)
    assert found.marginal_night == pytest.approx(night + both, rel=2e-3)


class KnownCovariance(sm.cov_struct.CovStruct):
    """Working correlation of a site for statsmodels: S mu mu' between returns of one cell, over known variances."""

    def __init__(self, components: Components, cells: list[Array]) -> None:
        """Keep the components, and the cell of every return by group."""
        super().__init__()
        self.components, self.cells = components, cells

    def update(self, params: Array) -> None:
        """Leave the components as they are."""

    def covariance_matrix(self, expval: Array, index: int) -> tuple[Array, bool]:
        """Return the correlation matrix of a group."""
        night, site = self.components.marginal_night, self.components.site
        deviation = np.sqrt(expval + (night + site) * expval**2)
        shared = site * np.outer(expval, expval) * np.equal.outer(self.cells[index], self.cells[index])
        np.fill_diagonal(shared, deviation**2)
        return shared / np.outer(deviation, deviation), True


def world(seed: int) -> Layout:
    """Draw three cells of eleven sites, some of which take part in several cells."""
    truth = {"cells": 3, "sites": 11, "mean": 3.0, "site_variance": 0.8, "night_variance": 0.7}
    rows, _ = draw_world(np.random.default_rng(seed), **truth, with_effects=True)
    return arrange_rows(
        make_rows(
            cell=rows.cell,
            site=rows.site % 13,
            low=rows.low,
            effort=rows.effort,
            covariates=rows.covariates,
            covariates_of_habitat=rows.covariates_of_habitat,
            habitat_weights=rows.habitat_weights,
            habitat=rows.habitat,
        )
    )


def equations_of_statsmodels(layout: Layout, components: Components) -> sm.GEE:
    """Set the same estimating equations up in statsmodels, grouped by true site."""
    site = layout.plot_cluster[layout.row_plot]
    order = np.argsort(site, kind="stable")
    design = np.column_stack([np.eye(layout.cells.size)[layout.row_cell], layout.covariates])
    total = components.marginal_night + components.site
    family = sm.families.NegativeBinomial(alpha=total) if total else sm.families.Poisson()
    cells = [layout.row_cell[order][site[order] == one] for one in np.unique(site)]
    return sm.GEE(
        layout.low[order],
        design[order],
        groups=site[order],
        family=family,
        cov_struct=KnownCovariance(components, cells),
        offset=np.log(layout.effort[order]),
    )


@pytest.mark.parametrize("components", [(0.0, 0.0), (0.0, 0.7), (1.3, 0.0), (0.9, 0.6)])
@pytest.mark.parametrize("seed", [1, 2])
def test_effects_and_their_covariance_solve_the_estimating_equations_of_statsmodels(
    components: tuple[float, float], seed: int
) -> None:
    layout, chosen = world(seed), Components(*components)
    found = fit_shared_effects(
        layout, layout.low.astype(float), site_variance=chosen.site, night_variance=chosen.night, ridge=0.0
    )
    n_cells = layout.cells.size
    other = equations_of_statsmodels(layout, chosen).fit(
        start_params=np.r_[found.levels, found.beta] + 0.01, ctol=1e-12, maxiter=500, cov_type="bias_reduced"
    )
    np.testing.assert_allclose(np.r_[found.levels, found.beta], other.params, atol=1e-6)
    # Mancl & DeRouen's correction is the jackknife of Bell & McCaffrey's CR3, site by site
    np.testing.assert_allclose(found.covariance, other.cov_params()[n_cells:, n_cells:], rtol=1e-5)


@pytest.mark.parametrize("night", [0.0, 0.6])
def test_leaving_out_one_site_after_the_other_gives_the_same_covariance(night: float) -> None:
    layout = world(5)
    counts = layout.low.astype(float)
    found = fit_shared_effects(layout, counts, site_variance=0.0, night_variance=night, ridge=0.0)
    n_cells = layout.cells.size
    design = np.column_stack([np.eye(n_cells)[layout.row_cell], layout.covariates])
    at = np.r_[found.levels, found.beta]
    mu = layout.effort * np.exp(design @ at)
    weights, working = mu / (1 + night * mu), design @ at + (counts - mu) / mu
    site = layout.plot_cluster[layout.row_plot]
    moves = []
    for one in np.unique(site):
        kept = site != one
        without = sm.WLS(working[kept], design[kept], weights=weights[kept]).fit()
        moves.append(without.params - at)
    jackknife = np.array(moves).T @ np.array(moves)
    np.testing.assert_allclose(found.covariance, jackknife[n_cells:, n_cells:], rtol=1e-7)


def test_refitting_in_full_without_each_site_gives_nearly_the_same_covariance() -> None:
    layout = world(6)
    found = fit_shared_effects(layout, layout.low.astype(float), site_variance=0.0, night_variance=0.6, ridge=0.0)
    n_cells = layout.cells.size
    design = np.column_stack([np.eye(n_cells)[layout.row_cell], layout.covariates])
    family, site = sm.families.NegativeBinomial(alpha=0.6), layout.plot_cluster[layout.row_plot]
    moves = []
    for one in np.unique(site):
        kept = site != one
        model = sm.GLM(layout.low[kept], design[kept], family=family, offset=np.log(layout.effort[kept]))
        moves.append(model.fit().params - np.r_[found.levels, found.beta])
    jackknife = np.array(moves).T @ np.array(moves)
    # one scoring step each in the methods, all steps here; 13 sites are few
    np.testing.assert_allclose(np.sqrt(np.diag(found.covariance)), np.sqrt(np.diag(jackknife))[n_cells:], rtol=0.1)


@pytest.mark.parametrize("components", [(0.0, 0.0), (0.0, 0.6), (0.9, 0.6)])
def test_scores_of_many_sites_give_the_robust_covariance_of_statsmodels(components: tuple[float, float]) -> None:
    layout, chosen = world(7), Components(*components)
    counts = layout.low.astype(float)
    found = fit_shared_effects(layout, counts, site_variance=chosen.site, night_variance=chosen.night, ridge=0.0)
    seen = look_at_fit(layout, counts, start_point(layout, counts, found), chosen, 0.0)
    moves = moves_of_sites(layout, seen)
    n_cells = layout.cells.size
    other = equations_of_statsmodels(layout, chosen).fit(
        start_params=np.r_[found.levels, found.beta], ctol=1e-12, maxiter=500, cov_type="robust"
    )
    sites = np.unique(layout.plot_cluster).size
    expected = other.cov_params()[n_cells:, n_cells:] * sites / (sites - 1)  # CR1
    np.testing.assert_allclose(moves.T @ moves, expected, rtol=1e-5)


def test_many_sites_hardly_care_which_of_the_two_covariances_is_taken() -> None:
    found: Fitted = fit(salamanders(), size=0.64, site=0.3)
    counts, point = found.counts, start_point(found.layout, found.counts, found.effects)
    seen = look_at_fit(found.layout, counts, point, found.components, 0.0)
    moves = moves_of_sites(found.layout, seen)
    assert np.sqrt((moves.T @ moves)[0, 0]) == pytest.approx(np.sqrt(found.effects.covariance[0, 0]), rel=0.15)
