"""Intervals against tables and other libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from surveys.methods.intervals import exact_poisson_limits, mover_limit, normal_quantile, pivot_limit

# Garwood 1936 limits as chi-square quantiles; printed entries: McMaster table (0 to 5), McGill table (6 to 30),
# as transcribed in the project's check values, P1. R's poisson.test gives the long figures for 0 to 10.
GARWOOD_LOWER = [0, 0.02531780798, 0.2422092785, 0.6186721229, 1.089865374, 1.62348639, 2.201894253, 2.814363052]
GARWOOD_UPPER = [3.688879454, 5.571643391, 7.224687668, 8.76727307, 10.24158868, 11.66833208, 13.05947402, 14.42267536]
PRINTED = {9: (4.12, 17.08), 10: (4.80, 18.39), 14: (7.65, 23.49), 20: (12.22, 30.89), 30: (20.24, 42.83)}


def test_exact_poisson_limits_equal_the_table_of_garwood() -> None:
    lower, upper = exact_poisson_limits(np.arange(8))
    np.testing.assert_allclose(lower, GARWOOD_LOWER, rtol=1e-6)
    np.testing.assert_allclose(upper, GARWOOD_UPPER, rtol=1e-6)


@pytest.mark.parametrize("count", sorted(PRINTED))
def test_exact_poisson_limits_round_to_the_printed_tables(count: int) -> None:
    lower, upper = exact_poisson_limits(np.array(count))
    assert (round(float(lower), 2), round(float(upper), 2)) == PRINTED[count]


def test_fourteen_events_in_four_hundred_units_give_the_published_rate_limits() -> None:
    lower, upper = exact_poisson_limits(np.array(14))
    # StatsDirect's example, check values P1 (r14_400)
    assert (round(float(lower) / 400, 6), round(float(upper) / 400, 6)) == (0.019135, 0.058724)


def pivot(counts: np.ndarray, size: float, below: float) -> np.ndarray:
    ones = np.ones_like(counts, dtype=float)
    return pivot_limit(counts.astype(float), ones, ones, size * ones, below=below)


def test_without_clumping_the_pivot_is_the_gamma_quantile_of_half_a_count_more() -> None:
    counts = np.arange(31)
    # Jeffreys' interval for a Poisson mean is Gamma(y + 1/2), from scipy.stats
    for below in (0.025, 0.5, 0.975):
        expected = stats.gamma.ppf(below, counts + 0.5)
        np.testing.assert_allclose(pivot(counts, np.inf, below), expected, rtol=1e-9)
        np.testing.assert_allclose(pivot(counts, 1e7, below), expected, rtol=1e-5)


def test_without_clumping_the_pivot_lies_within_the_exact_limits_of_its_count_and_the_next() -> None:
    counts = np.arange(8)
    # mid-p-like: narrower than Garwood's, wider than the limits that leave out the count itself (table above)
    assert np.all(pivot(counts, np.inf, 0.975) < GARWOOD_UPPER)
    assert np.all(pivot(counts[1:], np.inf, 0.025) > GARWOOD_LOWER[1:])
    assert np.all(pivot(counts[1:], np.inf, 0.975) > GARWOOD_UPPER[:-1])
    assert np.all(pivot(counts[:-1], np.inf, 0.025) < GARWOOD_LOWER[1:])


@pytest.mark.parametrize("size", [0.3, 2.0, 15.0])
def test_the_pivot_lies_between_the_two_exact_negative_binomial_limits(size: float) -> None:
    # The upper limit solves P(Y <= y) = 0.025 when y counts whole and P(Y < y) = 0.025 when it does not;
    # half an animal must lie between. Tail probabilities from scipy.stats.nbinom.
    for count in (1, 4, 20):
        upper = float(pivot(np.array([count]), size, 0.975)[0])
        share = size / (size + upper)
        assert stats.nbinom.cdf(count - 1, size, share) < 0.025 < stats.nbinom.cdf(count, size, share)
        lower = float(pivot(np.array([count]), size, 0.025)[0])
        share = size / (size + lower)
        assert stats.nbinom.sf(count, size, share) < 0.025 < stats.nbinom.sf(count - 1, size, share)


@pytest.mark.parametrize("size", [0.01, 0.3, 5.0, 1e12])
def test_the_pivot_is_finite_at_no_animals_and_at_many(size: float) -> None:
    limits = pivot(np.array([0, 1, 10**6]), size, 0.975)
    assert np.all(np.isfinite(limits))
    assert np.all(np.diff(limits) > 0)


def test_the_pivot_scales_with_dispersion_and_exposure() -> None:
    one = np.ones(1)
    plain = pivot_limit(3 * one, one, one, 2 * one, below=0.975)
    # y / phi animals at exposure T / phi: arithmetic by hand
    scaled = pivot_limit(6 * one, 10 * one, 2 * one, 2 * one, below=0.975)
    np.testing.assert_allclose(scaled, plain * 2 / 10, rtol=1e-12)


def test_mover_adds_squared_log_distances() -> None:
    median, limit = np.array([2.0]), np.array([2.0 * np.exp(0.3)])
    # 0.3^2 + 1^2 * 0.16 = 0.5^2: arithmetic by hand
    np.testing.assert_allclose(mover_limit(median, limit, np.array([0.16]), z=1.0), 2.0 * np.exp(0.5), rtol=1e-12)
    lower = np.array([2.0 * np.exp(-0.3)])
    np.testing.assert_allclose(mover_limit(median, lower, np.array([0.16]), z=1.0), 2.0 * np.exp(-0.5), rtol=1e-12)


def test_a_limit_that_is_the_median_is_widened_to_its_own_side() -> None:
    # by hand: exp(+-1.96 x 0.2) times 2
    two, variance = np.array([2.0]), np.array([0.04])
    assert mover_limit(two, two, variance, z=1.96)[0] == pytest.approx(2.0 * np.exp(0.392))
    assert mover_limit(two, two, variance, z=-1.96)[0] == pytest.approx(2.0 * np.exp(-0.392))


def test_mover_leaves_a_limit_of_zero_at_zero_and_stays_finite() -> None:
    assert mover_limit(np.array([1.0]), np.array([0.0]), np.array([9.0]), z=1.96)[0] == 0.0
    assert np.isfinite(mover_limit(np.array([1.0]), np.array([2.0]), np.array([1e9]), z=1.96)[0])


def test_the_normal_quantile_is_that_of_every_table() -> None:
    assert round(normal_quantile(0.95), 6) == 1.959964  # any normal table
