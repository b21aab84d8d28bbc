"""The temperature-adjusted companion."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from surveys.methods import temperature
from surveys.methods.change import estimate_change
from surveys.methods.change_records import ChangeSettings
from surveys.methods.change_temperature import change_side_by_side
from surveys.methods.temperature import (
    MAXIMUM,
    MINIMUM,
    TemperatureInput,
    TemperatureSource,
    effect_of_temperature,
    log_variance_of_temperature,
)
from tests.reference.change_worlds import ChangeWorld, draw_change, make_change_rows

SETTINGS = ChangeSettings()
NAN = float("nan")


def nights(maximum: list[float], minimum: list[float] | None = None, **places: Any) -> TemperatureInput:
    zeros = np.zeros(len(maximum), dtype=np.int64)
    return TemperatureInput(
        region=np.asarray(places.get("region", zeros)),
        period=np.asarray(places.get("period", zeros)),
        window=np.asarray(places.get("window", zeros)),
        maximum_c=np.array(maximum, dtype=float),
        minimum_c=np.array(minimum if minimum is not None else [NAN] * len(maximum), dtype=float),
    )


def test_the_coefficients_are_those_of_saska_and_others() -> None:
    # Saska and others 2013, abstract: 0.0863 +- 0.0058 per degree of maximum, 0.0497 +- 0.0107 of minimum
    assert (MAXIMUM.per_degree, MAXIMUM.error) == (0.0863, 0.0058)
    assert (MINIMUM.per_degree, MINIMUM.error) == (0.0497, 0.0107)


@pytest.mark.parametrize(
    ("above", "of_maximum", "of_minimum"),
    [(5.0, 1.54, 1.28), (10.0, 2.37, 1.64), (1.0, 1.09, 1.051)],  # domain notes, rounded there: exp(b x degrees)
)
def test_warmer_nights_count_for_more_effort(above: float, of_maximum: float, of_minimum: float) -> None:
    warm = effect_of_temperature(nights([MAXIMUM.reference_c + above])).multiplier
    mild = effect_of_temperature(nights([NAN], [MINIMUM.reference_c + above])).multiplier
    assert float(warm[0]) == pytest.approx(of_maximum, rel=0.005)
    assert float(mild[0]) == pytest.approx(of_minimum, rel=0.005)


def test_at_the_reference_nothing_changes() -> None:
    assert effect_of_temperature(nights([MAXIMUM.reference_c])).multiplier.tolist() == [1.0]


def test_the_maximum_is_used_alone_where_both_are_known() -> None:
    # the two were fitted one at a time, so that both together would count the same warmth twice
    both, one = nights([25.0], [15.0]), nights([25.0])
    assert effect_of_temperature(both).multiplier == pytest.approx(effect_of_temperature(one).multiplier)
    assert effect_of_temperature(both).lever_minimum.tolist() == [0.0]


def test_returns_without_a_temperature_take_the_mean_of_their_region_and_season_window() -> None:
    effect = effect_of_temperature(
        nights(
            [20.0, 24.0, NAN, 30.0, NAN, NAN],
            [NAN, NAN, NAN, NAN, NAN, 3.0],
            region=[0, 0, 0, 1, 0, 0],
            window=[0, 0, 0, 0, 1, 0],
        )
    )
    assert effect.lever_maximum[2] == pytest.approx(22.0 - MAXIMUM.reference_c)
    assert effect.multiplier[4] == 1.0  # nobody knows anything of window 1
    assert effect.lever_minimum[5] == pytest.approx(3.0 - MINIMUM.reference_c)  # its own minimum, not others' maximum
    assert effect.source == {
        TemperatureSource.MAXIMUM: 3,
        TemperatureSource.MINIMUM: 1,
        TemperatureSource.SEASON_MAXIMUM: 1,
        TemperatureSource.SEASON_MINIMUM: 0,
        TemperatureSource.UNKNOWN: 1,
    }
    assert "4 of 6 returns came with a temperature" in effect.sentence
    assert "1 had none" in effect.sentence


def test_where_only_minima_are_known_their_mean_is_borrowed() -> None:
    effect = effect_of_temperature(nights([NAN, NAN], [10.0, NAN]))
    assert effect.lever_minimum.tolist() == [10.0 - MINIMUM.reference_c] * 2
    assert effect.source[TemperatureSource.SEASON_MINIMUM] == 1


def test_no_returns_are_no_error() -> None:
    assert effect_of_temperature(nights([])).multiplier.size == 0


@pytest.mark.parametrize("bad", [-80.0, 75.0, float("inf")])
def test_temperatures_that_no_garden_has_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="expected Celsius between -60 and 60"):
        effect_of_temperature(nights([20.0, bad]))
    with pytest.raises(ValueError, match="expected Celsius between -60 and 60"):
        effect_of_temperature(nights([20.0, 20.0], [10.0, bad]))


def test_arrays_of_different_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match="one entry per return"):
        effect_of_temperature(replace(nights([20.0, 21.0]), window=np.zeros(1, dtype=np.int64)))
    rows = make_change_rows(period=[0, 1], site=[0, 0], low=[1, 2])
    with pytest.raises(ValueError, match="one entry per return"):
        change_side_by_side(rows, nights([20.0]), SETTINGS)


def test_the_error_of_the_coefficient_grows_with_the_difference_in_warmth() -> None:
    # periods at 16, 18 and 20 in the base and 26 after it: (26 - 18) x 0.0058, squared, by hand
    places = {"period": [0, 1, 2, 3]}
    now = nights([16.0, 18.0, 20.0, 26.0], **places)
    variance = log_variance_of_temperature(
        effect_of_temperature(now), np.ones(4), now, (0, 1, 2), n_regions=1, n_periods=4
    )
    assert variance[0, 3] == pytest.approx((8.0 * 0.0058) ** 2)
    assert variance[0, 1] == pytest.approx(0.0)


def test_it_is_weighted_by_effort_and_silent_where_there_are_no_returns() -> None:
    now = nights([10.0, 20.0, 25.0], period=[0, 0, 1])
    variance = log_variance_of_temperature(
        effect_of_temperature(now), np.array([3.0, 1.0, 1.0]), now, (0,), n_regions=2, n_periods=3
    )
    assert variance[0, 1] == pytest.approx(((25.0 - 12.5) * 0.0058) ** 2)  # mean of the base: (30 + 20) / 4
    assert variance[0, 2] == 0.0
    assert variance[1].tolist() == [0.0, 0.0, 0.0]


def test_a_season_warmer_by_five_degrees_is_taken_down_by_a_third() -> None:
    rows = draw_change(ChangeWorld(20, 5.0, 1.0, 0.5, 0.0, regions=2), np.random.default_rng(3))
    degrees = np.where(rows.period == 5, 23.0, 18.0)
    now = nights(degrees.tolist(), region=rows.region, period=rows.period)
    both = change_side_by_side(rows, now, SETTINGS)
    for region in range(2):
        raw, adjusted = both.raw.cell(region, 5), both.adjusted.cell(region, 5)
        assert adjusted.ratio == pytest.approx(raw.ratio * np.exp(-5 * 0.0863), rel=1e-6)  # every night alike, by hand
        assert adjusted.log_se**2 == pytest.approx(raw.log_se**2 + (5 * 0.0058) ** 2, rel=1e-6)
        assert both.added_log_variance[region, 5] == pytest.approx((5 * 0.0058) ** 2)
        assert both.adjusted.cell(region, 4).ratio == pytest.approx(raw_ratio(both, region, 4), rel=1e-6)


def raw_ratio(both: Any, region: int, period: int) -> float:
    return float(both.raw.cell(region, period).ratio)


def test_with_one_coefficient_the_reference_does_not_matter(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = draw_change(ChangeWorld(12, 5.0, 1.0, 0.5, 0.0, regions=1), np.random.default_rng(4))
    degrees = np.random.default_rng(5).normal(17.0, 4.0, rows.region.size)
    now = nights(degrees.tolist(), region=rows.region, period=rows.period)
    here = change_side_by_side(rows, now, SETTINGS).adjusted.cell(0, 5).ratio
    monkeypatch.setattr(temperature, "MAXIMUM", replace(MAXIMUM, reference_c=3.0))
    assert change_side_by_side(rows, now, SETTINGS).adjusted.cell(0, 5).ratio == pytest.approx(here, rel=1e-6)


def test_the_delta_method_is_near_a_change_of_the_coefficient_by_its_error(monkeypatch: pytest.MonkeyPatch) -> None:
    # estimate again with the coefficient one standard error up and down: half the difference of the log ratios
    rows = draw_change(ChangeWorld(40, 5.0, 0.5, 0.3, 0.0, regions=1), np.random.default_rng(6))
    degrees = np.random.default_rng(7).normal(16.0, 2.0, rows.region.size) + np.where(rows.period == 5, 6.0, 0.0)
    now = nights(degrees.tolist(), region=rows.region, period=rows.period)
    said = np.sqrt(change_side_by_side(rows, now, SETTINGS).added_log_variance[0, 5])
    ratios = []
    for sign in (1.0, -1.0):
        monkeypatch.setattr(temperature, "MAXIMUM", replace(MAXIMUM, per_degree=0.0863 + sign * 0.0058))
        warmed = replace(rows, effort=rows.effort * effect_of_temperature(now).multiplier)
        ratios.append(estimate_change(warmed, SETTINGS).cell(0, 5).ratio)
    assert said == pytest.approx(abs(np.log(ratios[0] / ratios[1])) / 2, rel=0.1)
