"""Counts given as classes against most probable numbers, fitdistrplus, R and scipy.

A most probable number is the rate of a Poisson count of which only "none" or "some" was seen, at several exposures:
the classes 0 and "1 or more" of the methods, with an offset.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from scipy import optimize, stats
from statsmodels.tools.numdiff import approx_hess

from surveys.methods.classes import class_moments, count_log_probability
from surveys.methods.level_records import OPEN_ABOVE
from surveys.methods.shared_effects import expected_counts, fit_shared_effects
from tests.surveys.methods.outside import (
    CLOSED,
    ERROR,
    ESTIMATE,
    LIGHT,
    LIKELIHOOD,
    SPIDERS,
    WATER,
    Array,
    Table,
    Value,
    layout_of,
    ships,
    table,
)

EXACT = "exact: (b! / (a-1)!) to the power 1 / (b-a+1); R 4.2.2 and Python agree"
COMPUTED = "computed with R 4.2.2 and Python (scipy)"
COMPUTED_R = "computed with R 4.2.2"
FDA = "FDA BAM Appendix 2 as transcribed in the tests of CRAN package MPN 0.4.0 (opened; secondary)"
RIDOUT = "Ridout (1994) Table 1 as transcribed in the tests of CRAN package MPN 0.4.0 (opened; secondary)"

SINGLE = [
    ((1, 5, 1), Value("C1 c1_5", (2.605171085,), EXACT, **CLOSED)),
    ((6, 20, 1), Value("C1 c6_20", (12.221642,), EXACT, **CLOSED)),
    ((21, 100, 1), Value("C1 c21_100", (55.56463783,), EXACT, **CLOSED)),
    ((2, 5, 1), Value("C1 c2_5", (3.30975092,), EXACT, **CLOSED)),
    ((3, 9, 1), Value("C6 c3_9", (5.639590584,), EXACT, **CLOSED)),
    ((11, 50, 1), Value("C6 c11_50", (28.0596853,), EXACT, **CLOSED)),
    ((51, 200, 1), Value("C6 c51_200", (117.3344184,), EXACT, **CLOSED)),
    ((6, 20, 7), Value("C6 c6_20_7nights", (1.745948857,), EXACT, **CLOSED)),
]


SINGLE_IDS = [str(value) for _, value in SINGLE]


@pytest.mark.parametrize(("given", "value"), SINGLE, ids=SINGLE_IDS)
def test_one_class_alone_is_likeliest_where_the_counts_at_its_ends_are_alike(
    given: tuple[int, int, int], value: Value
) -> None:
    low, high, nights = given

    def slope(log_rate: float) -> float:
        at = np.array(log_rate + np.log(nights))
        below, top = (count_log_probability(np.array(count), at, 0.0) for count in (low - 1.0, float(high)))
        return float(below - top)

    value.check(np.exp(optimize.brentq(slope, -5, 10, xtol=1e-13)))


# 51 to 200 is left out: there the mean within the class is the mean itself to the twelfth digit, and the root is lost.
@pytest.mark.parametrize(("given", "value"), SINGLE[:-2] + SINGLE[-1:], ids=SINGLE_IDS[:-2] + SINGLE_IDS[-1:])
def test_one_class_alone_is_expected_at_its_geometric_mean_per_night(given: tuple[int, int, int], value: Value) -> None:
    low, high, nights = given

    def score(log_rate: float) -> float:
        mean = nights * np.exp(log_rate)
        return float(class_moments(low, high, np.log([mean]), 0.0).mean[0]) - mean

    value.check(np.exp(optimize.brentq(score, -5, 10, xtol=1e-13)))


EXPOSURES = np.array([0.1, 0.01, 0.001])


def grouped(log_rate: float, tubes: int, positive: list[int], what: str) -> float:
    """Add up log probability, mean or variance of the classes "some" and "none" over all tubes."""
    at = log_rate + np.log(EXPOSURES)
    some, none = (getattr(class_moments(*kind, at, 0.0), what) for kind in ((1, OPEN_ABOVE), (0, 0)))
    return float(np.dot(positive, some) + np.dot(tubes - np.array(positive), none))


def most_probable(value: Value) -> float:
    """Work out one quantity of a most probable number from its key, like "C2BAM5_120 mpn"."""
    name, quantity = value.key.split()
    tubes = 5 if "BAM5" in name else 3
    positive = [int(digit) for digit in name[-3:]]

    def score(log_rate: float) -> float:
        return grouped(log_rate, tubes, positive, "mean") - tubes * float(EXPOSURES.sum()) * np.exp(log_rate)

    best = optimize.brentq(score, -5, 12, xtol=1e-13)
    top = grouped(best, tubes, positive, "log_probability")

    def fall(log_rate: float) -> float:
        return 2 * (top - grouped(log_rate, tubes, positive, "log_probability")) - stats.chi2.ppf(0.95, 1)

    if quantity == "selog":
        # the information that is missing from a class is the variance within it (Louis 1982)
        seen = tubes * float(EXPOSURES.sum()) * np.exp(best) - grouped(best, tubes, positive, "variance")
        return 1.0 / np.sqrt(seen)
    if quantity == "mpn":
        return float(np.exp(best))
    far = best - 12 if quantity == "lr_lo" else best + 6
    return float(np.exp(optimize.brentq(fall, far, best, xtol=1e-13)))


def of_numbers(name: str, *, mpn: float, error: float, low: float, high: float) -> list[Value]:
    quantities = {"mpn": mpn, "selog": error, "lr_lo": low, "lr_hi": high}
    return [Value(f"{name} {what}", (number,), COMPUTED, **CLOSED) for what, number in quantities.items()]


NUMBERS = [
    *of_numbers("C2BAM001", mpn=3.007521064, error=1.000000377, low=0.1716059102, high=13.24219269),
    *of_numbers("C2BAM111", mpn=11.1825244, error=0.5871244078, low=2.745610553, high=29.75109656),
    *of_numbers("C2BAM220", mpn=21.0647501, error=0.5429504792, low=6.165620924, high=54.27778828),
    *of_numbers("C2BAM332", mpn=1098.949968, error=0.7419776056, low=218.7371193, high=3784.351109),
    *of_numbers("C2BAM5_001", mpn=1.803426999, error=1.000000136, low=0.1029016242, high=7.940528993),
    *of_numbers("C2BAM5_120", mpn=6.124627608, error=0.5803865344, low=1.517108134, high=16.01341546),
    *of_numbers("C2BAM5_402", mpn=20.73420657, error=0.4550477325, low=7.706019396, high=47.12704327),
    *of_numbers("C2BAM5_554", mpn=1609.442008, error=0.5557277723, low=472.6712486, high=4371.912154),
    *of_numbers("C2RID010", mpn=3.049016676, error=1.000038736, low=0.1739673128, high=13.42665149),
    *of_numbers("C2RID110", mpn=7.356653298, error=0.7150808577, low=1.211839888, high=23.24560135),
    *of_numbers("C2RID210", mpn=14.68908218, error=0.6114980758, low=3.497662989, high=41.75078961),
    *of_numbers("C2RID310", mpn=42.72882066, error=0.751585937, low=9.824957847, high=164.6944921),
    *of_numbers("C2RID321", mpn=149.3572675, error=0.6126060152, low=36.77122487, high=425.7600674),
]


@pytest.mark.parametrize("value", NUMBERS, ids=str)
def test_some_or_none_at_several_exposures_is_fitted_as_r_and_scipy_do(value: Value) -> None:
    value.check(most_probable(value))


PRINTED_NUMBERS = [
    Value("C2BAM001 mpn", (3,), FDA, abs=0.05),
    Value("C2BAM111 mpn", (11,), FDA, abs=0.5),
    Value("C2BAM220 mpn", (21,), FDA, abs=0.5),
    Value("C2BAM332 mpn", (1100,), FDA, abs=50),
    Value("C2BAM5_001 mpn", (1.8,), FDA, abs=0.05),
    Value("C2BAM5_120 mpn", (6.1,), FDA, abs=0.05),
    Value("C2BAM5_402 mpn", (21,), FDA, abs=0.5),
    Value("C2BAM5_554 mpn", (1600,), FDA, abs=50),
    Value("C2RID010 mpn", (3.1,), RIDOUT, abs=0.051),
    Value("C2RID010 lr_lo", (0.2,), RIDOUT, abs=0.051),
    Value("C2RID010 lr_hi", (13.4,), RIDOUT, abs=0.062),
    Value("C2RID110 mpn", (7.4,), RIDOUT, abs=0.051),
    Value("C2RID110 lr_lo", (1.2,), RIDOUT, abs=0.051),
    Value("C2RID110 lr_hi", (23.3,), RIDOUT, abs=0.062),
    Value("C2RID210 mpn", (14.7,), RIDOUT, abs=0.051),
    Value("C2RID210 lr_lo", (3.5,), RIDOUT, abs=0.051),
    Value("C2RID210 lr_hi", (41.8,), RIDOUT, abs=0.062),
    Value("C2RID310 mpn", (42.7,), RIDOUT, abs=0.051),
    Value("C2RID310 lr_lo", (9.8,), RIDOUT, abs=0.051),
    Value("C2RID310 lr_hi", (164.7,), RIDOUT, abs=0.062),
    Value("C2RID321 mpn", (149.4,), RIDOUT, abs=0.051),
    Value("C2RID321 lr_lo", (36.8,), RIDOUT, abs=0.051),
    Value("C2RID321 lr_hi", (425.7,), RIDOUT, abs=0.062),
]


@pytest.mark.parametrize("value", PRINTED_NUMBERS, ids=str)
def test_some_or_none_at_several_exposures_gives_the_printed_most_probable_number(value: Value) -> None:
    value.check(most_probable(value))


# Red mites on apple leaves (Bliss & Fisher 1953) in the classes 0, 1, 2, 3-5, 6 or more
MITE_CLASSES = [(0, 0), (1, 1), (2, 2), (3, 5), (6, OPEN_ABOVE)]
MITE_LEAVES = np.array([70, 38, 17, 22, 3])


def mite_log_likelihood(at: Array) -> float:
    """Log likelihood at log mean and, as a second number, log size; without it Poisson."""
    night = float(np.exp(-at[1])) if len(at) > 1 else 0.0
    logs = [float(class_moments(*kind, np.array([at[0]]), night).log_probability[0]) for kind in MITE_CLASSES]
    return float(np.dot(MITE_LEAVES, logs))


@cache
def mites(n_parameters: int) -> tuple[Array, Array, float]:
    """Return the best point, its errors and its log likelihood."""
    found = optimize.minimize(
        lambda at: -mite_log_likelihood(at),
        np.zeros(n_parameters),
        method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-13},
    )
    covariance = np.linalg.inv(-approx_hess(found.x, mite_log_likelihood))
    return found.x, np.sqrt(np.diag(covariance)), mite_log_likelihood(found.x)


MITE_VALUES = [
    Value("C3pois coef", (0.08291255713,), COMPUTED, **ESTIMATE),
    Value("C3pois se", (0.0800973096,), COMPUTED, **ERROR),
    Value("C3pois logLik", (-214.1939248,), COMPUTED, **LIKELIHOOD),
    Value("C3pois fitdistrplus_mean", (1.086446803,), "computed with R package fitdistrplus 1.1-8", **ESTIMATE),
    Value("C3pois fitdistrplus_loglik", (-214.1939248,), "computed with R package fitdistrplus 1.1-8", **LIKELIHOOD),
    Value("C3nb coef", (0.1422379355,), COMPUTED, **ESTIMATE),
    Value("C3nb theta", (0.9855183351,), COMPUTED, **ERROR),
    Value("C3nb se", (0.1154670452,), COMPUTED, **ERROR),
    Value("C3nb se_logtheta", (0.2786929316,), COMPUTED_R, **ERROR),
    Value("C3nb logLik", (-196.9460816,), COMPUTED, **LIKELIHOOD),
]


@pytest.mark.parametrize("value", MITE_VALUES, ids=str)
def test_grouped_mites_have_the_likelihood_of_r_and_fitdistrplus(value: Value) -> None:
    name, quantity = value.key.split()
    best, errors, height = mites(2 if name == "C3nb" else 1)
    found = {
        "coef": best[0],
        "se": errors[0],
        "logLik": height,
        "fitdistrplus_mean": np.exp(best[0]),
        "fitdistrplus_loglik": height,
        "theta": np.exp(best[-1]),
        "se_logtheta": errors[-1],
    }
    value.check(found[quantity])


LOWEST = np.array([0, 1, 2, 6, 21, 101])  # of the classes 0, 1, 2-5, 6-20, 21-100, over 100
HIGHEST = np.array([0, 1, 5, 20, 100, OPEN_ABOVE])


class Classed:
    """A regression of which only the class of every count is known, fitted by the methods' own two steps."""

    def __init__(self, data: Table, night_variance: float) -> None:
        """Put the counts in classes and keep what a step needs."""
        self.layout, self.night = layout_of(data), night_variance
        place = np.searchsorted(LOWEST, self.layout.low, side="right") - 1
        self.kinds = list(zip(LOWEST[place].tolist(), HIGHEST[place].tolist(), strict=True))
        self.x = np.column_stack([np.ones(self.layout.low.size), self.layout.covariates])

    def of_classes(self, log_mean: Array, night: float, what: str) -> Array:
        """Return log probability, mean or variance of every count within its class."""
        parts = [getattr(class_moments(*kind, log_mean[i : i + 1], night), what) for i, kind in enumerate(self.kinds)]
        return np.concatenate(parts)

    def log_likelihood(self, at: Array, night: float) -> float:
        """Return the log likelihood at a level and effects."""
        log_mean = np.log(self.layout.effort) + self.x @ at
        return float(self.of_classes(log_mean, night, "log_probability").sum())

    def settle(self) -> Array:
        """Repeat expected counts within classes and regression until neither moves; return level and effects."""
        counts = np.array([max(low, 0.5) for low, _ in self.kinds])  # any start will do
        at, moved = np.zeros(self.x.shape[1]), np.inf
        while moved > 1e-8:
            step = fit_shared_effects(
                self.layout, counts, site_variance=0.0, night_variance=self.night, ridge=0.0, with_covariance=False
            )
            mu = expected_counts(self.layout, step.levels, step.beta)
            counts = self.of_classes(np.log(mu), self.night, "mean")
            newer = np.r_[step.levels, step.beta]
            moved, at = float(np.abs(newer - at).max()), newer
        return at


