"""Tails, chances and the conjugate step, each against someone else's numbers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from surveys.methods.screening_chances import (
    log_chance,
    log_far,
    log_pmf,
    lower_tail,
    mid_tail,
    point_of,
    predictive,
    update_site,
    upper_count,
    upper_tail,
)

# check_values_open.md, R5: R pnbinom(mu=, size=) and scipy agree.
R5_UPPER = [
    (9, 4, 1.2, 0.09930770113),
    (29, 4, 1.2, 0.0006268287861),
    (49, 10, 0.8, 0.01351889712),
    (99, 10, 2.5, 1.480906397e-08),
    (0, 0.2, 0.3, 0.1420827996),
]
R5_LOWER = [
    (0, 8, 2, 0.04),
    (1, 8, 2, 0.104),
    (2, 25, 1.1, 0.09559898094),
    (0, 3, 0.5, 0.377964473),
    (5, 40, 3, 0.01456582481),
]


def floats(*values):
    return [np.array([value], dtype=float) for value in values]


@pytest.mark.parametrize(("count", "mean", "size", "tail"), R5_UPPER)
def test_upper_tails_agree_with_r(count, mean, size, tail):
    assert upper_tail(*floats(count, mean, size))[0] == pytest.approx(tail, rel=1e-6)


@pytest.mark.parametrize(("count", "mean", "size", "tail"), R5_LOWER)
def test_lower_tails_agree_with_r(count, mean, size, tail):
    assert lower_tail(*floats(count, mean, size))[0] == pytest.approx(tail, rel=1e-6)


def test_quantiles_agree_with_r():
    # R5: quantiles .5, .9, .99, .999 of NB(mean 6, size 1.4).
    counts = [upper_count(*floats(6.0, 1.4), chance)[0] for chance in (0.5, 0.1, 0.01, 0.001)]
    assert counts == [4, 13, 25, 37]


def test_single_chances_agree_with_scipy():
    counts = np.arange(200.0)
    mean, size = 7.3, 0.6
    expected = stats.nbinom.logpmf(counts, size, size / (size + mean))
    np.testing.assert_allclose(log_pmf(counts, np.full(200, mean), np.full(200, size)), expected, rtol=1e-9)


@pytest.mark.parametrize(("low", "high"), [(2, 3), (8, 15), (64, 127), (128, np.inf)])
def test_chances_of_classes_agree_with_scipy(low, high):
    size, p = 0.5, 0.5 / (0.5 + 20.0)
    expected = stats.nbinom.sf(low - 1, size, p) - (0.0 if np.isinf(high) else stats.nbinom.sf(high, size, p))
    assert np.exp(log_chance(*floats(low, high, 20.0, size)))[0] == pytest.approx(expected, rel=1e-9)


def test_an_unknown_count_carries_no_information():
    assert log_chance(*floats(np.nan, np.nan, 3.0, 1.0))[0] == 0.0


def test_the_mid_p_value_counts_half_of_what_was_seen():
    # By scipy: P(Y > 9) + P(Y = 9)/2 at mean 4, size 1.2.
    p = 1.2 / 5.2
    expected = stats.nbinom.sf(9, 1.2, p) + 0.5 * stats.nbinom.pmf(9, 1.2, p)
    assert mid_tail(*floats(9, 4.0, 1.2))[0] == pytest.approx(expected, rel=1e-9)


def test_a_gamma_takes_poisson_counts_as_in_the_textbook():
    # Gelman et al., Bayesian Data Analysis, section 2.6 (asthma deaths; from memory): prior gamma(3, 5), 3 deaths
    # in 2.0 units of exposure give gamma(6, 7); 30 deaths in 20 units give gamma(33, 25).
    infinite = np.array([np.inf])
    assert [x[0] for x in update_site(*floats(3.0, 5.0, 3.0, 2.0), infinite)] == [6.0, 7.0]
    assert [x[0] for x in update_site(*floats(3.0, 5.0, 30.0, 20.0), infinite)] == [33.0, 25.0]


def test_the_next_count_is_negative_binomial_with_the_sites_shape():
    # Same source: the predictive of Poisson counts under gamma(6, 7) at exposure 2 is negative binomial, shape 6.
    mean, size = predictive(np.array([2.0]), np.array([np.inf]), np.array([6.0]), np.array([7.0]))
    assert size[0] == pytest.approx(6.0)
    assert mean[0] == pytest.approx(12.0 / 7.0)
    expected = stats.nbinom.sf(4, 6, 7.0 / 9.0)
    assert upper_tail(np.array([4.0]), mean, size)[0] == pytest.approx(expected, rel=1e-12)


def test_mean_and_variance_of_the_predictive_by_total_variance():
    # By hand: mean 2, size 0.5, site gamma(4, 4): E Y = 2; Var Y = 2 + 4 (1/0.5 + 1/4 + 1/(0.5 x 4)) = 13.
    mean, size = predictive(*floats(2.0, 0.5, 4.0, 4.0))
    assert mean[0] == 2.0
    assert mean[0] + mean[0] ** 2 / size[0] == pytest.approx(13.0)


def test_a_wild_night_counts_less_than_as_many_single_animals():
    # By hand: weight 1 / (1 + 20/0.5) = 1/41, so 41 animals where 20 were expected add 1 and 20/41.
    shape, rate = update_site(*floats(1.25, 1.25, 41.0, 20.0, 0.5))
    assert shape[0] == pytest.approx(2.25)
    assert rate[0] == pytest.approx(1.25 + 20.0 / 41.0)


def test_extremes_share_one_whole_chance():
    counts = np.arange(501.0)
    assert np.sum(np.exp(log_far(counts, counts, np.full(501, 500.0)))) == pytest.approx(1.0)


def test_middles_of_classes():
    # By hand: sqrt(4 x 7), 1.5 x 128.
    np.testing.assert_allclose(point_of(np.array([5.0, 4.0, 128.0]), np.array([5.0, 7.0, np.inf])), [5, 28**0.5, 192])


def test_a_group_that_is_mostly_absent_still_gets_a_surprise_where_median_and_mad_are_zero():
    # check_values_open.md, R1: M = 0.6745 (x - median) / MAD flags 8.2 and 8.3 there. Here the MAD is 0.
    published = np.array([2.1, 2.6, 2.4, 2.5, 2.3, 2.1, 2.3, 2.6, 8.2, 8.3])
    middle = np.median(published)
    scores = 0.6745 * (published - middle) / np.median(np.abs(published - middle))
    np.testing.assert_allclose(scores[-2:], [25.85583333, 26.3055], rtol=1e-8)
    sparse = np.array([0, 0, 0, 0, 1, 0, 0, 0, 0, 12])
    assert np.median(np.abs(sparse - np.median(sparse))) == 0.0
    assert mid_tail(*floats(12, 0.2, 0.4))[0] < 1e-4
