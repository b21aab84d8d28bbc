"""Estimators of groups seen against published figures and outside libraries.

Long figures come from R 4.2.2 (iNEXT 3.0.2, vegan 2.6-4) and from independent Python formulae that agree with it;
SpadeR 0.1.1 prints three decimals. Published figures are named where they stand. Counts of individuals are read as
units that hold one group each.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from surveys.methods.groups_seen_coverage import coverage_at, effort_for_coverage
from surveys.methods.groups_seen_curves import (
    asymptotic_hill,
    asymptotic_shannon,
    hill_at,
    observed_hill,
    rarefied_variance,
)
from surveys.methods.groups_seen_records import Incidence
from surveys.methods.groups_seen_richness import (
    chao2,
    chao2_bias_corrected,
    chao2_bias_corrected_variance,
    chao2_variance,
    groups_seen_count,
    log_normal_limits,
    unseen_groups,
)
from surveys.methods.intervals import normal_quantile


def of_counts(counts: dict[int, int], units: int | None = None) -> Incidence:
    """Build a sample from frequency: number of groups; units are individuals when not given."""
    frequencies = np.repeat(list(counts), list(counts.values()))
    return Incidence(frequencies, int(frequencies.sum()) if units is None else units)


# Incidence: frequency: number of groups, of T units.
# Ciliates in 19 soil samples, Etosha Pan; example of iNEXT (Hsieh, Ma & Chao, vignette of 2022).
CILIATES = of_counts({1: 107, 2: 44, 3: 26, 4: 14, 5: 6, 6: 5, 7: 4, 8: 3, 9: 2, 10: 2, 11: 1, 12: 1, 14: 1}, units=19)
# Ants at 1500 m and 2000 m, 200 sampling units each; Longino & Colwell 2011, Ecosphere 2.
ANTS_1500 = of_counts(
    {1: 13, 2: 4, 3: 2, 4: 2, 5: 4, 6: 2, 9: 4, 11: 2, 17: 2, 18: 1, 19: 1, 23: 2, 24: 1, 25: 3, 29: 1, 30: 1, 32: 1}
    | {33: 1, 43: 1, 50: 1, 53: 1, 73: 1, 74: 1, 76: 1, 79: 1, 113: 1, 144: 1},
    units=200,
)
ANTS_2000 = of_counts({1: 1, 2: 2, 3: 1, 4: 1, 8: 2, 13: 1, 15: 1, 19: 1, 23: 1, 34: 1, 59: 1, 80: 1}, units=200)
# Seed bank in 121 soil samples; Butler & Chazdon 1998, Biotropica 30: 214-222.
SEEDS = of_counts(
    {1: 3, 2: 2, 3: 3, 4: 3, 5: 1, 6: 5, 7: 1, 8: 1, 9: 3, 10: 1, 11: 2, 13: 1, 17: 1, 24: 2, 43: 2, 47: 1, 52: 1}
    | {61: 1},
    units=121,
)
# Cottontails caught on 18 occasions; Edwards & Eberhardt 1967, J. Wildl. Manage. 31: 87-96.
COTTONTAILS = of_counts({1: 43, 2: 16, 3: 8, 4: 6, 6: 2, 7: 1}, units=18)
# Hunting spiders at 28 pitfall sites; van der Aart & Smeenk-Enserink 1975, Neth. J. Zool. 25: 1-45.
HUNTERS = Incidence(np.array([17, 19, 11, 7, 6, 12, 17, 21, 15, 14, 26, 17]), 28)

# Individuals. Spiders of girdled hemlock plots; Sackett et al. 2011, Ecosphere 2: 74.
SPIDERS = of_counts({46: 1, 22: 1, 17: 1, 15: 2, 9: 1, 8: 1, 6: 2, 4: 1, 2: 4, 1: 12})
# Beetles of old-growth forest at Osa; Janzen 1973, Ecology 54: 659-686.
BEETLES = of_counts({1: 84, 2: 10, 3: 4, 4: 3, 5: 5, 6: 1, 7: 2, 8: 1, 14: 1, 42: 1})
# 25 birds; Magurran 1988, Ecological Diversity and Its Measurement, p. 152.
BIRDS = of_counts(
    dict.fromkeys((752, 276, 194, 126, 121, 97, 95, 83, 72, 44, 39, 16, 15, 13, 8, 7, 4), 1) | {9: 3, 2: 2, 1: 3}
)
# Rare plants of the Appalachians; Miller & Wiegert 1989, Ecology 70: 16-22.
PLANTS = of_counts(
    {1: 61, 2: 35, 3: 18, 4: 12, 5: 15, 6: 4, 7: 8, 8: 4, 9: 5, 10: 5, 11: 1, 12: 2, 13: 1, 14: 2, 15: 3, 16: 2}
    | {19: 1, 20: 2, 22: 1, 29: 1, 32: 1, 40: 1, 43: 1, 48: 1, 67: 1}
)

CLOSE = 1e-6  # of closed forms; the outside figures are given to ten digits
PRINTED = 0.0006  # three decimals


@pytest.mark.parametrize(
    ("sample", "expected"),
    [
        # published: vignettes of iNEXT 2016 and 2022, sprex check output, man pages of SpadeR
        pytest.param(CILIATES, (19, 516, 216, 107, 44), id="ciliates"),
        pytest.param(ANTS_1500, (200, 1170, 56, 13, 4), id="ants at 1500 m"),
        pytest.param(ANTS_2000, (200, 271, 14, 1, 2), id="ants at 2000 m"),
        pytest.param(SEEDS, (121, 461, 34, 3, 2), id="seed bank"),
        pytest.param(COTTONTAILS, (18, 142, 76, 43, 16), id="cottontails"),
        pytest.param(SPIDERS, (168, 168, 26, 12, 4), id="spiders"),
        pytest.param(BEETLES, (237, 237, 112, 84, 10), id="beetles"),
        pytest.param(BIRDS, (1996, 1996, 25, 3, 2), id="birds"),
        pytest.param(PLANTS, (1008, 1008, 188, 61, 35), id="plants"),
    ],
)
def test_the_counts_of_groups_seen_are_those_of_the_books(sample: Incidence, expected: tuple[int, ...]) -> None:
    found = (sample.units, sample.total, groups_seen_count(sample), sample.seen_on(1), sample.seen_on(2))
    assert found == expected


@pytest.mark.parametrize(
    ("sample", "estimate", "error", "low", "high"),
    [
        # iNEXT vignette of 2022 prints 339.255 (its standard error is a bootstrap); SpadeR prints 32.194
        pytest.param(CILIATES, 339.2547847, 32.19374526, 290.4956289, 419.9279642, id="ciliates"),
        pytest.param(ANTS_1500, 77.019375, 16.35285034, 61.45790917, 136.9493364, id="ants at 1500 m"),
        pytest.param(ANTS_2000, 14.24875, 0.7260816285, 14.01312185, 18.7155382, id="ants at 2000 m"),
        pytest.param(SEEDS, 36.23140496, 3.370442076, 34.26344659, 52.90010466, id="seed bank"),
        pytest.param(COTTONTAILS, 130.5711806, 22.75349587, 100.8987355, 195.6050194, id="cottontails"),
        # published: iNEXT vignette of 2016, 43.893, 14.306, 30.511 to 96.971
        pytest.param(SPIDERS, 43.89285714, 14.30557771, 30.51104813, 96.97116397, id="spiders"),
        # sprex, EricArcher/sprex, check output: 463.311392
        pytest.param(BEETLES, 463.3113924, 136.2732884, 280.6600637, 843.7659662, id="beetles"),
        pytest.param(BIRDS, 27.24887275, 3.394234115, 25.2657624, 44.02988778, id="birds"),
        pytest.param(PLANTS, 241.1044076, 17.84940398, 215.9670359, 288.8357882, id="plants"),
    ],
)
def test_chao_with_its_error_and_its_limits_is_that_of_the_reference_programs(
    sample: Incidence, estimate: float, error: float, low: float, high: float
) -> None:
    seen = groups_seen_count(sample)
    limits = log_normal_limits(seen, chao2(sample), chao2_variance(sample), quantile=normal_quantile(0.95))
    found = (chao2(sample), math.sqrt(chao2_variance(sample)), *limits)
    assert found == pytest.approx((estimate, error, low, high), rel=CLOSE)


@pytest.mark.parametrize(
    ("sample", "estimate", "error"),
    [
        # SpadeR 0.1.1, three decimals; its error for the ants at 2000 m (Q1 = 1) follows another rule and is left out
        pytest.param(CILIATES, 335.389, 31.097, id="ciliates"),
        pytest.param(ANTS_1500, 71.522, 11.598, id="ants at 1500 m"),
        pytest.param(SEEDS, 34.992, 1.805, id="seed bank"),
        pytest.param(COTTONTAILS, 126.167, 20.718, id="cottontails"),
        pytest.param(SPIDERS, 39.121, 10.168, id="spiders"),
        pytest.param(BEETLES, 427.572, 115.522, id="beetles"),
        pytest.param(BIRDS, 25.999, 1.817, id="birds"),
        pytest.param(PLANTS, 238.783, 17.099, id="plants"),
    ],
)
def test_the_bias_corrected_form_with_its_error_is_that_of_spader(
    sample: Incidence, estimate: float, error: float
) -> None:
    found = (chao2_bias_corrected(sample), math.sqrt(chao2_bias_corrected_variance(sample)))
    assert found == pytest.approx((estimate, error), abs=PRINTED)


def test_chao2_of_the_trees_of_barro_colorado_is_that_of_the_vegan_vignette() -> None:
    # vegan 2.6-4, diversity-vegan vignette, section 6.1: 225 species in 50 plots, 21 in one plot and 19 in two;
    # chao 236.3732, standard error 6.54361. The others stand in 3 plots here, which the estimator does not read.
    trees = of_counts({1: 21, 2: 19, 3: 185}, units=50)
    assert chao2(trees) == pytest.approx(236.3731579, rel=CLOSE)
    assert math.sqrt(chao2_variance(trees)) == pytest.approx(6.54361, abs=6e-6)


@pytest.mark.parametrize(
    ("counts", "estimate", "coverage"),
    [
        # iNEXT 3.0.2, ChaoRichness and coverage
        pytest.param({1: 5}, 13.0, 0.1111111111, id="every animal another group"),
        pytest.param({10: 1, 5: 1, 1: 2}, 4.941176471, 0.8954248366, id="none twice"),
        pytest.param({7: 1}, 1.0, 1.0, id="one group"),
        pytest.param({9: 1, 4: 1, 1: 1}, 3.0, 1.0, id="one once and none twice"),
        pytest.param({9: 1, 4: 1, 2: 1}, 3.0, 1.0, id="none once"),
    ],
)
def test_edges_follow_the_rule_of_inext(counts: dict[int, int], estimate: float, coverage: float) -> None:
    sample = of_counts(counts)
    assert chao2(sample) == pytest.approx(estimate, rel=CLOSE)
    assert coverage_at(sample, sample.units) == pytest.approx(coverage, rel=CLOSE)


@pytest.mark.parametrize(
    ("sample", "expected"),
    [
        # published for ciliates: iNEXT vignette of 2022, 0.8017, 158.367, 116.677, 222.936, 142.833
        pytest.param(CILIATES, (0.8016962657, 158.3674343, 116.6765995, 222.935812, 142.8326876), id="ciliates"),
        pytest.param(
            ANTS_1500, (0.9889231428, 26.65691314, 18.77056823, 27.51617462, 18.98123554), id="ants at 1500 m"
        ),
        pytest.param(ANTS_2000, (0.9963826732, 7.90323135, 5.883281263, 8.103453788, 5.983769653), id="ants at 2000 m"),
        pytest.param(SEEDS, (0.9935639198, 19.79726541, 14.23354096, 20.54958884, 14.56562737), id="seed bank"),
        pytest.param(COTTONTAILS, (0.7098831521, 62.32104765, 50.91919192, 101.095773, 74.97550306), id="cottontails"),
        # published for spiders: iNEXT vignette of 2016, .9289, 12.060, 7.840, 13.826, 8.175
        pytest.param(SPIDERS, (0.9288554388, 12.0596505, 7.84, 13.82625345, 8.174825175), id="spiders"),
        pytest.param(BEETLES, (0.6459268369, 58.27713423, 22.54877559, 123.4666588, 24.81455191), id="beetles"),
        pytest.param(BIRDS, (0.9984979978, 8.829975195, 5.348893036, 8.891569754, 5.360578541), id="birds"),
        pytest.param(PLANTS, (0.9395530102, 96.91702372, 54.81570997, 110.7058401, 57.91054313), id="plants"),
    ],
)
def test_coverage_and_hill_numbers_as_seen_and_without_end_are_those_of_inext(
    sample: Incidence, expected: tuple[float, ...]
) -> None:
    found = (coverage_at(sample, sample.units), *observed_hill(sample)[1:], *asymptotic_hill(sample)[1:])
    assert found == pytest.approx(expected, rel=CLOSE)


@pytest.mark.parametrize(
    ("sample", "units", "expected"),
    [
        # published, iNEXT vignette of 2022, orders 0: 27.158, 153.26, 221.386, 333.606, 338.901; coverage .8103610,
        # .9909111 and .9994305
        pytest.param(CILIATES, 1, (27.15789474, 27.15789474, 27.15789474, 0.1901378122), id="ciliates 1"),
        pytest.param(CILIATES, 10, (153.2599212, 125.1064315, 100.167789, 0.6799228916), id="ciliates 10"),
        pytest.param(CILIATES, 20, (221.3855119, 160.8978578, 117.7547856, 0.810360977), id="ciliates 20"),
        pytest.param(CILIATES, 38, (286.5143989, 192.7269658, 128.4365001, 0.9151463736), id="ciliates 38"),
        pytest.param(CILIATES, 88, (333.6056214, 218.8430756, 136.2385215, 0.9909111019), id="ciliates 88"),
        pytest.param(CILIATES, 150, (338.9007981, 222.5926142, 138.8888524, 0.9994304736), id="ciliates 150"),
        pytest.param(SEEDS, 1, (3.809917355, 3.809917355, 3.809917355, 0.2615690528), id="seed bank 1"),
        pytest.param(SEEDS, 60, (31.30587824, 19.044483, 13.91109145, 0.9780690953), id="seed bank 60"),
        pytest.param(SEEDS, 242, (35.64538344, 20.27461428, 14.3976695, 0.9983097279), id="seed bank 242"),
        pytest.param(COTTONTAILS, 1, (7.888888889, 7.888888889, 7.888888889, 0.1052195526), id="cottontails 1"),
        pytest.param(COTTONTAILS, 9, (49.65452489, 44.20421379, 38.55015744, 0.5415429227), id="cottontails 9"),
        pytest.param(COTTONTAILS, 36, (105.334371, 81.38126044, 60.64897381, 0.8658335118), id="cottontails 36"),
        # published, iNEXT vignettes: 6.478617 at 10, 9.450323 at 19, 18.912 at 84, 30.883 at 248, 34.731 at 336
        pytest.param(SPIDERS, 10, (6.478617292, 5.608968102, 4.759771987, 0.5969308437), id="spiders 10"),
        pytest.param(SPIDERS, 19, (9.450322508, 7.488908048, 5.934010152, 0.7380651381), id="spiders 19"),
        pytest.param(SPIDERS, 84, (18.91235971, 10.96366799, 7.53152324, 0.8995140536), id="spiders 84"),
        pytest.param(SPIDERS, 167, (25.92857143, 12.05142238, 7.838077649, 0.9285714286), id="spiders 167"),
        pytest.param(SPIDERS, 248, (30.88340645, 12.60812462, 7.944971225, 0.9482725619), id="spiders 248"),
        # order 1 beyond the sample: 13.017 in this form, 12.913 in the weighted form of Chao et al. 2014
        pytest.param(SPIDERS, 336, (34.73073345, 13.01696579, 8.003912459, 0.9635700847), id="spiders 336"),
        pytest.param(SPIDERS, 504, (39.20134757, 13.45551563, 8.060083723, 0.9813458864), id="spiders 504"),
        # published, sprex: 39.438316 at 60
        pytest.param(BEETLES, 60, (39.43831603, 29.18813858, 17.76389756, 0.4802112261), id="beetles 60"),
        pytest.param(BEETLES, 118, (66.44011142, 42.30926615, 20.64750821, 0.5762297215), id="beetles 118"),
        pytest.param(BEETLES, 474, (186.6790325, 78.69492207, 23.62746842, 0.721192945), id="beetles 474"),
    ],
)
def test_rarefied_and_extrapolated_hill_numbers_are_those_of_inext(
    sample: Incidence, units: int, expected: tuple[float, ...]
) -> None:
    assert (*hill_at(sample, units), coverage_at(sample, units)) == pytest.approx(expected, rel=CLOSE)


@pytest.mark.parametrize(
    ("sample", "coverage", "units", "hill"),
    [
        # published, iNEXT vignette of 2022 (inverted numerically there): t = 125.959; 50.479, 26.249, 18.649
        pytest.param(ANTS_1500, 0.985, 125.9594068, (50.47890966, 26.24900077, 18.64890253), id="ants at 1500 m"),
        # published: t = 104.631; 12.910, 7.711, 5.795
        pytest.param(ANTS_2000, 0.985, 104.6324736, (12.90966115, 7.710724346, 5.794582801), id="ants at 2000 m"),
        pytest.param(SPIDERS, 0.85, 41.11296984, (13.7710766, 9.500377782, 6.960120249), id="spiders .85"),
        pytest.param(SPIDERS, 0.90, 84.87563141, (19.00034836, 10.98220882, 7.537634403), id="spiders .90"),
        pytest.param(SPIDERS, 0.95, 256.5252925, (31.31785714, 12.65543766, 7.952402288), id="spiders .95"),
        pytest.param(BEETLES, 0.60, 144.9225151, (77.52284489, 46.77854848, 21.31236394), id="beetles .60"),
    ],
)
def test_the_effort_for_a_coverage_and_its_hill_numbers_are_those_of_inext(
    sample: Incidence, coverage: float, units: float, hill: tuple[float, float, float]
) -> None:
    effort = effort_for_coverage(sample, coverage)
    assert effort == pytest.approx(units, rel=CLOSE)
    assert hill_at(sample, effort) == pytest.approx(hill, rel=CLOSE)


def test_mao_tau_of_the_hunting_spiders_is_that_of_vegan() -> None:
    # vegan 2.6-4, specaccum(Y, "exact"), sites 1, 2, 3, 5, 10, 22
    expected = [6.5, 9.119047619, 10.35958486, 11.36852869, 11.92165439, 11.99999735]
    found = [hill_at(HUNTERS, sites)[0] for sites in (1, 2, 3, 5, 10, 22)]
    assert found == pytest.approx(expected, rel=CLOSE)


def test_the_unconditional_error_of_the_rarefied_beetles_is_that_of_sprex() -> None:
    # EricArcher/sprex, sprex-Ex.Rout, expected.num.species(60): 39.438316 with standard deviation 3.844294
    assert math.sqrt(rarefied_variance(BEETLES, 60)) == pytest.approx(3.844294, abs=1e-6)


def test_shannon_without_end_equals_the_sum_as_its_authors_print_it() -> None:
    # Chao, Wang & Jost 2013, equation for the entropy, in plain arithmetic; short enough to keep its digits
    sample = of_counts({1: 4, 2: 2, 3: 1, 5: 1}, units=8)
    factor = 2 * 2 / (7 * 4 + 2 * 2)
    seen = sum(y / 8 * sum(1 / k for k in range(y, 8)) for y in sample.frequencies.tolist())
    missed = 4 / 8 * (1 - factor) ** -7 * (-math.log(factor) - sum((1 - factor) ** r / r for r in range(1, 8)))
    entropy = 8 / sample.total * (seen + missed) + math.log(sample.total / 8)
    assert asymptotic_shannon(sample) == pytest.approx(math.exp(entropy), rel=1e-9)


def test_shannon_without_end_is_finite_for_a_thousand_nights() -> None:
    sample = of_counts({1: 6, 2: 1, 40: 3, 700: 5}, units=1000)
    assert observed_hill(sample)[1] < asymptotic_shannon(sample) < groups_seen_count(sample) + unseen_groups(sample)