C4NB_THETA = 2.309194025  # size at which R and Python find the likelihood of the classes highest
REGRESSIONS: dict[str, Callable[[], Classed]] = {
    "C4pois": lambda: Classed(table(SPIDERS["Trocterr"], x=np.column_stack([WATER, LIGHT])), 0.0),
    "C4nb": lambda: Classed(table(SPIDERS["Trocterr"], x=np.column_stack([WATER, LIGHT])), 1.0 / C4NB_THETA),
    "C5": lambda: Classed(ships(), 0.0),
}


@cache
def settled(name: str) -> tuple[Classed, Array]:
    regression = REGRESSIONS[name]()
    return regression, regression.settle()


SETTLED = [
    Value("C4pois coef", (-2.249896116, 1.969384396, 0.03153931453), COMPUTED, **ESTIMATE),
    Value("C4nb coef", (-1.866483668, 1.881673205, 0.005270774673), COMPUTED, **ESTIMATE),
    Value(
        "C5 coef",
        (
            -6.183615378,
            -0.5137099314,
            -0.4873944993,
            -0.1412058506,
            0.4497674669,
            0.6018142883,
            0.6963896549,
            0.0998977683,
            0.1691527768,
        ),
        COMPUTED,
        **ESTIMATE,
    ),
]


@pytest.mark.parametrize("value", SETTLED, ids=str)
def test_expected_counts_and_regression_in_turn_end_at_the_maximum_likelihood_of_the_classes(value: Value) -> None:
    value.check(settled(value.key.split()[0])[1])


