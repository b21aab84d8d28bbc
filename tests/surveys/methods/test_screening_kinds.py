"""Kinds of slip that need more than one number: turned digits, lumped look-alikes, sums, small animals never seen.

Means and counts are made up; what is expected follows from the slip that was planted.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from surveys.methods.records import Answer
from surveys.methods.screening import ScreeningCase, screen_reports
from surveys.methods.screening_chances import log_heaped
from surveys.methods.screening_night import choose_pool_sizes
from surveys.methods.screening_numbers import readings_of
from surveys.methods.screening_records import LOOK_ALIKES, PriorRates
from surveys.vocabulary import AnswerKind, QueryReason
from tests.surveys.methods.merrow import read
from tests.surveys.methods.test_screening import (
    CATCH,
    CLEAN,
    EARLIER,
    GROUPS,
    LIST,
    OTHER,
    PLANTED,
    REGION,
    SETTINGS,
    USUAL,
    answers_of,
    neighbour,
    screen,
)  # fmt: skip


def one(report=CLEAN, *, counts=None, **changes):
    """Screen one return as a case."""
    if counts is not None:
        report = replace(report, answers=answers_of({**CATCH, **counts}))
    case = replace(ScreeningCase(report, (), USUAL, REGION, 1.0), **changes)
    return screen_reports([case], settings=SETTINGS)[0]


def reasons(screening):
    return [suspicion.reason for suspicion in screening.suspicions]


# By hand: what may have been meant by each number.
@pytest.mark.parametrize(
    ("sent", "meant"),
    [
        (30, {3}), (33, {3}), (400, {40, 4}), (112, {12}), (1212, {12, 1122}), (21, {12}), (313, {133}),
        (100, {10, 1}), (17, set()), (110, {11, 10}), (101, set()),
    ],
)  # fmt: skip
def test_every_reading_of_a_number_is_thought_of(sent, meant):
    found = {low for low, high, _ in readings_of(float(sent), float(sent), PriorRates()) if low == high}
    assert found == meant


def test_a_class_may_have_a_zero_too_many():
    # By hand: 32 to 63 is ten times 4 to 6; nothing of a class is a digit typed twice.
    assert [reading[:2] for reading in readings_of(32.0, 63.0, PriorRates())] == [(4.0, 6.0)]
    assert [reading[:2] for reading in readings_of(128.0, np.inf, PriorRates())] == [(13.0, 128.0), (2.0, 12.0)]


def test_two_digits_that_changed_places_are_named():
    usual = tuple(replace(row, mean=14.0, size=8.0) if row.group == "snails" else row for row in USUAL)
    found = screen(counts={"snails": 91}, usual=usual)
    assert found.suspicions[0].reason == QueryReason.TEN_TIMES
    assert found.suspicions[0].evidence["alternative"] == {"group": "snails", "count": 19}


def test_honest_people_round_large_numbers_and_that_alone_is_no_slip():
    # By arithmetic: over any ten the factors have the mean one.
    ten = np.arange(120.0, 130.0)
    assert np.exp(log_heaped(ten, ten)).mean() == pytest.approx(1.0)
    assert log_heaped(np.array([30.0, 64.0]), np.array([30.0, 127.0])).tolist() == [0.0, 0.0]
    found = screen(counts={"ants": 250})
    assert (found.rank, found.certain) == (0.0, False)


def test_a_group_written_under_its_look_alike_is_named():
    usual = tuple(replace(row, mean=9.0, size=3.0) if row.group == "rove_beetles" else row for row in USUAL)
    found = screen(counts={"earwigs": 16, "rove_beetles": 0}, usual=usual)
    assert found.suspicions[0].reason == QueryReason.LOOK_ALIKES
    assert found.suspicions[0].evidence["alternative"].keys() & {"lumped", "swapped"}


def test_look_alikes_are_groups_of_the_fixtures_and_each_pair_is_listed_once():
    known = {row["code"] for row in read("reference/groups.json")}
    assert {name for a, b, _ in LOOK_ALIKES for name in (a, b)} <= known
    assert len({frozenset(pair[:2]) for pair in LOOK_ALIKES}) == len(LOOK_ALIKES)
    assert all(0.0 < weight <= 1.0 for _, _, weight in LOOK_ALIKES)


A = {**CATCH, "woodlice": 3, "springtails": 17, "ants": 5, "slugs": 2, "snails": 1}
B = {**CATCH, "woodlice": 8, "springtails": 22, "ants": 11, "slugs": 0, "millipedes": 1}
SUM = {group: CATCH[group] + A[group] + B[group] for group in GROUPS}


def test_a_list_that_is_the_sum_of_its_siblings_and_itself_is_named_whenever_they_came():
    siblings = neighbour(A), neighbour(B)
    report = replace(CLEAN, traps_open=3, answers=answers_of(SUM))
    for found in (
        one(report, neighbours=siblings),
        one(report, later=siblings),
        one(report, neighbours=siblings[:1], later=siblings[1:]),
    ):
        assert reasons(found)[0] == QueryReason.TRAPS_POOLED
        assert found.suspicions[0].evidence["alternative"]["traps"] == 3


def test_a_rich_night_that_is_no_sum_is_not_taken_for_one():
    rich = {group: 2 * CATCH[group] for group in GROUPS}
    report = replace(CLEAN, traps_open=3, answers=answers_of(rich))
    siblings = neighbour({**A, "earthworms": 9, "flies": 7}), neighbour({**B, "earwigs": 11, "mites": 44})
    assert QueryReason.TRAPS_POOLED not in reasons(one(report, neighbours=siblings))


def test_a_later_sibling_is_never_the_first_of_two_equal_lists():
    assert QueryReason.SAME_AS_SIBLING in reasons(one(neighbours=(neighbour(CATCH),)))
    assert QueryReason.SAME_AS_SIBLING not in reasons(one(later=(neighbour(CATCH),)))


def test_the_counts_of_another_household_are_named_and_are_no_sibling():
    found = one(strangers=(neighbour(CATCH, same_trap=False),))
    assert reasons(found)[0] == QueryReason.SAME_ELSEWHERE
    assert "another household" in found.suspicions[0].sentence
    assert not reasons(one(strangers=(neighbour({**CATCH, "woodlice": 2, "springtails": 4, "ants": 1, "mites": 3}),)))


NONE_SMALL = {"springtails": 0, "mites": 0, "flies": 0}


def small_history(nights):
    """The site's gamma after nights without any of the small groups (rate grows, shape does not)."""
    return tuple(replace(u, site_shape=1.25, site_rate=1.25 + nights) if u.group in NONE_SMALL else u for u in USUAL)


