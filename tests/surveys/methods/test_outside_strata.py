"""Means over strata with known sizes against the survey package, and places against definitions and other libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from surveys.methods.geography import MEAN_RADIUS_M, great_circle_m, half_diagonal_m, square_uncertainty_m
from surveys.methods.poststratification import factor_log_variance, habitat_factor
from tests.surveys.methods.outside import CLOSED, Array, Value

SURVEY_GUIDE = "T. Lumley, survey package, ucla-examples.pdf section 4 (opened)"
SURVEY_TESTS = "survey package, tests/testoutput/api.Rout.saved (opened)"
COMPUTED = "computed with R 4.2.2 (survey) and Python"
FORMULARY = "E. Williams, Aviation Formulary, quoted in public repositories (opened; secondary)"
DIAGONAL = "side / sqrt(2), definition of Darwin Core coordinateUncertaintyInMeters (opened); R and Python agree"


def over_strata(means: Array, errors: Array, sizes: Array) -> tuple[float, float]:
    """Return mean and standard error over strata, as the level index averages habitats.

    Each stratum is an effect of its own on the log scale, with the error of its mean over its mean.
    """
    weights, at_strata = sizes / sizes.sum(), np.eye(sizes.size)
    factor = habitat_factor(np.log(means), weights, at_strata)
    of_log = factor_log_variance(factor, np.zeros((1, sizes.size)), np.diag((errors / means) ** 2))
    return factor.value, factor.value * float(np.sqrt(of_log[0]))


def unemployment() -> tuple[float, float]:
    """Return the post-stratified mean of Lehtonen & Pahkinen's eight municipalities of 32."""
    parts = [np.array([4123.0, 760, 721]), np.array([142.0, 187, 331, 127, 219])]
    sampled, sizes = 8, np.array([7.0, 25.0])
    # linearised with the correction for a finite population: (1 - f) n/(n - 1) sum of squared residuals over n_h^2
    scale = (1 - sampled / sizes.sum()) * sampled / (sampled - 1)
    errors = [np.sqrt(scale * ((part - part.mean()) ** 2).sum()) / part.size for part in parts]
    return over_strata(np.array([part.mean() for part in parts]), np.array(errors), sizes)


UNEMPLOYMENT = [
    Value("W1 mean", (565.81,), SURVEY_GUIDE, abs=5.1e-3),
    Value("W1 se", (187.93,), SURVEY_GUIDE, abs=5.1e-3),
    Value("W1 total", (18106,), SURVEY_GUIDE, abs=0.5),
    Value("W1 total_se", (6013.6,), SURVEY_GUIDE, abs=0.051),
    Value("W1 mean computed", (565.8125,), COMPUTED, **CLOSED),
    Value("W1 se computed", (187.9264451,), COMPUTED, **CLOSED),
]


@pytest.mark.parametrize("value", UNEMPLOYMENT, ids=str)
def test_the_unemployed_are_averaged_over_post_strata_as_the_survey_package_does(value: Value) -> None:
    mean, error = unemployment()
    found = {"mean": mean, "se": error, "total": 32 * mean, "total_se": 32 * error}
    value.check(found[value.key.split()[1]])


# California schools (survey package, data of the California Department of Education): elementary, middle, high.
# Sampled, schools in all, and of both scores: sum and sum of squares.
SCHOOLS = np.array([100.0, 50.0, 50.0]), np.array([4421.0, 1018.0, 755.0])
SCORES = np.array([67443.0, 31830.0, 31291.0]), np.array([47038637.0, 20940396.0, 20167941.0])
PUPILS = np.array([41678.0, 41624.0, 66035.0]), np.array([20100668.0, 42310204.0, 109279081.0])
STRATIFIED = [
    Value("W2 mean", (662.29,), SURVEY_TESTS, abs=5.1e-3),
    Value("W2 se", (9.4089,), SURVEY_TESTS, abs=6e-5),
    Value("W2 total", (3687178,), SURVEY_TESTS, abs=0.5),
    Value("W2 total_se", (114642,), SURVEY_TESTS, abs=0.5),
    Value("W2 mean computed", (662.2873636,), COMPUTED, **CLOSED),
    Value("W2 se computed", (9.408940879,), COMPUTED, **CLOSED),
]


