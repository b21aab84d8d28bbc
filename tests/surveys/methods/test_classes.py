"""Counts given as classes against closed forms, published fits and brute force."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from surveys.methods.cell_rates import Components
from surveys.methods.classes import class_moments, class_table, count_log_probability, distinct_classes, start_counts
from surveys.methods.level_layout import arrange_rows
from surveys.methods.site_lattice import impute_counts, lattice_nodes
from tests.reference import level_slow
from tests.reference.level_worlds import make_rows

# Red mites on apple leaves (Bliss & Fisher 1953) in the classes 0, 1, 2, 3-5, 6 or more: check values C3
MITES = [((0, 0), 70), ((1, 1), 38), ((2, 2), 17), ((3, 5), 22), ((6, -1), 3)]


def mite_sum(log_mean: float, night_variance: float, what: str) -> float:
    at = np.array([log_mean])
    return sum(n * float(getattr(class_moments(*kind, at, night_variance), what)[0]) for kind, n in MITES)


# Geometric mean of a..b is the Poisson estimate from one class: check values C1 (closed form; R and scipy agree)
@pytest.mark.parametrize(
    ("low", "high", "estimate"),
    [(1, 5, 2.605171085), (6, 20, 12.221642), (21, 100, 55.56463783), (2, 5, 3.30975092)],
)
def test_one_class_alone_is_expected_at_its_geometric_mean(low: int, high: int, estimate: float) -> None:
    def gap(log_mean: float) -> float:
        return float(class_moments(low, high, np.array([log_mean]), 0.0).mean[0] - np.exp(log_mean))

    assert np.exp(optimize.brentq(gap, np.log(low), np.log(high), xtol=1e-13)) == pytest.approx(estimate, rel=1e-6)


def test_seen_or_not_gives_the_textbook_rate() -> None:
    # n0 of n without animals: rate = -log(n0 / n), check values C1 (note)
    def score(log_mean: float) -> float:
        seen = float(class_moments(1, -1, np.array([log_mean]), 0.0).mean[0])
        return 7 * (0 - np.exp(log_mean)) + 3 * (seen - np.exp(log_mean))

    assert np.exp(optimize.brentq(score, -5, 3, xtol=1e-13)) == pytest.approx(-np.log(0.7), rel=1e-9)


def test_grouped_mites_give_the_poisson_estimate_of_other_programs() -> None:
    def score(log_mean: float) -> float:
        return mite_sum(log_mean, 0.0, "mean") - 150 * np.exp(log_mean)

    # R optim and scipy, check values C3pois; log likelihood of the same row
    assert optimize.brentq(score, -1, 1, xtol=1e-13) == pytest.approx(0.08291255713, rel=1e-6)
    assert mite_sum(0.08291255713, 0.0, "log_probability") == pytest.approx(-214.1939248, rel=1e-8)


def test_grouped_mites_give_the_negative_binomial_fit_of_other_programs() -> None:
    night_variance = 1 / 0.9855183351  # theta, check values C3nb

    def score(log_mean: float) -> float:
        mean = np.exp(log_mean)
        return (mite_sum(log_mean, night_variance, "mean") - 150 * mean) / (1 + night_variance * mean)

    assert optimize.brentq(score, -1, 1, xtol=1e-13) == pytest.approx(0.1422379355, rel=1e-4)
    assert mite_sum(0.1422379355, night_variance, "log_probability") == pytest.approx(-196.9460816, rel=1e-8)


# log likelihoods of glm.nb: red mites (check values G5) and yeast cells (check values G9, MASS reference output)
@pytest.mark.parametrize(
    ("frequencies", "log_mean", "size", "log_likelihood"),
    [
        ([70, 38, 17, 10, 9, 3, 2, 1], 0.1368591827, 1.024592387, -222.4371536),
        ([213, 128, 37, 18, 3, 1], -0.3819927519, 3.586087428, -446.5315762),
    ],
)
def test_negative_binomial_log_likelihood_peaks_where_glm_nb_says(
    frequencies: list[int], log_mean: float, size: float, log_likelihood: float
) -> None:
    def total(at: float, k: float) -> float:
        return float(np.dot(frequencies, count_log_probability(np.arange(len(frequencies)), np.array(at), 1 / k)))

    top = total(log_mean, size)
    assert top == pytest.approx(log_likelihood, rel=1e-8)
    assert top > max(total(log_mean, size * 1.02), total(log_mean, size / 1.02), total(log_mean + 0.01, size))


@pytest.mark.parametrize("night_variance", [0.0, 0.04, 1.0, 6.0])
@pytest.mark.parametrize(
    ("low", "high"), [(0, 3), (2, 3), (16, 31), (64, 127), (300, 1200), (5, -1), (128, -1), (1, -1)]
)
def test_class_moments_equal_sums_over_the_counts(low: int, high: int, night_variance: float) -> None:
    log_mean = np.array([-3.0, 0.0, 2.0, 4.5, 6.0])
    moments = class_moments(low, high, log_mean, night_variance)
    counts = np.arange(low, (high if high >= 0 else 400_000) + 1)
    for i, mean in enumerate(np.exp(log_mean)):
        night = (
            stats.nbinom(1 / night_variance, 1 / (1 + night_variance * mean)) if night_variance else stats.poisson(mean)
        )
        chances = night.pmf(counts)  # scipy.stats
        if chances.sum() < 1e-250:
            continue
        expected = np.dot(counts, chances) / chances.sum()
        spread = np.dot((counts - expected) ** 2, chances) / chances.sum()
        np.testing.assert_allclose(moments.log_probability[i], np.log(chances.sum()), rtol=1e-7, atol=1e-7)
        np.testing.assert_allclose(moments.mean[i], expected, rtol=1e-7)
        np.testing.assert_allclose(moments.variance[i], spread, rtol=1e-5, atol=1e-6)


@pytest.mark.parametrize("kind", [(2, 3), (64, 127), (128, -1)])
def test_tables_read_like_the_functions_they_hold(kind: tuple[int, int]) -> None:
    between = np.random.default_rng(1).uniform(-10, 9, 500)
    direct, table = class_moments(*kind, between, 0.04), class_table(*kind, 0.04)
    np.testing.assert_allclose(table.read(between, 0), direct.log_probability, atol=1e-3)
    np.testing.assert_allclose(table.read(between, 1), direct.mean, rtol=1e-4)
    np.testing.assert_allclose(table.read(between, 2), direct.variance, rtol=2e-3, atol=2e-3)


def test_no_class_ever_gives_anything_but_finite_numbers() -> None:
    log_mean = np.linspace(-16, 13, 200)
    for kind in ((2, 3), (128, -1), (5000, -1), (0, 100)):
        for night_variance in (0.0, 0.04, 6.0):
            moments = class_moments(*kind, log_mean, night_variance)
            assert np.isfinite(moments.log_probability).all()
            assert np.isfinite(moments.mean).all()
            assert (moments.variance >= 0).all()
            assert (moments.mean >= kind[0] - 1e-9).all()


def test_first_guesses_are_geometric_middles() -> None:
    # sqrt(4 x 9), 1.5 x 128, half of 6: method study 1.1 and arithmetic by hand
    low, high = np.array([5, 4, 128, 0, 0]), np.array([5, 9, -1, 6, -1])
    np.testing.assert_allclose(start_counts(low, high), [5, 6, 192, 3, 0.5])


def test_every_class_is_listed_once_with_its_returns() -> None:
    found = distinct_classes(np.array([2, 1, 2, 128]), np.array([3, 1, 3, -1]))
    assert [(low, high, rows.tolist()) for low, high, rows in found] == [(2, 3, [0, 2]), (128, -1, [3])]
    assert distinct_classes(np.array([1, 2]), np.array([1, 2])) == []


def test_a_classed_count_is_expected_from_its_class_and_the_rest_of_its_site() -> None:
    bounds, means = [(2, 3), (9, 9), (8, 15), (128, -1)], np.array([4.0, 3.0, 5.0, 6.0])
    low, high = zip(*bounds, strict=True)
    layout = arrange_rows(make_rows(cell=[0] * 4, site=[0] * 4, low=low, high=high, effort=means))
    found = impute_counts(layout, np.log(layout.effort), Components(1.2, 0.8), lattice_nodes(10.0, 0.3), 0.3)
    for low_end, count, variance in zip(layout.low, found.counts, found.variance, strict=True):
        which = low.index(low_end)
        if low[which] == high[which]:
            assert (count, variance) == (9, 0)
            continue
        expected = level_slow.expected_in_class(bounds, means, which, 1.2, 0.8)  # brute force with scipy.stats
        assert count == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("block", [1, 7, 40])
def test_how_many_gardens_are_worked_on_at_a_time_does_not_change_a_digit(
    block: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(3)
    low = rng.poisson(9, 120)
    high = np.where(rng.random(120) < 0.4, low + rng.integers(1, 9, 120), low)
    site = rng.integers(0, 30, 120).tolist()
    rows = make_rows(cell=[number % 2 for number in site], site=site, low=low.tolist(), high=high.tolist())
    layout = arrange_rows(rows)
    given = (layout, np.full(120, np.log(9.0)), Components(1.2, 0.8), lattice_nodes(10.0, 0.3), 0.3)
    at_once = impute_counts(*given)
    assert (at_once.variance > 0).sum() == (high > low).sum()
    monkeypatch.setattr("surveys.methods.site_lattice.BLOCK_RETURNS", block)
    found = impute_counts(*given)
    np.testing.assert_array_equal(found.counts, at_once.counts)
    np.testing.assert_array_equal(found.variance, at_once.variance)