def test_small_animals_never_seen_at_a_site_are_asked_about_in_time():
    earlier = tuple(neighbour({**OTHER, **NONE_SMALL}, same_trap=True, **EARLIER) for _ in range(5))
    first = one(counts=NONE_SMALL, usual=tuple(replace(u, site_shape=1.25, site_rate=1.25) for u in USUAL))
    sixth = one(counts=NONE_SMALL, neighbours=earlier, usual=small_history(5))
    assert QueryReason.SMALL_MISSED in reasons(sixth)
    assert sixth.probability > 0.5
    assert sixth.probability > first.probability
    evidence = next(s for s in sixth.suspicions if s.reason == QueryReason.SMALL_MISSED).evidence
    assert set(evidence["alternative"]["not_looked_for"]) == set(NONE_SMALL)


def test_a_site_that_had_springtails_before_is_hardly_asked():
    earlier = tuple(neighbour({**OTHER, "mites": 0, "flies": 0}, same_trap=True, **EARLIER) for _ in range(5))
    usual = tuple(replace(u, site_shape=1.25, site_rate=1.25) for u in USUAL)
    assert one(counts=NONE_SMALL, neighbours=earlier, usual=usual).probability < 0.5
    assert QueryReason.SMALL_MISSED not in reasons(one(counts={**NONE_SMALL, "mites": 3}, usual=small_history(5)))


def test_small_groups_that_were_honestly_not_looked_for_are_no_slip():
    kinds = tuple(
        Answer(a.group, AnswerKind.DID_NOT_LOOK, None, None) if a.group in NONE_SMALL else a for a in CLEAN.answers
    )
    assert QueryReason.SMALL_MISSED not in reasons(one(replace(CLEAN, answers=kinds), usual=small_history(5)))


def test_a_comma_that_slipped_is_offered():
    found = screen(latitude=5.15)
    assert reasons(found)[0] == QueryReason.PLACE_MINUTES
    assert found.suspicions[0].evidence["alternative"] == {"longitude": -18.0, "latitude": 51.5}


def test_one_number_alone_may_be_degrees_and_minutes():
    # 18 degrees 50 minutes east-west would lie outside (18.83); read so, 17.20 west is 17.33, outside, and 17.40 is
    # 17.667: inside. 17.40 itself is outside of 17.5.
    found = screen(longitude=-17.40)
    assert found.suspicions[0].evidence["alternative"]["longitude"] == pytest.approx(-17.6667, abs=1e-4)


def test_a_place_that_was_left_out_is_said_in_words():
    found = screen(latitude=0.0, longitude=0.0)
    assert reasons(found)[0] == QueryReason.PLACE_OUTSIDE
    assert "zero" in found.suspicions[0].sentence


