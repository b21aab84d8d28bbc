"""The blind second look: who is chosen, agreement and wrong shares; numbers from statsmodels and by enumeration."""

from __future__ import annotations

import hashlib
import math
from itertools import product
from uuid import UUID

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.proportion import proportion_confint

from surveys.methods.review_quality import (
    Stratum,
    agreement,
    chosen_for_second_look,
    exact_limits,
    look_fraction,
    second_looks,
    wrong_share,
)
from surveys.vocabulary import ReturnState

IDS = [str(UUID(int=number)) for number in range(20_000)]
STANDING, UPHELD = ReturnState.STANDING, ReturnState.UPHELD


def test_one_in_twenty_is_chosen() -> None:
    chosen = sum(chosen_for_second_look(name, STANDING, "spring") for name in IDS)
    # exact binomial test of the count, scipy
    assert stats.binomtest(chosen, len(IDS), 0.05).pvalue > 1e-4


def test_fractions_are_even() -> None:
    fractions = [look_fraction(name, "spring") for name in IDS]
    assert stats.kstest(fractions, "uniform").pvalue > 1e-4
    other = [look_fraction(name, "autumn") for name in IDS]
    assert abs(stats.spearmanr(fractions, other).statistic) < 0.03


def test_the_fraction_is_that_of_the_published_hash() -> None:
    digest = hashlib.sha256(b"6:spring3:r17").hexdigest()
    assert look_fraction("r17", "spring") == pytest.approx(int(digest[:16], 16) / 16**16)


def test_id_and_seed_cannot_stand_in_for_each_other() -> None:
    assert look_fraction("23", "1") != look_fraction("3", "12")


def test_a_choice_does_not_move_when_others_arrive() -> None:
    few = second_looks(dict.fromkeys(IDS[:500], STANDING), "spring")
    many = second_looks(dict.fromkeys(IDS, STANDING), "spring")
    assert set(few) == {name for name in many if name in set(IDS[:500])}


def test_the_order_in_which_returns_arrive_does_not_matter() -> None:
    one = second_looks(dict.fromkeys(IDS[:500], STANDING), "spring")
    assert one == second_looks(dict.fromkeys(reversed(IDS[:500]), STANDING), "spring")
    assert [look_fraction(name, "spring") for name in one] == sorted(look_fraction(name, "spring") for name in one)


@pytest.mark.parametrize("state", list(ReturnState))
def test_only_standing_and_upheld_returns_are_looked_at_again(state: ReturnState) -> None:
    chosen = any(chosen_for_second_look(name, state, "spring") for name in IDS[:500])
    assert chosen == (state in (STANDING, UPHELD))


def test_another_seed_chooses_others_and_a_larger_share_keeps_those_chosen() -> None:
    states = dict.fromkeys(IDS[:2000], STANDING)
    spring, autumn = set(second_looks(states, "spring")), set(second_looks(states, "autumn"))
    assert len(spring & autumn) < len(spring) / 2
    assert spring <= set(second_looks(states, "spring", 0.1))


def test_a_share_out_of_range_is_refused() -> None:
    with pytest.raises(ValueError, match="expected 0 to 1"):
        chosen_for_second_look("r", STANDING, "spring", 1.5)


@pytest.mark.parametrize(("hits", "tries"), [(0, 20), (1, 20), (7, 35), (20, 20), (3, 1000)])
def test_exact_limits_are_those_of_statsmodels(hits: int, tries: int) -> None:
    assert exact_limits(hits, tries) == pytest.approx(proportion_confint(hits, tries, method="beta"), abs=1e-9)


def test_where_all_agree_the_upper_limit_is_near_the_rule_of_three() -> None:
    for tries in (50, 100, 400):
        # rule of three is one-sided, hence 90 % two-sided (Hanley & Lippman-Hand 1983, from memory)
        assert exact_limits(0, tries, 0.90)[1] == pytest.approx(3 / tries, rel=0.04)
        assert exact_limits(0, tries)[1] == pytest.approx(-math.log(0.025) / tries, rel=0.05)


def test_nothing_tried_says_nothing() -> None:
    assert exact_limits(0, 0) == (0.0, 1.0)
    with pytest.raises(ValueError, match="expected 0 to 3"):
        exact_limits(4, 3)


@pytest.mark.parametrize(
    "table",
    [
        [[20, 5], [10, 15]],
        [[45, 15], [25, 15]],
        [[88, 1, 1], [2, 4, 0], [0, 1, 3]],
        [[0, 5], [5, 0]],
    ],
)
def test_kappa_and_its_limits_are_those_of_statsmodels(table: list[list[int]]) -> None:
    outside, found = cohens_kappa(np.array(table)), agreement(table)
    assert found.kappa == pytest.approx(outside.kappa)
    assert found.kappa_low == pytest.approx(max(-1.0, outside.kappa_low))
    assert found.kappa_high == pytest.approx(min(1.0, outside.kappa_upp))
    assert found.share == pytest.approx(np.trace(np.array(table)) / np.sum(table))
    assert found.code == "estimated"


def test_a_worked_kappa() -> None:
    # 20 and 15 of 50 on the diagonal, margins 25/25 and 30/20: p_o .7, p_e .5, kappa .4; by hand
    assert agreement([[20, 5], [10, 15]]).kappa == pytest.approx(0.4)


