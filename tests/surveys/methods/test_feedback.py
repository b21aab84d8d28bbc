"""A catch beside comparable traps: places by hand and by scipy, limits by statsmodels, and when nothing is said."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from surveys.methods.feedback import (
    Basis,
    Caution,
    OwnCatch,
    SeasonCatches,
    effective_gardens,
    mid_rank,
    own_habitats,
    place_beside,
    wilson_limits,
)
from surveys.methods.level_records import OPEN_ABOVE

HEDGE, LAWN = 1, 2


def season_of(rows: list[tuple[int, int, int, float, int, int]]) -> SeasonCatches:
    site, habitat, fresh, effort, low, high = (np.array(column) for column in zip(*rows, strict=True))
    return SeasonCatches(site, habitat, fresh, effort.astype(float), low, high)


def gardens(counts: list[int], habitat: int = HEDGE, fresh: int = 0, first_site: int = 100, per_site: int = 2):
    return [(first_site + at // per_site, habitat, fresh, 1.0, count, count) for at, count in enumerate(counts)]


TWENTY = gardens([0, 0, 0, 0, 1, 1, 1, 2, 2, 3, 3, 3, 4, 5, 6, 7, 8, 9, 12, 20])
OWN = OwnCatch(site=1, habitat=HEDGE, fresh=False, effort=1.0, low=3, high=3)


def test_the_place_of_a_catch_is_counted_by_hand() -> None:
    beside = place_beside(OWN, season_of(TWENTY))
    # below 3: nine of twenty; same: three; above: eight; mid-rank (9 + 1.5) / 20
    assert (beside.below, beside.same, beside.above) == pytest.approx((9 / 20, 3 / 20, 8 / 20))
    assert beside.percentile_low == beside.percentile_high == pytest.approx(10.5 / 20)
    assert (beside.basis, beside.traps, beside.sites) == (Basis.HABITAT_AND_SETTLING, 20, 10)
    assert beside.rate_low == beside.rate_high == 3.0


@settings(max_examples=60)
@given(st.lists(st.integers(0, 8), min_size=1, max_size=30), st.integers(0, 8))
def test_mid_ranks_are_those_of_scipy(counts: list[int], own: int) -> None:
    outside = stats.percentileofscore(counts, own, kind="mean") / 100
    assert mid_rank(float(own), np.array(counts, dtype=float)) == pytest.approx(outside)


def test_rates_are_compared_and_not_counts() -> None:
    rows = [(100 + at // 2, HEDGE, 0, 2.0, 8, 8) for at in range(20)]  # 4 a night
    beside = place_beside(OWN, season_of(rows))
    assert (beside.below, beside.above) == (0.0, 1.0)
    longer = OwnCatch(site=1, habitat=HEDGE, fresh=False, effort=0.5, low=2, high=2)  # 4 a night as well
    assert place_beside(longer, season_of(rows)).same == 1.0


def test_equal_rates_from_unequal_efforts_are_a_tie() -> None:
    rows = [(100 + at // 2, HEDGE, 0, 1.1, 11, 11) for at in range(20)]
    own = OwnCatch(site=1, habitat=HEDGE, fresh=False, effort=0.7, low=7, high=7)
    assert place_beside(own, season_of(rows)).same == 1.0


def test_the_own_garden_never_counts() -> None:
    own_rows = [(1, HEDGE, 0, 1.0, 50, 50)] * 30
    beside = place_beside(OWN, season_of([*own_rows, *TWENTY]))
    assert (beside.traps, beside.above) == (20, pytest.approx(8 / 20))


@pytest.mark.parametrize(
    "rows",
    [TWENTY[:-1], gardens([1] * 27, per_site=3), []],
    ids=["19 traps from 10 gardens", "27 traps from 9 gardens", "none"],
)
def test_with_too_few_traps_or_gardens_nothing_is_compared(rows) -> None:
    season = season_of(rows or [(1, HEDGE, 0, 1.0, 0, 0)])
    beside = place_beside(OWN, season)
    assert beside.basis == Basis.TOO_FEW
    assert beside.traps == len(rows)
    nothing = (beside.below, beside.same, beside.above, beside.percentile_low, beside.percentile_high, beside.about_low)
    assert nothing == (None,) * 6
    assert (beside.rate_low, beside.rate_high) == (3.0, 3.0)


def test_the_basis_widens_from_settling_to_habitat_to_all() -> None:
    fresh = gardens([9] * 20, fresh=1, first_site=200)
    lawn = gardens([1] * 20, habitat=LAWN, first_site=300)
    assert place_beside(OWN, season_of([*TWENTY, *fresh, *lawn])).basis == Basis.HABITAT_AND_SETTLING
    assert place_beside(OWN, season_of([*TWENTY[:10], *fresh, *lawn])).basis == Basis.HABITAT
    assert place_beside(OWN, season_of([*TWENTY[:10], *lawn])).basis == Basis.ALL_HABITATS


def test_a_trap_of_unknown_settling_is_compared_over_both_kinds() -> None:
    unknown = OwnCatch(site=1, habitat=HEDGE, fresh=None, effort=1.0, low=3, high=3)
    beside = place_beside(unknown, season_of([*TWENTY, *gardens([9] * 10, fresh=-1, first_site=200)]))
    assert (beside.basis, beside.traps) == (Basis.HABITAT, 30)


def test_a_class_gives_a_band_from_its_lowest_to_its_highest_count() -> None:
    own = OwnCatch(site=1, habitat=HEDGE, fresh=False, effort=1.0, low=4, high=7)
    beside = place_beside(own, season_of(TWENTY))
    # at 4: 12 below and one tie; at 7: 15 below and one tie; by hand
    assert (beside.percentile_low, beside.percentile_high) == pytest.approx((12.5 / 20, 15.5 / 20))
    assert (beside.below, beside.same, beside.above) == pytest.approx((12 / 20, 4 / 20, 4 / 20))


def test_classes_of_others_widen_the_band_too() -> None:
    rows = [(100 + at // 2, HEDGE, 0, 1.0, 2, 3) for at in range(20)]
    beside = place_beside(OWN, season_of(rows))
    assert (beside.percentile_low, beside.percentile_high) == (0.5, 1.0)  # all at 3: ties; all at 2: all below
    assert (beside.below, beside.same, beside.above) == (0.0, 1.0, 0.0)


def test_an_open_class_may_be_anything_above_its_start() -> None:
    own = OwnCatch(site=1, habitat=HEDGE, fresh=False, effort=1.0, low=128, high=OPEN_ABOVE)
    beside = place_beside(own, season_of(TWENTY))
    assert (beside.below, beside.rate_high) == (1.0, math.inf)
    rows = [(100 + at // 2, HEDGE, 0, 1.0, 128, OPEN_ABOVE) for at in range(20)]
    tied = place_beside(own, season_of(rows))
    assert (tied.below, tied.same, tied.above) == (0.0, 1.0, 0.0)
    assert (tied.percentile_low, tied.percentile_high) == (0.0, 1.0)


@pytest.mark.parametrize(("hits", "tries"), [(0, 20), (3, 20), (10, 20), (57, 60), (20, 20)])
def test_the_limits_of_a_share_are_those_of_statsmodels(hits: int, tries: int) -> None:
    outside = proportion_confint(hits, tries, method="wilson")
    assert wilson_limits(hits / tries, tries, 0.95) == pytest.approx(outside, abs=1e-9)


def test_many_traps_of_one_garden_count_little() -> None:
    assert effective_gardens(np.array([1, 1, 2, 2, 3, 3])) == pytest.approx(3.0)
    # one garden with 10 and ten with 1: 20^2 / (100 + 10); by hand
    assert effective_gardens(np.array([0] * 10 + list(range(1, 11)))) == pytest.approx(400 / 110)
    even = place_beside(OWN, season_of(TWENTY))
    assert (even.about_low, even.about_high) == pytest.approx(proportion_confint(5.25, 10, method="wilson"))


def test_a_catch_that_is_none_is_refused() -> None:
    for low, high, effort, words in ((1, 1, 0.0, "above 0"), (3, 2, 1.0, "not below"), (-1, 0, 1.0, "0 or more")):
        with pytest.raises(ValueError, match=words):
            place_beside(OwnCatch(1, HEDGE, False, effort, low, high), season_of(TWENTY))


def test_own_habitats_are_sums_over_sums() -> None:
    catches = [
        OwnCatch(1, HEDGE, False, 1.0, 6, 6, night=1),
        OwnCatch(1, HEDGE, False, 0.5, 0, 0, night=2),
        OwnCatch(1, LAWN, False, 1.0, 2, 3, night=1),
        OwnCatch(1, LAWN, False, 1.0, 1, 1, night=2),
    ]
    hedge, lawn = own_habitats(catches).habitats
    assert (hedge.rate_low, hedge.rate_high, hedge.trap_nights) == (4.0, 4.0, 1.5)  # 6 / 1.5, not (6 + 0) / 2
    assert (lawn.rate_low, lawn.rate_high) == (1.5, 2.0)
    assert (lawn.animals_low, lawn.animals_high, lawn.returns, lawn.nights) == (3, 4, 2, 2)


def test_an_open_class_leaves_a_habitat_open_above() -> None:
    rate = own_habitats([OwnCatch(1, HEDGE, False, 1.0, 128, OPEN_ABOVE)]).habitats[0]
    assert (rate.animals_high, rate.rate_high) == (None, math.inf)


def nights(habitat: int, numbers: list[int], fresh: bool = False) -> list[OwnCatch]:
    return [OwnCatch(1, habitat, fresh, 1.0, 2, 2, night=night) for night in numbers]


@pytest.mark.parametrize(
    ("catches", "caution"),
    [
        (nights(HEDGE, [1, 2, 3, 4]), Caution.ONE_HABITAT),
        ([], Caution.ONE_HABITAT),
        (nights(HEDGE, [1]) + nights(LAWN, [1]), Caution.ONE_NIGHT),
        (nights(HEDGE, [1, 2, 3, 4, 5]) + nights(LAWN, [1]), Caution.ONE_NIGHT),
        (nights(HEDGE, [1, 2, 3]) + nights(LAWN, [1, 2, 3]), Caution.FEW_NIGHTS),
        (nights(HEDGE, [1, 2, 3, 4]) + nights(LAWN, [5, 6, 7, 8]), Caution.DIFFERENT_NIGHTS),
        (nights(HEDGE, [1, 2, 3, 4]) + nights(LAWN, [1, 2, 3, 4], fresh=True), Caution.SETTLING_DIFFERS),
        (nights(HEDGE, [1, 2, 3, 4]) + nights(LAWN, [1, 2, 3, 4]), Caution.ENOUGH_NIGHTS),
    ],
)
def test_the_caution_that_matters_most_is_given(catches: list[OwnCatch], caution: Caution) -> None:
    assert own_habitats(catches).caution == caution


COUNTS = st.tuples(st.integers(0, 40), st.integers(0, 6), st.booleans())


@settings(max_examples=60, deadline=None)
@given(st.lists(COUNTS, min_size=20, max_size=40), COUNTS)
def test_a_band_always_holds_what_exact_counts_would_have_said(others, own) -> None:
    rows = [
        (100 + at // 2, HEDGE, 0, 1.0, low, OPEN_ABOVE if is_open else low + more)
        for at, (low, more, is_open) in enumerate(others)
    ]
    low, more, is_open = own
    beside = place_beside(OwnCatch(1, HEDGE, False, 1.0, low, OPEN_ABOVE if is_open else low + more), season_of(rows))
    assert beside.below + beside.same + beside.above == pytest.approx(1.0)
    for take in (lambda low, more: low, lambda low, more: low + more, lambda low, more: low + more // 2):
        truth = [take(low, more) for low, more, _ in others]
        place = stats.percentileofscore(truth, take(low, more), kind="mean") / 100
        assert beside.percentile_low - 1e-9 <= place <= beside.percentile_high + 1e-9
    assert 0 <= beside.about_low <= beside.percentile_low <= beside.percentile_high <= beside.about_high <= 1