@pytest.mark.parametrize("note", ["about 50 ants", "loads of them", "too many to count", "we guessed the woodlice"])
def test_words_of_a_guess_are_mentioned_and_hold_nothing(note):
    found = screen(note=note)
    assert reasons(found) == [QueryReason.ROUND_NUMBERS]
    assert not found.holds
    assert found.rank == 0.0


def test_plants_alone_hold_nothing_but_make_another_habitat_likelier():
    fits = {"compost_edge": np.where(np.isin(GROUPS, ("woodlice", "slugs", "springtails")), 3.0, 1.0)}
    counts = {"woodlice": 17, "slugs": 9, "springtails": 130}
    lawn = replace(CLEAN, habitat="short_lawn")
    odd = replace(lawn, ground_cover="bare")
    assert not one(odd).holds
    plain, contradicted = (one(report, counts=counts, elsewhere=fits).probability for report in (lawn, odd))
    assert contradicted > 2.0 * plain


EVERY_KIND = {
    **{name: screen(**changes) for name, (changes, _) in PLANTED.items()},
    "lumped": screen(
        counts={"earwigs": 16, "rove_beetles": 0},
        usual=tuple(replace(row, mean=9.0, size=3.0) if row.group == "rove_beetles" else row for row in USUAL),
    ),
    "sum": one(replace(CLEAN, traps_open=3, answers=answers_of(SUM)), neighbours=(neighbour(A), neighbour(B))),
    "elsewhere": one(strangers=(neighbour(CATCH),)),
    "small": one(counts=NONE_SMALL, usual=small_history(5)),
    "comma": screen(latitude=5.15),
    "guess": screen(note="about 50 ants"),
    "plants": one(replace(CLEAN, habitat="short_lawn", ground_cover="bare")),
    "welfare": screen(note="there was a shrew in the cup"),
    "many": screen(counts={"ground_beetles": 47}),
    "round": screen(counts={"woodlice": 10, "millipedes": 10, "mites": 20, "springtails": 30, "ants": 15, "slugs": 10,
                            "earwigs": 10, "snails": 10}),
    "habitat": one(
        counts={"woodlice": 40, "slugs": 25, "springtails": 400, "snails": 14, "spiders": 0},
        elsewhere={"compost_edge": np.where(np.isin(GROUPS, ("woodlice", "slugs", "springtails", "snails")), 9.0, 0.3)},
    ),
}  # fmt: skip
HARSH = re.compile(
    r"\b(error|mistake|invalid|impossible|wrongly|false|fake|cheat\w*|fraud|must|fail\w*|bad|please)\b", re.I
)


def test_every_reason_that_counts_or_reports_can_give_is_given_here():
    elsewhere = {QueryReason.SAFETY, QueryReason.PROTOCOL_HOLD, QueryReason.NOT_SCREENED, QueryReason.SECOND_LOOK}
    given = {suspicion.reason for screening in EVERY_KIND.values() for suspicion in screening.suspicions}
    assert set(QueryReason) - elsewhere == given


@pytest.mark.parametrize("kind", EVERY_KIND)
def test_what_is_said_is_plain_for_the_desk_and_kind_to_the_sender(kind):
    for suspicion in EVERY_KIND[kind].suspicions:
        assert suspicion.sentence != suspicion.gentle_sentence
        assert suspicion.evidence
        assert not HARSH.search(suspicion.gentle_sentence), suspicion.gentle_sentence
        assert re.search(r"\byou\b|\byour\b", suspicion.gentle_sentence, re.I)
        for sentence in (suspicion.sentence, suspicion.gentle_sentence):
            assert sentence[0] in '"0123456789' or sentence[0].isupper()
            assert sentence.endswith((".", "?", "!"))
            assert "_" not in sentence


def test_the_lists_of_this_page_are_those_of_the_form():
    assert tuple(LIST) == GROUPS == REGION.groups


def test_how_many_traps_a_site_has_is_read_from_its_earlier_nights():
    night = tuple(neighbour(OTHER, same_trap=n == 0, same_night=False, hours_apart=336.0 + n / 10) for n in range(3))
    other = (neighbour(OTHER, same_trap=True, same_night=False, hours_apart=72.0),)
    case = ScreeningCase(CLEAN, night + other, USUAL, REGION, 1.0)
    # By hand: three traps one night, so two are missing now: two or three may be in one return, thrice as likely.
    assert choose_pool_sizes(case, SETTINGS) == ((2, 3), pytest.approx(3.0 * SETTINGS.priors.traps_pooled))
    all_came = replace(case, later=(neighbour(A), neighbour(B)))
    assert choose_pool_sizes(all_came, SETTINGS) == ((), 0.0)
    assert choose_pool_sizes(replace(case, neighbours=()), SETTINGS)[0] == (2, 3, 4)
