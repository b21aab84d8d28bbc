"""What is usual is learned from returns, in spite of the wrong ones, and planned where there are none."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from surveys.methods.usual import (
    clipped_mean,
    estimate_usual,
    inverse_size_for,
    is_news,
    match_moments,
    plan_baseline,
    share_of_zeros,
    split_size,
    total_size_of,
)

# Typical and high: domain notes, section 3.
PLANNING = [(1, 80), (3, 500), (0, 12), (0, 1), (1, 15), (0, 30)]


def draw(rng, mean, size, number):
    """Negative binomial counts by numpy."""
    return rng.negative_binomial(size, size / (size + mean), number).astype(float)


def learn(counts, *, high=None, effort=None, stratum=None, strata=1, plan=(1, 25)):
    return estimate_usual(
        low=counts,
        high=counts if high is None else high,
        effort=np.ones(len(counts)) if effort is None else effort,
        stratum=np.zeros(len(counts), dtype=np.int64) if stratum is None else stratum,
        strata=strata,
        planning_typical=plan[0],
        planning_high=plan[1],
    )


@pytest.mark.parametrize(("typical", "high"), PLANNING)
def test_a_planned_group_exceeds_its_high_value_once_in_a_thousand(typical, high):
    mean, size = plan_baseline(typical, high)
    p = size / (size + mean)
    assert stats.nbinom.sf(high, size, p) == pytest.approx(0.001, rel=1e-4)
    assert abs(stats.nbinom.median(size, p) - typical) <= 2.0


def test_planned_spread_stays_near_the_domain_notes():
    # Section 4 assumes k = 0.3 to 0.5; the mean of a carabid-like group there is 1.33 (99.9th percentile 17 at 0.5).
    mean, size = plan_baseline(0, 17)
    assert size == pytest.approx(0.4)
    assert 0.9 < mean < 1.5


def test_without_returns_the_planning_values_stand():
    learned = learn(np.array([]), strata=3, plan=(1, 25))
    mean, size = plan_baseline(1, 25)
    np.testing.assert_allclose(learned.mean, mean, rtol=0.01)
    np.testing.assert_allclose(learned.total_size, size, rtol=0.01)
    assert learned.returns.tolist() == [0.0, 0.0, 0.0]


@pytest.mark.parametrize(("mean", "size"), [(0.3, 0.4), (2.0, 0.5), (12.0, 0.8), (50.0, 0.3)])
def test_mean_and_spread_are_learned_from_clean_returns(mean, size):
    learned = learn(draw(np.random.default_rng(7), mean, size, 20_000))
    assert learned.mean[0] == pytest.approx(mean, rel=0.06)
    assert learned.total_size[0] == pytest.approx(size, rel=0.10)


def test_five_percent_of_slips_hardly_move_what_is_usual():
    rng = np.random.default_rng(8)
    counts = draw(rng, 4.0, 0.6, 20_000)
    wrong = rng.choice(20_000, 1_000, replace=False)
    counts[wrong] = counts[wrong] * 10.0 + 20.0
    assert counts.mean() > 1.5 * 4.0  # the plain mean is led astray
    learned = learn(counts)
    assert learned.mean[0] == pytest.approx(4.0, rel=0.25)
    assert learned.total_size[0] == pytest.approx(0.6, rel=0.25)


def test_a_stratum_with_many_returns_speaks_for_itself_and_one_with_few_leans_on_the_group():
    rng = np.random.default_rng(9)
    stratum = np.repeat([0, 1, 2], [4_000, 4_000, 2])
    counts = np.concatenate([draw(rng, 1.0, 0.5, 4_000), draw(rng, 9.0, 0.5, 4_000), [0.0, 0.0]])
    mean = learn(counts, stratum=stratum, strata=4).mean
    np.testing.assert_allclose(mean[:2], [1.0, 9.0], rtol=0.1)
    assert 2.0 < mean[2] < 6.0
    assert mean[2] < mean[3]  # two empty returns say a little; none say nothing


def test_effort_is_divided_out():
    rng = np.random.default_rng(10)
    effort = rng.uniform(1.6, 2.4, 20_000)
    counts = rng.negative_binomial(0.8, 0.8 / (0.8 + 3.0 * effort)).astype(float)
    assert learn(counts, effort=effort).mean[0] == pytest.approx(3.0, rel=0.06)


def test_classes_are_used_and_unknown_answers_are_not():
    rng = np.random.default_rng(11)
    counts = draw(rng, 5.0, 0.7, 20_000)
    low, high = counts.copy(), counts.copy()
    octave = (counts >= 2.0) & (rng.random(20_000) < 0.6)
    low[octave] = 2.0 ** np.floor(np.log2(counts[octave]))
    high[octave] = np.where(low[octave] >= 128.0, np.inf, 2.0 * low[octave] - 1.0)
    low[:500] = high[:500] = np.nan
    learned = learn(low, high=high)
    assert learned.mean[0] == pytest.approx(5.0, rel=0.08)
    assert learned.returns[0] == 19_500


@pytest.mark.parametrize(("mean", "size", "cut"), [(3.0, 0.4, 3), (8.0, 1.2, 20), (0.1, 0.3, 3), (100.0, 0.5, 60)])
def test_the_cut_mean_agrees_with_a_plain_sum(mean, size, cut):
    counts = np.arange(20_000)
    chances = stats.nbinom.pmf(counts, size, size / (size + mean))
    expected = np.sum(np.minimum(counts, cut) * chances)
    assert clipped_mean(np.array([mean]), np.array([1.0 / size]), np.array([float(cut)]))[0] == pytest.approx(expected)


def test_the_share_of_zeros_agrees_with_scipy_and_gives_the_size_back():
    # check_values_open.md, R5: P(Y <= 0 | 3, 0.5) = 0.377964473.
    assert share_of_zeros(np.array([3.0]), np.array([2.0]))[0] == pytest.approx(0.377964473, rel=1e-8)
    assert inverse_size_for(np.array([3.0]), np.array([0.377964473]))[0] == pytest.approx(2.0, rel=1e-6)


def test_moments_are_matched_exactly():
    size, p = 0.5, 0.5 / (0.5 + 3.0)
    counts = np.arange(5_000)
    cut_mean = np.sum(np.minimum(counts, 12) * stats.nbinom.pmf(counts, size, p))
    mean, inverse = match_moments(np.array([cut_mean]), np.array([stats.nbinom.pmf(0, size, p)]), np.array([12.0]))
    assert mean[0] == pytest.approx(3.0, rel=1e-5)
    assert inverse[0] == pytest.approx(2.0, rel=1e-5)


@pytest.mark.parametrize("total", [0.2, 0.38, 1.0, 5.0])
def test_the_two_spreads_add_up_to_the_whole(total):
    # Total variance of a product of two gammas with mean one: 1/k + s + s/k.
    size, shape = split_size(np.array([total]))
    assert 1.0 / size[0] + 1.0 / shape[0] + 1.0 / (size[0] * shape[0]) == pytest.approx(1.0 / total)
    assert size[0] > 0.0


def test_lengths_must_agree():
    with pytest.raises(ValueError, match="same length"):
        learn(np.array([1.0, 2.0]), effort=np.array([1.0]))


def news(old, new, *, size=(0.5, 0.5), returns=1000.0):
    """Ask for one group of one stratum."""
    arrays = {"old": old, "new": new, "old_size": size[0], "new_size": size[1], "returns": returns}
    return bool(is_news(**{name: np.array([float(value)]) for name, value in arrays.items()})[0])


def test_a_tenth_is_news_where_many_returns_speak_and_none_where_few_do():
    assert not news(2.0, 2.1, returns=1e6)
    assert news(2.0, 2.3, returns=1e6)
    assert not news(2.0, 2.6, returns=5)
    assert news(2.0, 8.0, returns=5)
    assert news(2.0, 2.0, size=(0.5, 0.6), returns=1e6)
    assert not news(2.0, 2.0, size=(0.5, 0.7), returns=5)


def test_twice_hardly_any_is_hardly_any():
    assert not news(0.001, 0.002, returns=1e7)
    assert news(0.2, 0.4, returns=1e7)


def test_what_comes_and_goes_with_one_return_is_no_news():
    """A thin stratum leans on the group as a whole; one more return of it, of any usual count, moves too little."""
    rng = np.random.default_rng(5)
    for number in (3, 8, 30):
        counts, other = draw(rng, 1.0, 0.5, number), draw(rng, 1.0, 0.5, 400)
        stratum = np.repeat([0, 1], [number, len(other)])
        was = learn(np.r_[counts, other], stratum=stratum, strata=2)
        for further in (0.0, 1.0, 2.0):
            now = learn(np.r_[counts, other, further], stratum=np.r_[stratum, 0], strata=2)
            assert not is_news(
                old=was.mean, new=now.mean, old_size=was.total_size, new_size=now.total_size, returns=now.returns
            ).any()


@pytest.mark.parametrize(("mean", "size"), [(2.0, 0.5), (0.5, 0.8), (8.0, 0.3)])
def test_the_standard_errors_that_news_is_measured_by_are_those_of_moment_estimates(mean, size):
    """Checked by drawing: 4,000 samples of 2,000 counts by scipy. News begins at a standard error."""
    number = 2000
    sample = stats.nbinom.rvs(size, size / (size + mean), size=(4000, number), random_state=7)
    means, variances = sample.mean(axis=1), sample.var(axis=1, ddof=1)
    sizes = means**2 / (variances - means)
    error, error_of_size = np.log(means).std(), np.log(sizes).std()
    few = 60.0  # so few that the errors are wider than a tenth
    widen = np.sqrt(number / few)
    for moved, told in ((0.9, False), (1.1, True)):
        beside = mean * np.exp(moved * error * widen)
        shrunk = (beside + 0.05) / np.exp(moved * error * widen) - 0.05  # the addition that means are compared with
        assert news(shrunk, beside, size=(size, size), returns=few - 20) is told
        assert news(mean, mean, size=(size * np.exp(-moved * error_of_size * widen), size), returns=few - 20) is told


def test_the_size_that_was_split_comes_back():
    total = np.array([0.1, 0.4, 3.0, 40.0])
    np.testing.assert_allclose(total_size_of(*split_size(total)), total, rtol=1e-12)
