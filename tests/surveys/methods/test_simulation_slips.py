"""Every slip that the simulator plants is the one that it names, and its truth is kept."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from surveys.methods.simulation_slips import SLIPS
from surveys.vocabulary import QueryReason
from tests.surveys.methods.merrow import merrow_season, merrow_world, read

#: The kinds of slip that the simulator promises, written out by hand.
KINDS = {
    "ten_times", "doubled_digit", "row_slip", "look_alikes", "date_off_by_days", "twelve_hours_off",
    "day_month_swapped", "lost_trap_zeros", "liquid_words", "traps_pooled", "copied_from_earlier", "same_as_sibling",
    "impossible_count", "only_exciting", "sent_twice",
}  # fmt: skip


@pytest.fixture(scope="module")
def world():
    return merrow_world()


@pytest.fixture(scope="module")
def season():
    return merrow_season()


def counts(answers):
    return np.array([answer.low or 0 for answer in answers])


def with_slip(season, kind):
    found = [one for one in season.returns if one.slip == kind]
    assert found, f"no return with the slip {kind}"
    return found


def test_about_one_return_in_twenty_has_a_slip_and_one_in_a_hundred_is_an_honest_extreme(season):
    # Methods page, section 5: errors in 5 % of returns, plus honest extremes.
    total = len(season.returns)
    assert 0.04 < sum(one.slip is not None for one in season.returns) / total < 0.06
    assert 0.005 < sum(one.extreme for one in season.returns) / total < 0.015


def test_every_kind_of_slip_is_there_and_none_outnumbers_the_others(season):
    kinds = Counter(one.slip for one in season.returns if one.slip)
    assert set(kinds) == KINDS == set(SLIPS)
    assert max(kinds.values()) - min(kinds.values()) <= 2


def test_slips_are_named_as_screening_names_its_reasons():
    without_a_reason_of_their_own = {"doubled_digit", "only_exciting"}
    assert KINDS - without_a_reason_of_their_own <= set(QueryReason.values())


def test_without_slips_everything_sent_is_the_truth(season):
    assert all(one.answers == one.true_answers for one in season.returns if one.slip is None)


@pytest.mark.parametrize(("kind", "times"), [("ten_times", 10), ("doubled_digit", 11)])
def test_a_slip_in_a_number_multiplies_one_count(season, kind, times):
    for one in with_slip(season, kind):
        changed = [(a.low, b.low) for a, b in zip(one.true_answers, one.answers, strict=True) if a != b]
        assert len(changed) == 1
        assert changed[0][1] == times * changed[0][0]


def test_an_impossible_count_is_above_the_ceiling_of_its_group(world, season):
    for one in with_slip(season, "impossible_count"):
        assert np.any(counts(one.answers) > np.array(world.ceilings))
        assert not np.any(counts(one.true_answers) > np.array(world.ceilings))


def test_a_row_slip_moves_every_count_one_row_down(season):
    for one in with_slip(season, "row_slip"):
        assert np.array_equal(counts(one.answers), np.roll(counts(one.true_answers), 1))


def test_look_alikes_trade_their_counts(season):
    listed = {row["code"]: row["look_alikes"] for row in read("reference/groups.json")}
    for one in with_slip(season, "look_alikes"):
        changed = [(a, b) for a, b in zip(one.true_answers, one.answers, strict=True) if a != b]
        (first, first_sent), (second, second_sent) = changed
        assert second.group in listed[first.group] or first.group in listed[second.group]
        assert (first_sent.low, second_sent.low) == (second.low, first.low)


def test_date_slips_break_the_length_of_the_night(season):
    for one in with_slip(season, "date_off_by_days"):
        hours = (one.emptied_at - one.set_at) / timedelta(hours=1)
        assert min(abs(hours - 24 * days) for days in (0, 2, 3)) <= 9  # some came home late
    for one in with_slip(season, "twelve_hours_off"):
        assert (one.emptied_at - one.set_at) > timedelta(hours=32)
    for one in with_slip(season, "day_month_swapped"):
        back = one.set_at.replace(day=one.set_at.month, month=one.set_at.day)
        assert timedelta(hours=20) <= one.emptied_at - back <= timedelta(hours=34)


def test_a_lost_trap_is_sent_as_zeros(season):
    for one in with_slip(season, "lost_trap_zeros"):
        assert dict(one.fields)["trap_state"] in ("dug_up", "moved")
        assert not counts(one.answers).any()


def test_liquid_is_named_in_the_note_alone(season):
    words = ("washing-up", "beer", "soap", "antifreeze")
    for one in with_slip(season, "liquid_words"):
        assert any(word in one.note for word in words)
    assert all(not one.note for one in season.returns if one.slip is None)


def test_pooled_traps_hold_the_catch_of_the_whole_night(world, season):
    honest = {(one.garden, one.trap, one.set_at): one.true_answers for one in season.returns}
    for one in with_slip(season, "traps_pooled"):
        start = one.set_at - one.trap * timedelta(minutes=5)
        traps = range(1, len(season.gardens[one.garden].habitats) + 1)
        night = [honest.get((one.garden, trap, start + trap * timedelta(minutes=5))) for trap in traps]
        if None in night:  # a sibling's own slip moved its date
            continue
        sums = np.minimum(sum(counts(answers) for answers in night), np.array(world.ceilings) - 1)
        assert np.array_equal(counts(one.answers), sums)


def test_copies_repeat_an_earlier_night_or_a_sibling(season):
    for kind, same_trap in (("copied_from_earlier", True), ("same_as_sibling", False)):
        for one in with_slip(season, kind):
            sources = [
                other
                for other in season.returns
                if other.garden == one.garden and other is not one and (other.trap == one.trap) is same_trap
            ]
            assert any(other.true_answers == one.answers for other in sources)


def test_only_exciting_animals_leaves_the_small_ones_at_none(season):
    small_groups = {"springtails", "mites", "flies", "ants"}
    for one in with_slip(season, "only_exciting"):
        kept = [(a, b) for a, b in zip(one.true_answers, one.answers, strict=True) if a.group not in small_groups]
        assert all(a == b for a, b in kept)
        assert all(answer.low == 0 for answer in one.answers if answer.group in small_groups)


def test_a_return_sent_twice_follows_its_first_under_a_new_id(season):
    for place, one in enumerate(season.returns):
        if one.slip == "sent_twice":
            first = season.returns[place - 1]
            assert replace(one, uuid=first.uuid, slip=None) == first
