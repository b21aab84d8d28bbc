"""The queue: urgent first, then what is certain, then by rank, and no more than the budget."""

from __future__ import annotations

import numpy as np
import pytest

from surveys.methods.screening import choose_for_review, hold_threshold

RANKS = np.array([0.1, 0.9, 0.0, 0.4, 0.6, 0.2, 0.0, 0.3, 0.8, 0.5])
NOBODY = np.zeros(10, dtype=bool)


def only(*places):
    marked = NOBODY.copy()
    marked[list(places)] = True
    return marked


# Every expected value here is arithmetic by hand on RANKS.
def test_the_highest_ranks_fill_the_budget():
    assert choose_for_review(RANKS, NOBODY, NOBODY, 0.3).tolist() == [1, 8, 4]


def test_a_strong_plain_reason_goes_before_a_higher_rank():
    assert choose_for_review(RANKS, NOBODY, only(0, 5), 0.3).tolist() == [5, 0, 1]


def test_urgent_ones_come_first_and_are_never_cut():
    assert choose_for_review(RANKS, only(2, 6, 7), NOBODY, 0.1).tolist() == [7, 2, 6]
    assert choose_for_review(RANKS, only(2), only(0), 0.3).tolist() == [2, 0, 1]


def test_a_rank_of_nothing_is_never_chosen():
    assert 2 not in choose_for_review(RANKS, NOBODY, NOBODY, 1.0)
    assert len(choose_for_review(RANKS, NOBODY, NOBODY, 1.0)) == 8


def test_an_empty_season_has_no_queue():
    empty = np.array([])
    assert choose_for_review(empty, empty.astype(bool), empty.astype(bool), 0.05).tolist() == []
    assert hold_threshold(empty, 0.05) == np.inf


@pytest.mark.parametrize(("share", "threshold"), [(0.1, 0.9), (0.3, 0.6), (0.5, 0.4), (1.0, 0.0), (0.0, np.inf)])
def test_the_threshold_lets_the_budget_through(share, threshold):
    assert hold_threshold(RANKS, share) == threshold


def test_a_tie_at_the_cut_stays_within_the_budget():
    tied = np.array([0.9, 0.5, 0.5, 0.5, 0.1])
    assert hold_threshold(tied, 0.4) == 0.9
    assert np.sum(np.full(4, 0.5) >= hold_threshold(np.full(4, 0.5), 0.5)) == 0


@pytest.mark.parametrize("share", [-0.1, 1.1])
def test_a_budget_is_a_share(share):
    with pytest.raises(ValueError, match="share from 0 to 1"):
        hold_threshold(RANKS, share)
    with pytest.raises(ValueError, match="share from 0 to 1"):
        choose_for_review(RANKS, NOBODY, NOBODY, share)