@pytest.mark.parametrize("value", STRATIFIED, ids=str)
def test_schools_are_averaged_over_strata_as_the_survey_package_does(value: Value) -> None:
    sampled, sizes = SCHOOLS
    results = []
    for sums, squares in (SCORES, PUPILS):
        spread = (squares - sums**2 / sampled) / (sampled - 1)
        errors = np.sqrt((1 - sampled / sizes) * spread / sampled)
        results.append(over_strata(sums / sampled, errors, sizes))
    (mean, error), (pupils, pupils_error) = results
    found = {"mean": mean, "se": error, "total": 6194 * pupils, "total_se": 6194 * pupils_error}
    value.check(found[value.key.split()[1]])


VETERINARY = [
    Value("W4 mean", (40.115,), SURVEY_GUIDE, abs=5e-4),
    Value("W4 total", (52150,), SURVEY_GUIDE, abs=0.5),
    Value("W4 mean computed", (40.11513346,), COMPUTED, **CLOSED),
]


@pytest.mark.parametrize("value", VETERINARY, ids=str)
def test_dogs_and_cats_are_averaged_as_the_survey_package_does(value: Value) -> None:
    # Levy & Lemeshow: 850 dogs and 450 cats
    mean, _ = over_strata(np.array([49.85844, 21.71111]), np.ones(2), np.array([850.0, 450.0]))
    value.check(1300 * mean if value.key == "W4 total" else mean)


HALF_DIAGONALS = [
    Value("Z2 half_diag", (70.71067812, 176.7766953, 707.1067812, 1414.213562, 3535.533906, 7071.067812), DIAGONAL),
    Value("Z7 half_diag", (35.35533906, 353.5533906, 2121.320344, 14142.13562, 35355.33906), DIAGONAL),
]
SIDES = {"Z2 half_diag": (100, 250, 1000, 2000, 5000, 10000), "Z7 half_diag": (50, 500, 3000, 20000, 50000)}


@pytest.mark.parametrize("value", HALF_DIAGONALS, ids=str)
def test_squares_have_the_half_diagonal_as_uncertainty_rounded_up(value: Value) -> None:
    found = [square_uncertainty_m(side) for side in SIDES[value.key]]
    assert found == [math.ceil(half) for half in value.expected]


GREAT_CIRCLE = [
    Value("Z3 rad", (0.623585,), FORMULARY, abs=6e-7),
    Value("Z3 nm", (2144,), FORMULARY, abs=0.5),
    Value("Z3 m", (3972863.246,), COMPUTED, **CLOSED),
]


@pytest.mark.parametrize("value", GREAT_CIRCLE, ids=str)
def test_the_way_from_los_angeles_to_new_york_is_that_of_the_aviation_formulary(value: Value) -> None:
    metres = great_circle_m(33 + 57 / 60, -(118 + 24 / 60), 40 + 38 / 60, -(73 + 47 / 60))
    radians = metres / MEAN_RADIUS_M
    nautical_miles = math.degrees(radians) * 60  # the formulary's mile: a minute of arc
    value.check({"rad": radians, "nm": nautical_miles, "m": metres}[value.key.split()[1]])


@pytest.mark.parametrize("latitude", [0.05, 23.45, 51.35, -51.35, 69.95, 84.95])
@pytest.mark.parametrize("size", [0.1, 0.5])
def test_no_corner_of_a_cell_lies_beyond_its_uncertainty_on_the_ellipsoid(latitude: float, size: float) -> None:
    corners = [(latitude + up * size / 2, side * size / 2) for up in (-1, 1) for side in (-1, 1)]
    farthest = max(Geodesic.WGS84.Inverse(latitude, 0.0, *corner)["s12"] for corner in corners)  # Karney 2013
    found = half_diagonal_m(latitude, size)
    assert farthest <= found <= 1.01 * farthest + 1
