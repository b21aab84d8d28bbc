"""Limits and tails against printed tables, R, scipy and statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats
from statsmodels.stats import proportion, rates

from surveys.methods.cell_rates import Components, cell_moments, quasi_weights, weighted_rates
from surveys.methods.classes import at_least
from surveys.methods.indices import estimate_level
from surveys.methods.intervals import exact_poisson_limits, mover_limit, normal_quantile, pivot_limit
from surveys.methods.level_records import LevelSettings
from surveys.methods.screening_chances import lower_tail, mid_tail, upper_count, upper_tail
from surveys.methods.usual import clipped_mean, inverse_size_for, match_moments, share_of_zeros
from tests.reference.level_worlds import make_rows
from tests.surveys.methods.outside import CLOSED, MITES, YEAST, Array, Value, fit, layout_of, spread, table

COMPUTED = "computed with R 4.2.2 and Python (scipy)"
MCMASTER = "McMaster (P. Macdonald) table, as transcribed in a public test file (opened; secondary)"
MCGILL = "Hanley (McGill) course table, as transcribed in a public test file (opened; secondary)"
STATSDIRECT = "StatsDirect example, as transcribed in a public test file (opened; secondary)"
SURVIVAL = "R survival 3.5-3 ?cipoisson (opened)"
EXACTCI = "R package exactci, quoted in statsmodels test_rates_poisson.py (opened)"
RATESCI = "R package ratesci, quoted in statsmodels test_rates_poisson.py (opened)"
NEWCOMBE = "Newcombe (1998) Table II method 10, as transcribed in public test files (opened; secondary)"

GARWOOD_LOWER = (0, 0.02531780798, 0.2422092785, 0.6186721229, 1.089865374, 1.62348639, 2.201894253, 2.814363052)
GARWOOD_LOWER += (3.453832177, 4.115373097, 4.795388696, 5.491160367, 6.200575109, 6.921952491, 7.653930276)
GARWOOD_LOWER += (8.395386133, 9.145382454, 9.90312647, 10.66794078, 11.43924116, 12.21651959, 12.99933098)
GARWOOD_LOWER += (13.78728287, 14.58002704, 15.37725285, 16.17868185, 16.98406322, 17.79317013, 18.60579666)
GARWOOD_LOWER += (19.42175514, 20.24087402)
GARWOOD_UPPER = (3.688879454, 5.571643391, 7.224687668, 8.76727307, 10.24158868, 11.66833208, 13.05947402)
GARWOOD_UPPER += (14.42267536, 15.76318922, 17.08480345, 18.39035604, 19.68203851, 20.96158505, 22.23039592)
GARWOOD_UPPER += (23.48962112, 24.74021887, 25.9829976, 27.21864682, 28.44776027, 29.67085357, 30.8883779)
GARWOOD_UPPER += (32.10073073, 33.30826439, 34.51129289, 35.71009759, 36.9049317, 38.09602408, 39.28358245)
GARWOOD_UPPER += (40.46779594, 41.64883744, 42.82686539)
LIMITS = [Value("P1 lower", GARWOOD_LOWER, COMPUTED, **CLOSED), Value("P1 upper", GARWOOD_UPPER, COMPUTED, **CLOSED)]


def side(value: Value, pair: tuple[Array, Array]) -> Array:
    return pair[0] if "lower" in value.key else pair[1]


@pytest.mark.parametrize("value", LIMITS, ids=str)
def test_exact_limits_of_counts_up_to_30_are_those_of_r(value: Value) -> None:
    value.check(side(value, exact_poisson_limits(np.arange(31))))


PRINTED = {
    (0, "upper"): (3.6889, MCMASTER),
    (1, "lower"): (0.0253, MCMASTER),
    (1, "upper"): (5.5716, MCMASTER),
    (2, "lower"): (0.2422, MCMASTER),
    (2, "upper"): (7.2247, MCMASTER),
    (3, "lower"): (0.6187, MCMASTER),
    (3, "upper"): (8.7673, MCMASTER),
    (4, "lower"): (1.0899, MCMASTER),
    (4, "upper"): (10.2416, MCMASTER),
    (5, "lower"): (1.6235, MCMASTER),
    (5, "upper"): (11.6683, MCMASTER),
    (6, "lower"): (2.2, MCGILL),
    (6, "upper"): (13.06, MCGILL),
    (9, "lower"): (4.12, MCGILL),
    (9, "upper"): (17.08, MCGILL),
    (10, "lower"): (4.8, MCGILL),
    (10, "upper"): (18.39, MCGILL),
    (14, "lower"): (7.65, MCGILL),
    (14, "upper"): (23.49, MCGILL),
    (20, "lower"): (12.22, MCGILL),
    (20, "upper"): (30.89, MCGILL),
    (30, "lower"): (20.24, MCGILL),
    (30, "upper"): (42.83, MCGILL),
}
PRINTED_LIMITS = [
    Value(f"P1 {which}[{count}]", (number,), source, abs=5.1e-5 if source == MCMASTER else 5.1e-3)
    for (count, which), (number, source) in PRINTED.items()
]


@pytest.mark.parametrize("value", PRINTED_LIMITS, ids=str)
def test_exact_limits_round_to_the_printed_tables(value: Value) -> None:
    count = int(value.key[:-1].split("[")[1])
    value.check(side(value, exact_poisson_limits(np.array(count))))


SINGLE_LIMITS = [
    (14, 400, Value("P1 r14_400", (0.019135, 0.058724), STATSDIRECT, abs=6e-7)),
    (15, 400, Value("P2 r15_400 exact", (0.0209884653319583, 0.0618505471787146), EXACTCI, **CLOSED)),
]


@pytest.mark.parametrize(("count", "units", "value"), SINGLE_LIMITS, ids=[str(case[2]) for case in SINGLE_LIMITS])
def test_exact_limits_of_a_rate_are_those_of_other_programs(count: int, units: int, value: Value) -> None:
    value.check(np.array(exact_poisson_limits(np.array(count))) / units)


def test_the_lower_limit_of_four_is_that_of_cipoisson_and_its_misprinted_upper_limit_is_not_repeated() -> None:
    lower, upper = exact_poisson_limits(np.array(4))
    Value("P1 surv4 lower", (1.089865,), SURVIVAL, abs=6e-7).check(lower)
    # The same page prints 10.24153; chi-square quantile, poisson.test and McMaster's table say 10.24159.
    Value("P1 surv4 upper", (10.24158868,), COMPUTED, **CLOSED).check(upper)


def pivot(total: Array, size: float, below: float) -> Array:
    ones = np.ones_like(total, dtype=float)
    return pivot_limit(np.asarray(total, dtype=float), ones, ones, size * ones, below=below)


def test_half_a_count_less_or_more_turns_the_pivot_into_the_exact_limits_of_r() -> None:
    counts = np.arange(31)
    LIMITS[0].check(np.r_[0.0, pivot(counts[1:] - 0.5, np.inf, 0.025)])
    LIMITS[1].check(pivot(counts + 0.5, np.inf, 0.975))


@pytest.mark.parametrize("size", [0.3, 1.0, 2.5, 40.0])
def test_half_a_count_less_or_more_turns_the_pivot_into_the_exact_negative_binomial_limits(size: float) -> None:
    for count in (1, 3, 12, 60):

        def gap(log_mean: float, at: int, target: float) -> float:
            return float(stats.nbinom.cdf(at, size, size / (size + np.exp(log_mean)))) - target

        upper = np.exp(optimize.brentq(gap, -9, 30, args=(count, 0.025), xtol=1e-13))
        lower = np.exp(optimize.brentq(gap, -9, 30, args=(count - 1, 0.975), xtol=1e-13))
        np.testing.assert_allclose(pivot(np.array([count + 0.5]), size, 0.975), upper, rtol=1e-7)
        np.testing.assert_allclose(pivot(np.array([count - 0.5]), size, 0.025), lower, rtol=1e-7)


def test_the_pivot_without_clumping_is_the_jeffreys_interval_of_ratesci_and_statsmodels() -> None:
    found = [float(pivot(np.array([15]), np.inf, below)[0]) / 400 for below in (0.025, 0.975)]
    Value("r15_400 Jeffreys", (0.0219234232268444, 0.0602898619930649), RATESCI, rel=1e-9).check(np.array(found))
    for count in (0, 1, 7, 200):
        other = rates.confint_poisson(count, 3.5, method="jeff")
        limits = [float(pivot(np.array([count]), np.inf, below)[0]) / 3.5 for below in (0.025, 0.975)]
        np.testing.assert_allclose(limits, other, rtol=1e-9)


def difference(first: tuple[float, float, float], second: tuple[float, float, float]) -> tuple[float, float]:
    """Return the limits of first - second by MOVER; each is a lower limit, a centre and an upper limit.

    The methods work on logs and with z squared times a variance: here the log is the difference itself.
    """
    centre = np.exp(np.array([first[1] - second[1]]))
    reaches = ((first[0], second[2]), (first[2], second[0]))
    limits = [
        mover_limit(centre, np.exp(np.array([own - second[1]])), np.array([(far - second[1]) ** 2]), z=1.0)
        for own, far in reaches
    ]
    return float(np.log(limits[0][0])), float(np.log(limits[1][0]))


def jeffreys(count: int, time: float, level: float) -> tuple[float, float, float]:
    tails = ((1 - level) / 2, 0.5, (1 + level) / 2)
    low, middle, high = (float(pivot(np.array([count]), np.inf, below)[0]) / time for below in tails)
    return low, middle, high


RATE_DIFFERENCES = [
    ((60, 51.4775), (30, 54.3087), 0.95, Value("moverci 60 30", (0.2629322, 0.9786493), RATESCI, abs=6e-8)),
    (
        (30, 54.3087),
        (60, 51.4775),
        0.90,
        Value("moverci 30 60", (-0.9183272231752, -0.3188611692202), RATESCI, abs=6e-13),
    ),
]


@pytest.mark.parametrize(
    ("first", "second", "level", "value"), RATE_DIFFERENCES, ids=[str(c[3]) for c in RATE_DIFFERENCES]
)
def test_pivot_and_mover_together_are_the_rate_difference_of_ratesci(
    first: tuple[int, float], second: tuple[int, float], level: float, value: Value
) -> None:
    value.check(np.array(difference(jeffreys(*first, level), jeffreys(*second, level))))


def test_medians_of_the_pivot_have_the_rate_ratio_of_ratesci() -> None:
    ratio = jeffreys(60, 51477.5, 0.9)[1] / jeffreys(30, 54308.7, 0.9)[1]
    Value("moverci ratio", (2.104135,), RATESCI, abs=6e-7).check(ratio)


# Zou & Donner 2008 show that their construction on Wilson limits is Newcombe's method 10 (from memory).
PROPORTIONS = [
    ((56, 70), (48, 80), Value("Newcombe a", (0.0524, 0.3339), NEWCOMBE, abs=5.1e-5)),
    ((9, 10), (3, 10), Value("Newcombe b", (0.1705, 0.8090), NEWCOMBE, abs=5.1e-5)),
    ((6, 7), (2, 7), Value("Newcombe c", (0.0582, 0.8062), NEWCOMBE, abs=5.1e-5)),
    ((5, 56), (0, 29), Value("Newcombe d", (-0.0381, 0.1926), NEWCOMBE, abs=5.1e-5)),
    ((10, 10), (0, 20), Value("Newcombe g", (0.6791, 1.0), NEWCOMBE, abs=5.1e-5)),
    ((10, 10), (0, 10), Value("Newcombe h", (0.6075, 1.0), NEWCOMBE, abs=5.1e-5)),
]


@pytest.mark.parametrize(("first", "second", "value"), PROPORTIONS, ids=[str(case[2]) for case in PROPORTIONS])
def test_mover_on_wilson_limits_gives_the_printed_differences_of_newcombe(
    first: tuple[int, int], second: tuple[int, int], value: Value
) -> None:
    wilson = []
    for count, total in (first, second):
        low, high = proportion.proportion_confint(count, total, method="wilson")
        wilson.append((float(low), count / total, float(high)))
    found = np.array(difference(*wilson))
    value.check(found)
    other = proportion.confint_proportions_2indep(*first, *second, method="newcomb", compare="diff")
    np.testing.assert_allclose(found, other, atol=1e-8)


@pytest.mark.parametrize("counts", [(60, 30), (9, 4), (4, 12)])
def test_mover_gives_the_rate_difference_of_statsmodels(counts: tuple[int, int]) -> None:
    times, parts = (51.4775, 54.3087), []
    for count, time in zip(counts, times, strict=True):
        low, high = rates.confint_poisson(count, time, method="score")
        parts.append((float(low), count / time, float(high)))
    other = rates.confint_poisson_2indep(
        counts[0], times[0], counts[1], times[1], method="mover", compare="diff", method_mover="score"
    )
    np.testing.assert_allclose(difference(*parts), other, rtol=1e-9)


RATIOS = [
    ((60, 51477.5), (30, 54308.7), Value("P3 wald_lcl wald_ucl", (1.361280126, 3.270516969), COMPUTED, **CLOSED)),
    ((11, 800), (21, 3011), Value("P5 wald_lcl wald_ucl", (0.9505660969, 4.088895367), COMPUTED, **CLOSED)),
]


@pytest.mark.parametrize(("first", "second", "value"), RATIOS, ids=[str(case[2]) for case in RATIOS])
def test_mover_with_two_normal_parts_is_the_log_normal_interval_of_a_ratio(
    first: tuple[int, float], second: tuple[int, float], value: Value
) -> None:
    ratio, z = np.array([first[0] / first[1] / (second[0] / second[1])]), normal_quantile(0.95)
    own = z / np.sqrt(first[0])
    found = [mover_limit(ratio, ratio * np.exp(sign * own), np.array([1 / second[0]]), z=z)[0] for sign in (-1, 1)]
    value.check(np.array(found))


TAILS_ABOVE = Value(
    "R5 upper", (0.09930770113, 0.0006268287861, 0.01351889712, 1.480906397e-08, 0.1420827996), COMPUTED, **CLOSED
)
TAILS_BELOW = Value("R5 lower", (0.04, 0.104, 0.09559898094, 0.377964473, 0.01456582481), COMPUTED, **CLOSED)
QUANTILES = Value("R5 q", (4, 13, 25, 37), COMPUTED)


def test_upper_tails_of_the_negative_binomial_are_those_of_r() -> None:
    count, mean, size = np.array([[9, 4, 1.2], [29, 4, 1.2], [49, 10, 0.8], [99, 10, 2.5], [0, 0.2, 0.3]]).T
    TAILS_ABOVE.check(upper_tail(count, mean, size))
    beyond = [at_least(int(c) + 1, np.array(m), 1 / s, 0) for c, m, s in zip(count, mean, size, strict=True)]
    TAILS_ABOVE.check(np.array(beyond))


def test_lower_tails_of_the_negative_binomial_are_those_of_r() -> None:
    count, mean, size = np.array([[0, 8, 2], [1, 8, 2], [2, 25, 1.1], [0, 3, 0.5], [5, 40, 3]]).T
    TAILS_BELOW.check(lower_tail(count, mean, size))
    zeros = share_of_zeros(mean[[0, 3]], 1.0 / size[[0, 3]])
    np.testing.assert_allclose(zeros, [TAILS_BELOW.expected[0], TAILS_BELOW.expected[3]], rtol=1e-6)


def test_quantiles_of_the_negative_binomial_are_those_of_r() -> None:
    chances = (0.5, 0.1, 0.01, 0.001)
    QUANTILES.check(np.array([upper_count(np.array([6.0]), np.array([1.4]), chance)[0] for chance in chances]))


BOUNDS = [
    Value("R4 a", (0, 0.2805658589, 0.6928258964, 0.9111562481), COMPUTED, **CLOSED),
    Value("R4 b", (0.6495190528, 0.5210508808, 0.8073425735, 0.9329726841), COMPUTED, **CLOSED),
    Value("R4 mid", (-0.4544304323, -0.2512552904, 0.6747548499, 1.41909587), COMPUTED, **CLOSED),
    Value("R4 a_pois", (0, 0.1353352832, 0.6766764162, 0.9918677572), COMPUTED, **CLOSED),
    Value("R4 b_pois", (0.6065306597, 0.4060058497, 0.8571234605, 0.9971602339), COMPUTED, **CLOSED),
]


@pytest.mark.parametrize("value", BOUNDS, ids=str)
def test_bounds_of_quantile_residuals_are_those_of_r(value: Value) -> None:
    count, mean, size = np.array([0.0, 1.0, 3.0, 10.0]), np.array([0.5, 2.0, 2.0, 4.0]), np.full(4, 1.5)
    poisson = [1.0 - at_least(int(c), np.array(m), 0.0, 0) for c, m in zip(count, mean, strict=True)]
    beyond = [1.0 - at_least(int(c) + 1, np.array(m), 0.0, 0) for c, m in zip(count, mean, strict=True)]
    found = {
        "a": lower_tail(count - 1, mean, size),
        "b": lower_tail(count, mean, size),
        "mid": -stats.norm.ppf(mid_tail(count, mean, size)),
        "a_pois": np.array(poisson),
        "b_pois": np.array(beyond),
    }
    value.check(found[value.key.split()[1]])


@pytest.mark.parametrize("frequencies", [MITES, YEAST], ids=["mites", "yeast"])
def test_the_size_from_the_share_of_zeros_solves_anscombes_equation(frequencies: list[int]) -> None:
    total = sum(frequencies)
    mean, zeros = float(np.dot(np.arange(len(frequencies)), frequencies)) / total, frequencies[0] / total

    def gap(log_size: float) -> float:
        size = np.exp(log_size)
        return float(stats.nbinom.pmf(0, size, size / (size + mean))) - zeros

    size = np.exp(optimize.brentq(gap, -4, 8, xtol=1e-13))
    found = 1.0 / inverse_size_for(np.array([mean]), np.array([zeros]))[0]
    assert found == pytest.approx(size, rel=1e-7)


def test_matching_a_cut_mean_and_the_zeros_finds_the_distribution_they_came_from() -> None:
    mean, size, cut = np.array([0.3, 1.2, 6.0, 40.0]), np.array([0.5, 1.02, 0.4, 2.0]), np.array([3.0, 5.0, 12.0, 90.0])
    counts = np.arange(20_000)
    chances = [stats.nbinom.pmf(counts, s, s / (s + m)) for m, s in zip(mean, size, strict=True)]
    cut_mean = np.array([np.dot(np.minimum(counts, c), p) for c, p in zip(cut, chances, strict=True)])  # scipy
    np.testing.assert_allclose(clipped_mean(mean, 1.0 / size, cut), cut_mean, rtol=1e-9)
    found, inverse = match_moments(cut_mean, np.array([p[0] for p in chances]), cut)
    np.testing.assert_allclose(found, mean, rtol=1e-6)
    np.testing.assert_allclose(1.0 / inverse, size, rtol=1e-6)


@pytest.mark.parametrize("variance", [0.3, 2.0])
def test_with_equal_efforts_the_pivot_has_the_moments_of_the_sum_over_sites(variance: float) -> None:
    # the sum of n negative binomials of size 1/S is one of size n/S, with the mean of all efforts together
    counts = spread(MITES).astype(float)
    layout = layout_of(table(counts, effort=np.full(150, 1.7)))
    components = Components(variance, 0.0)
    exposure = layout.effort
    level = weighted_rates(layout, counts, exposure, components)
    weight = quasi_weights(layout, exposure * level[layout.row_cell], components).row
    moments = cell_moments(layout, counts, exposure, weight, components)
    assert level[0] == pytest.approx(172 / (150 * 1.7), rel=1e-12)
    assert moments.total[0] / moments.dispersion[0] == pytest.approx(172, rel=1e-12)
    assert moments.exposure[0] / moments.dispersion[0] == pytest.approx(150 * 1.7, rel=1e-12)
    assert moments.exposure[0] ** 2 / moments.clumping[0] == pytest.approx(150 / variance, rel=1e-12)


def test_the_level_of_equal_efforts_has_the_limits_of_a_beta_prime_quantile() -> None:
    frequencies = [9, 8, 6, 5, 4, 3, 2, 1, 1, 1]
    counts = spread(frequencies)
    result = estimate_level(make_rows(cell=np.zeros(40), low=counts, effort=np.full(40, 2.0)), LevelSettings())
    assert result.guard >= 1.0
    clumping = result.guard * (result.site_variance + result.night_variance * (1 + result.site_variance))
    size = 40 / clumping
    total = float(counts.sum()) + 0.5
    # mean over size is a ratio of gamma variables of shape y + 1/2 and size
    low, high = (size * stats.betaprime.ppf(below, total, size) / 80 for below in (0.025, 0.975))
    cell = result.cells[0]
    assert cell.estimate == pytest.approx(counts.sum() / 80, rel=1e-9)
    assert (cell.low, cell.high) == pytest.approx((low, high), rel=1e-7)


@pytest.mark.parametrize("night", [0.4, 1.5])
def test_the_rate_of_a_cell_with_unequal_efforts_is_that_of_a_negative_binomial_regression(night: float) -> None:
    found = fit(table(spread(MITES), effort=np.resize([0.5, 1.0, 2.0, 6.0], 150)), size=1.0 / night)
    layout, family = found.layout, sm.families.NegativeBinomial(alpha=night)
    other = sm.GLM(found.counts, np.ones((150, 1)), family=family, offset=np.log(layout.effort)).fit(tol=1e-13)
    level = np.exp(found.effects.levels)
    rate = weighted_rates(layout, found.counts, layout.effort, found.components, start=level)
    assert rate[0] == pytest.approx(float(np.exp(other.params[0])), rel=1e-7)


@pytest.mark.parametrize("count", [0, 1, 100, 4321])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.998])
def test_exact_limits_are_where_the_tails_of_scipy_and_the_limits_of_statsmodels_say(
    count: int, confidence: float
) -> None:
    lower, upper = (float(limit) for limit in exact_poisson_limits(np.array(count), confidence=confidence))
    tail = (1 - confidence) / 2
    assert stats.poisson.cdf(count, upper) == pytest.approx(tail, rel=1e-9)
    assert stats.poisson.sf(count - 1, lower) == pytest.approx(tail if count else 1.0, rel=1e-9)
    if count:
        other = rates.confint_poisson(count, 1.0, method="exact-c", alpha=1 - confidence)
        assert (lower, upper) == pytest.approx(other, rel=1e-9)