@pytest.mark.parametrize(
    ("table", "code", "share"),
    [
        ([[0, 0], [0, 0]], "not_looked", None),
        ([[1, 0], [0, 0]], "too_few", 1.0),
        ([[30, 0], [0, 0]], "one_word_only", 1.0),
        # Only what was let stand is looked at again: statsmodels gives such a table a kappa of 0, whatever is in it.
        ([[28, 1, 1], [0, 0, 0], [0, 0, 0]], "one_word_only", 28 / 30),
        ([[28, 0, 0], [1, 0, 0], [1, 0, 0]], "one_word_only", 28 / 30),
    ],
)
def test_kappa_is_not_given_where_it_means_nothing(table, code: str, share: float | None) -> None:
    found = agreement(table)
    assert (found.code, found.share, found.kappa, found.kappa_low, found.kappa_high) == (code, share, None, None, None)


def test_where_one_look_has_one_word_only_kappa_is_0_whatever_the_other_said() -> None:
    for agreed in range(1, 30):
        with np.errstate(invalid="ignore"):  # its standard error is 0, and it divides by that
            assert cohens_kappa(np.array([[agreed, 30 - agreed], [0, 0]])).kappa == pytest.approx(0.0)  # statsmodels
        assert agreement([[agreed, 30 - agreed], [0, 0]]).kappa is None


def test_full_agreement_on_two_words_has_kappa_one() -> None:
    found = agreement([[30, 0], [0, 5]])
    assert (found.kappa, found.kappa_low, found.kappa_high) == (1.0, 1.0, 1.0)
    assert found.share_low == pytest.approx(proportion_confint(35, 35, method="beta")[0])


@pytest.mark.parametrize("table", [[[1, 2, 3], [4, 5, 6]], [[1, -1], [0, 2]], [1, 2]])
def test_a_table_that_is_none_is_refused(table) -> None:
    with pytest.raises(ValueError, match="square table"):
        agreement(table)


def test_one_stratum_has_the_exact_interval() -> None:
    found = wrong_share([Stratum("standing", 1000, 50, 2)])
    assert found.estimate == pytest.approx(0.04)
    assert (found.low, found.high) == pytest.approx(proportion_confint(2, 50, method="beta"), abs=1e-9)
    assert (found.code, found.looked, found.wrong, found.usable) == ("estimated", 50, 2, 1000)


def test_strata_are_weighted_to_the_usable_data() -> None:
    found = wrong_share([Stratum("standing", 900, 45, 0), Stratum("upheld", 100, 10, 4)])
    assert found.estimate == pytest.approx(0.9 * 0 + 0.1 * 0.4)  # by hand
    parts = [proportion_confint(hits, tries, alpha=0.025, method="beta") for hits, tries in ((0, 45), (4, 10))]
    assert found.low == pytest.approx(0.9 * parts[0][0] + 0.1 * parts[1][0])
    assert found.high == pytest.approx(0.9 * parts[0][1] + 0.1 * parts[1][1])


def test_the_stratified_interval_covers_at_least_as_often_as_it_says() -> None:
    usable, looks = (800, 200), (15, 6)
    outcomes = list(product(range(looks[0] + 1), range(looks[1] + 1)))
    found = [wrong_share([Stratum("s", *row) for row in zip(usable, looks, hits, strict=True)]) for hits in outcomes]
    for wrong in product((0.0, 0.02, 0.1, 0.3), (0.05, 0.4, 0.9)):  # every outcome with its binomial chance
        truth, covered = 0.8 * wrong[0] + 0.2 * wrong[1], 0.0
        chances = [stats.binom.pmf(np.arange(n + 1), n, p) for n, p in zip(looks, wrong, strict=True)]
        for (one, other), share in zip(outcomes, found, strict=True):
            covered += chances[0][one] * chances[1][other] * (share.low - 1e-12 <= truth <= share.high + 1e-12)
        assert covered >= 0.95


def test_before_any_look_nothing_is_known() -> None:
    found = wrong_share([Stratum("standing", 900, 0, 0), Stratum("upheld", 100, 0, 0)])
    assert (found.estimate, found.low, found.high, found.code) == (None, 0.0, 1.0, "not_looked")


def test_without_usable_records_there_is_nothing_to_look_at() -> None:
    assert wrong_share([]).code == wrong_share([Stratum("standing", 0, 0, 0)]).code == "no_usable"


def test_a_state_that_was_not_looked_at_is_taken_as_unknown() -> None:
    found = wrong_share([Stratum("standing", 900, 45, 0), Stratum("upheld", 100, 0, 0)])
    assert (found.code, found.estimate) == ("part_not_looked", 0.0)
    assert found.high == pytest.approx(0.9 * proportion_confint(0, 45, alpha=0.025, method="beta")[1] + 0.1)


@pytest.mark.parametrize(
    "stratum", [Stratum("standing", 10, 20, 1), Stratum("standing", 10, 5, 6), Stratum("standing", 10, 5, -1)]
)
def test_counts_that_do_not_nest_are_refused(stratum: Stratum) -> None:
    with pytest.raises(ValueError, match="part of the next"):
        wrong_share([stratum])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 400), st.integers(0, 60), st.integers(0, 60)), max_size=4))
def test_an_interval_always_holds_its_estimate(rows) -> None:
    strata = [Stratum(str(at), u + l + w, l + w, w) for at, (u, l, w) in enumerate(rows)]  # noqa: E741
    found = wrong_share(strata)
    assert 0.0 <= found.low <= found.high <= 1.0
    if found.code == "estimated":
        assert found.low - 1e-9 <= found.estimate <= found.high + 1e-9
