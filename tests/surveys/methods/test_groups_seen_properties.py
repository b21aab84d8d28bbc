"""What must hold for any sample of groups seen, and figures that can be had by hand."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from surveys.methods.groups_seen_coverage import coverage_at, effort_for_coverage
from surveys.methods.groups_seen_curves import asymptotic_hill, hill_at, observed_hill, rarefied_variance
from surveys.methods.groups_seen_intervals import (
    ASYMPTOTIC,
    AT_EFFORT,
    OBSERVED,
    SiteTable,
    bootstrap_errors,
    figures_of,
    jackknife_errors,
    site_figures,
    tabulate_sites,
)
from surveys.methods.groups_seen_records import GroupsSeenSettings, Incidence
from surveys.methods.groups_seen_richness import chao2, chao2_bias_corrected_variance, chao2_variance

SMALL = 1e-9


@st.composite
def samples(draw: st.DrawFn, least_units: int = 0) -> Incidence:
    """Any sample of up to 60 units and 30 groups; rare groups are as likely as common ones."""
    units = draw(st.integers(least_units, 60))
    rare = st.integers(0, min(2, units))
    frequencies = draw(st.lists(st.one_of(rare, st.integers(0, units)), min_size=1, max_size=30))
    return Incidence(np.array(frequencies, dtype=np.int64), units)


@given(samples())
@settings(max_examples=100, deadline=None)
def test_at_its_own_effort_a_sample_has_the_hill_numbers_it_shows(sample: Incidence) -> None:
    assert hill_at(sample, sample.units) == pytest.approx(observed_hill(sample), abs=SMALL)
    just_below = hill_at(sample, max(sample.units - 1e-9, 0.0))
    assert just_below == pytest.approx(observed_hill(sample), abs=1e-6)


@given(samples(least_units=2), st.lists(st.floats(0.0, 130.0), min_size=2, max_size=6))
@settings(max_examples=100, deadline=None)
def test_more_effort_never_shows_less(sample: Incidence, efforts: list[float]) -> None:
    rows = [(*hill_at(sample, effort), coverage_at(sample, effort)) for effort in [*sorted(efforts), math.inf]]
    assert np.diff(np.array(rows), axis=0).min() >= -1e-7


@given(samples(), st.floats(0.0, 130.0))
@settings(max_examples=150, deadline=None)
def test_everything_is_finite_and_in_order(sample: Incidence, effort: float) -> None:
    for zero, one, two in (hill_at(sample, effort), observed_hill(sample), asymptotic_hill(sample)):
        assert math.isfinite(zero)
        assert zero >= one - SMALL
        assert one >= two - SMALL
        assert two >= 0.0
    assert 0.0 <= coverage_at(sample, effort) <= 1.0
    variances = (chao2_variance(sample), chao2_bias_corrected_variance(sample), rarefied_variance(sample, sample.units))
    assert all(math.isfinite(variance) and variance >= 0.0 for variance in variances)


@given(samples(least_units=2), st.floats(0.01, 0.999))
@settings(max_examples=150, deadline=None)
def test_the_effort_found_for_a_coverage_has_that_coverage(sample: Incidence, coverage: float) -> None:
    effort = effort_for_coverage(sample, coverage)
    if effort == 1.0:
        assert coverage_at(sample, 1.0) >= coverage - SMALL
    elif math.isinf(effort):
        assert coverage_at(sample, 1e12) <= coverage + SMALL
    else:
        assert coverage_at(sample, effort) == pytest.approx(coverage, abs=SMALL)


@given(st.integers(2, 6), st.data())
@settings(max_examples=40, deadline=None)
def test_rarefaction_is_the_mean_over_all_choices_of_units(units: int, data: st.DataObject) -> None:
    # by enumeration: every choice of t units counts the same; order 2 is 1 over the mean of squared shares of U_t
    rows = np.array(
        data.draw(st.lists(st.lists(st.booleans(), min_size=4, max_size=4), min_size=units, max_size=units))
    )
    drawn = data.draw(st.integers(1, units))
    sample = Incidence(rows.sum(axis=0), units)
    counts = [rows[list(chosen)].sum(axis=0) for chosen in itertools.combinations(range(units), drawn)]
    seen = np.mean([np.count_nonzero(count) for count in counts])
    assert hill_at(sample, drawn)[0] == pytest.approx(seen, abs=SMALL)
    if rows.any():
        squares = np.mean([np.square(count).sum() for count in counts])
        assert hill_at(sample, drawn)[2] == pytest.approx((drawn * sample.total / units) ** 2 / squares, rel=SMALL)


def test_no_unit_one_unit_and_nothing_seen_give_plain_figures() -> None:
    nothing, alone, empty = (Incidence(np.array(f), units) for f, units in (([0, 0], 0), ([1, 1, 0], 1), ([0, 0], 9)))
    for sample in (nothing, empty):
        assert (chao2(sample), *hill_at(sample, 4.0), coverage_at(sample, 4.0)) == (0.0, 0.0, 0.0, 0.0, 0.0)
        assert math.isinf(effort_for_coverage(sample, 0.5))
    # one night tells nothing of the next: no group unseen can be estimated, and no coverage
    assert (chao2(alone), *observed_hill(alone)) == (2.0, 2.0, 2.0, 2.0)
    assert (*hill_at(alone, 2.0), coverage_at(alone, 2.0)) == (2.0, 2.0, 2.0, 0.0)


def test_one_group_in_every_unit_is_all_there_is() -> None:
    sample = Incidence(np.array([7]), 7)
    assert (chao2(sample), *asymptotic_hill(sample), coverage_at(sample, 3.0)) == pytest.approx((1, 1, 1, 1, 1))
    assert effort_for_coverage(sample, 1.0) == 1.0


def test_less_than_one_unit_is_never_asked_for() -> None:
    # by hand: C(1) = 1 - 3/4 x (4-3)/(4-1) - 1/4 x (4-1)/(4-1) = 0.5
    sample = Incidence(np.array([3, 1]), 4)
    assert coverage_at(sample, 1.0) == pytest.approx(0.5)
    assert effort_for_coverage(sample, 0.2) == 1.0


def test_frequencies_beyond_the_units_are_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"seen on up to 5 of 4 units.*Expected.*Count each unit once"):
        Incidence(np.array([5, 1]), 4)


def table_of(sites: int, seed: int, groups: int = 12) -> SiteTable:
    """Draw a table of sites with 1 to 4 nights; chances of the groups from rare to common."""
    rng = np.random.default_rng(seed)
    nights = rng.integers(1, 5, sites)
    return SiteTable(nights, rng.binomial(nights[:, None], np.geomspace(0.01, 0.9, groups)))


def test_sites_are_tabulated_by_night_and_group() -> None:
    answers = np.array([[1, 0], [0, 0], [1, 1], [1, 0]])
    table = tabulate_sites(np.array([40, 7, 40, 7]), answers)
    assert table.nights.tolist() == [2, 2]
    assert table.sightings.tolist() == [[1, 0], [2, 1]]
    assert (table.whole.frequencies.tolist(), table.whole.units) == ([3, 1], 4)


def test_the_jackknife_error_of_groups_seen_is_that_of_heltshe_and_forrester() -> None:
    # Heltshe & Forrester 1983, Biometrics 39: var = (s-1)/s (sum of squared r_j - L^2 / s), with r_j groups that
    # only site j saw and L their sum; here r = 2, 1, 0, 0, so that var = 3/4 (5 - 9/4)
    sightings = np.array([[1, 1, 0, 2], [0, 0, 1, 1], [0, 0, 0, 3], [0, 0, 0, 1]])
    table = SiteTable(np.array([3, 2, 3, 1]), sightings)
    errors = jackknife_errors(table, effort=5.0, coverage=0.8)
    assert errors[OBSERVED][0] == pytest.approx(math.sqrt(0.75 * (5 - 9 / 4)), rel=1e-12)


def test_both_errors_of_one_night_are_those_of_a_mean_when_each_site_has_one() -> None:
    # the groups seen on one night are a plain mean over sites, whose standard error is known: sd / sqrt(s)
    seen = np.random.default_rng(5).random((25, 12)) < 0.3
    table = SiteTable(np.ones(25, dtype=np.int64), seen.astype(np.int64))
    known = seen.sum(axis=1).std(ddof=1) / math.sqrt(25)
    again = bootstrap_errors(table, 1.0, 0.5, 500, np.random.default_rng(8))
    assert jackknife_errors(table, 1.0, 0.5)[AT_EFFORT][0] == pytest.approx(known, rel=1e-9)
    # drawn again it is sqrt((s-1)/s) of that, which the factor puts back; 500 draws know it to 3 %
    assert again[AT_EFFORT][0] == pytest.approx(known, rel=0.1)


@given(st.integers(2, 14), st.integers(0, 10_000), st.floats(1.0, 60.0), st.floats(0.3, 1.0))
@settings(max_examples=15, deadline=None)
def test_figures_of_any_table_are_finite_and_lie_within_their_limits(
    sites: int, seed: int, effort: float, coverage: float
) -> None:
    table = table_of(sites, seed)
    figures = site_figures(table, effort, coverage, GroupsSeenSettings(bootstrap_draws=8), np.random.default_rng(1))
    rows = np.array([[figure.low, figure.value, figure.high] for figure in figures])
    assert np.isfinite(rows).all()
    assert (np.diff(rows, axis=1) >= 0).all()
    assert rows[:, 2].max() <= 12
    assert rows[0, 2] <= 1.0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_limits_reach_as_far_as_the_wider_of_both_errors_times_student_s_quantile(seed: int) -> None:
    # below the sample's own effort nothing else holds a limit; the list of 40 groups is out of reach
    table = table_of(11, seed, groups=40)
    draws = GroupsSeenSettings(bootstrap_draws=50)
    figure = site_figures(table, 12.0, 0.5, draws, np.random.default_rng(4))[AT_EFFORT][1]
    again = bootstrap_errors(table, 12.0, 0.5, 50, np.random.default_rng(4))[AT_EFFORT][1]
    left = jackknife_errors(table, 12.0, 0.5)[AT_EFFORT][1]
    reach = stats.t.ppf(0.975, 10) * max(again, left) / figure.value
    assert (figure.low, figure.high) == pytest.approx((figure.value / math.exp(reach), figure.value * math.exp(reach)))


def test_which_error_is_wider_depends_on_the_garden() -> None:
    # where no group hangs on one site the jackknife of groups seen stands still, and the bootstrap does not
    ring = np.eye(10, dtype=np.int64) + np.roll(np.eye(10, dtype=np.int64), 1, axis=0)  # each group on two sites
    saturated = SiteTable(np.full(10, 2), ring)
    wider = bootstrap_errors(saturated, 20.0, 0.9, 200, np.random.default_rng(6))[OBSERVED][0]
    assert jackknife_errors(saturated, 20.0, 0.9)[OBSERVED][0] == 0.0 < wider


@given(st.integers(3, 14), st.integers(0, 10_000))
@settings(max_examples=15, deadline=None)
def test_no_lower_limit_beyond_the_sample_lies_below_that_of_the_sample(sites: int, seed: int) -> None:
    table = table_of(sites, seed)
    effort = 2.0 * table.whole.units
    figures = site_figures(table, effort, 0.9, GroupsSeenSettings(bootstrap_draws=8), np.random.default_rng(1))
    for later in (ASYMPTOTIC, AT_EFFORT):
        for far, near in zip(figures[later], figures[OBSERVED], strict=True):
            assert far.value < near.value or far.low >= near.low


def test_nights_of_few_sites_give_wider_limits_than_as_many_nights_of_many_sites() -> None:
    # 60 nights in both: six alike of ten sites each, or one of sixty. What was found in sum is the same.
    chosen = np.random.default_rng(3).random((10, 12)) < 0.4
    few = SiteTable(np.full(10, 6), 6 * chosen.astype(np.int64))
    many = SiteTable(np.ones(60, dtype=np.int64), np.repeat(chosen.astype(np.int64), 6, axis=0))
    assert figures_of(few.whole, 30.0, 0.9) == pytest.approx(figures_of(many.whole, 30.0, 0.9))
    rng, constants = np.random.default_rng(2), GroupsSeenSettings(bootstrap_draws=60)
    first, second = (site_figures(table, 30.0, 0.9, constants, rng)[AT_EFFORT][1] for table in (few, many))
    assert first.high - first.low > 1.8 * (second.high - second.low)