SETTLED_LIKELIHOODS = [
    Value("C4pois logLik", (-57.24744217,), COMPUTED, **LIKELIHOOD),
    Value("C4nb logLik", (-28.41834538,), COMPUTED, **LIKELIHOOD),
    Value("C5 logLik", (-25.97518887,), COMPUTED, **LIKELIHOOD),
]


@pytest.mark.parametrize("value", SETTLED_LIKELIHOODS, ids=str)
def test_classes_of_a_regression_are_as_likely_as_r_and_scipy_say(value: Value) -> None:
    regression, at = settled(value.key.split()[0])
    value.check(regression.log_likelihood(at, regression.night))


SETTLED_ERRORS = [
    Value("C4pois se", (0.3623275605, 0.108944595, 0.04427831182), COMPUTED, **ERROR),
    Value(
        "C5 se",
        (
            0.4921854588,
            0.3667642363,
            0.3631061479,
            0.3991945597,
            0.3127975984,
            0.4508947109,
            0.3750852198,
            0.4542058049,
            0.2486225747,
        ),
        COMPUTED,
        **ERROR,
    ),
]


@pytest.mark.parametrize("value", SETTLED_ERRORS, ids=str)
def test_what_classes_leave_open_widens_the_errors_as_the_observed_information_does(value: Value) -> None:
    regression, at = settled(value.key.split()[0])
    log_mean = np.log(regression.layout.effort) + regression.x @ at
    known = np.exp(log_mean) - regression.of_classes(log_mean, 0.0, "variance")  # Louis 1982
    value.check(np.sqrt(np.diag(np.linalg.inv((regression.x * known[:, None]).T @ regression.x))))


WITH_SIZE = [
    Value("C4nb theta", (2.309194025,), COMPUTED, **ERROR),
    Value("C4nb se", (1.121761767, 0.326344799, 0.1519837056), COMPUTED, **ERROR),
    Value("C4nb se_logtheta", (0.4167801437,), COMPUTED_R, **ERROR),
]


@cache
def with_size() -> tuple[Array, Array]:
    """Let scipy find coefficients and log size of the classed spiders together; return them and their errors."""
    regression, at = settled("C4nb")

    def total(point: Array) -> float:
        return regression.log_likelihood(point[:3], float(np.exp(-point[3])))

    found = optimize.minimize(lambda point: -total(point), np.r_[at, 0.0], method="BFGS", options={"gtol": 1e-6})
    return found.x, np.sqrt(np.diag(np.linalg.inv(-approx_hess(found.x, total))))


@pytest.mark.parametrize("value", WITH_SIZE, ids=str)
def test_classed_spiders_have_the_size_and_the_joint_errors_of_r_and_scipy(value: Value) -> None:
    best, errors = with_size()
    value.check({"theta": np.exp(best[3]), "se": errors[:3], "se_logtheta": errors[3]}[value.key.split()[1]])
