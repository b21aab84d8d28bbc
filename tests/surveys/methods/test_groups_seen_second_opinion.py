"""Estimators of groups seen beside those of scikit-bio, on samples that nobody chose.

scikit-bio has no incidence forms and leaves out the factor (n - 1) / n, so counts of individuals are compared, and the
factor is put back where it belongs.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skbio.diversity import alpha

from surveys.methods.groups_seen_curves import observed_hill
from surveys.methods.groups_seen_records import Incidence
from surveys.methods.groups_seen_richness import (
    chao2,
    chao2_bias_corrected,
    chao2_bias_corrected_variance,
    groups_seen_count,
    log_normal_limits,
    unit_factor,
)
from surveys.methods.intervals import normal_quantile

COUNTS = st.lists(st.integers(0, 30), min_size=1, max_size=40).map(np.array).filter(lambda counts: counts.sum() > 1)


@given(COUNTS)
@settings(max_examples=150, deadline=None)
def test_hill_numbers_as_seen_are_those_of_scikit_bio(counts: np.ndarray) -> None:
    expected = [alpha.hill(counts, order=order) for order in (0, 1, 2)]
    assert observed_hill(Incidence(counts, int(counts.sum()))) == pytest.approx(expected, rel=1e-9)


@given(COUNTS)
@settings(max_examples=150, deadline=None)
def test_unseen_groups_are_those_of_scikit_bio_times_the_factor(counts: np.ndarray) -> None:
    sample = Incidence(counts, int(counts.sum()))
    seen, factor = groups_seen_count(sample), unit_factor(sample)
    corrected = alpha.chao1(counts, bias_corrected=True) - seen
    assert chao2_bias_corrected(sample) - seen == pytest.approx(factor * corrected, abs=1e-9)
    # without a group seen twice scikit-bio falls back on the corrected form, as chao2 does
    classic = alpha.chao1(counts, bias_corrected=False) - seen
    assert chao2(sample) - seen == pytest.approx(factor * classic, abs=1e-9)


def test_limits_of_chao_approach_those_of_scikit_bio_as_the_factor_vanishes() -> None:
    # the corrected form only: in the other one scikit-bio 0.7.4 has 0.24 where the variance of Chao 1987 has 1/4
    counts = np.array([200_000, 60_000, 900, *[2] * 6, *[1] * 9])
    sample = Incidence(counts, int(counts.sum()))
    estimate, variance = chao2_bias_corrected(sample), chao2_bias_corrected_variance(sample)
    limits = log_normal_limits(groups_seen_count(sample), estimate, variance, quantile=normal_quantile(0.95))
    assert limits == pytest.approx(alpha.chao1_ci(counts, bias_corrected=True), rel=1e-4)
