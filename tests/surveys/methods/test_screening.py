"""Each slip planted alone is named first; a clean return is left alone; hard answers do no harm."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from surveys.methods.records import Answer, Neighbour, Report, Usual
from surveys.methods.screening import RegionFrame, ScreeningSettings, screen_report
from surveys.vocabulary import AnswerKind, QueryKind, QueryReason

SETTINGS = ScreeningSettings()
# Group: mean per trap-night (made up), a catch near it, ceiling (made up).
LIST = {
    "woodlice": (5.0, 6, 500), "millipedes": (2.0, 3, 300), "centipedes": (0.3, 0, 60), "spiders": (1.5, 2, 150),
    "harvestmen": (0.6, 0, 120), "mites": (12.0, 9, 5000), "springtails": (40.0, 31, 5000), "earwigs": (2.0, 4, 200),
    "flat_bugs": (0.2, 0, 100), "ants": (20.0, 14, 5000), "ground_beetles": (2.0, 2, 150),
    "rove_beetles": (0.5, 0, 150), "other_beetles": (1.0, 1, 150), "caterpillars": (0.1, 0, 60), "flies": (2.0, 1, 300),
    "snails": (1.0, 2, 150), "slugs": (2.0, 3, 150), "earthworms": (0.5, 1, 100), "land_flatworms": (0.03, 0, 30),
}  # fmt: skip
GROUPS = tuple(LIST)
CATCH = {group: row[1] for group, row in LIST.items()}
# A site with a history: its factor is one, known to about 20 % (shape 25).
USUAL = tuple(Usual(group, mean, 1.5, ceiling, 25.0, 25.0) for group, (mean, _, ceiling) in LIST.items())
MANY_EARWIGS = tuple(replace(one, mean=12.0) if one.group == "earwigs" else one for one in USUAL)
# The Merrow Isles: about 51.5 N, 18 W (brief).
RING = np.array([[-18.5, 51.0], [-17.5, 51.0], [-17.5, 52.0], [-18.5, 52.0]])
REGION = RegionFrame(GROUPS, np.array([row[0] * 120.0 for row in LIST.values()]), 120.0, (RING,))
SET_AT = datetime(2026, 6, 5, 18, 0, tzinfo=UTC)


def answers_of(counts):
    return tuple(Answer(group, AnswerKind.NUMBER if n else AnswerKind.NONE_SEEN, n, n) for group, n in counts.items())


CLEAN = Report(
    set_at=SET_AT, emptied_at=SET_AT + timedelta(hours=24.5), sent_at=SET_AT + timedelta(hours=26),
    season_opens=datetime(2026, 5, 1, tzinfo=UTC), season_closes=datetime(2026, 9, 30, tzinfo=UTC),
    latitude=51.5, longitude=-18.0, trap_state="intact", answers=answers_of(CATCH),
    note="A dry night. No liquid in the cup; we washed our hands with soap.",
)  # fmt: skip


def screen(report=CLEAN, *, neighbours=(), counts=None, usual=USUAL, region=REGION, **changes):
    if counts is not None:
        changes["answers"] = answers_of({**CATCH, **counts})
    return screen_report(
        replace(report, **changes), neighbours=neighbours, usual=usual, region=region, settings=SETTINGS,
        trap_nights=1.0,
    )  # fmt: skip


def neighbour(counts, *, same_trap=False, same_night=True, hours_apart=0.0):
    return Neighbour("that-one", same_trap, same_night, hours_apart, answers_of(counts))


OTHER = {**CATCH, "woodlice": 2, "earwigs": 1, "snails": 0, "mites": 17, "springtails": 12, "ants": 33}
EARLIER = {"same_night": False, "hours_apart": 24.0 * 14}
FORMED = {"woodlice": 18, "millipedes": 8, "spiders": 7, "mites": 39, "springtails": 140, "earwigs": 9, "ants": 71}
POOLED = {**FORMED, "ground_beetles": 8, "other_beetles": 4, "flies": 8, "snails": 5, "slugs": 9, "earthworms": 2}
SLIPPED = dict(zip(GROUPS, [0, *list(CATCH.values())[:-1]], strict=True))
FROM_MITES = {**CATCH, **dict(zip(GROUPS[5:], [0, *list(CATCH.values())[5:-1]], strict=True))}


def test_a_clean_return_raises_nothing():
    screening = screen()
    assert screening.suspicions == ()
    assert (screening.holds, screening.urgent, screening.certain) == (False, False, False)
    assert screening.probability < 0.05


PLANTED = {
    "ten times too high": ({"counts": {"ground_beetles": 30}}, QueryReason.TEN_TIMES),
    "a doubled digit": ({"counts": {"earwigs": 33}}, QueryReason.TEN_TIMES),
    "a number written twice": ({"counts": {"woodlice": 1212}}, QueryReason.TEN_TIMES),
    "swapped": ({"counts": {"earwigs": 0, "rove_beetles": 12}, "usual": MANY_EARWIGS}, QueryReason.LOOK_ALIKES),
    "all one row down": ({"answers": answers_of(SLIPPED)}, QueryReason.ROW_SLIP),
    "one row down from the mites": ({"answers": answers_of(FROM_MITES)}, QueryReason.ROW_SLIP),
    "traps pooled": ({"counts": POOLED, "traps_open": 4}, QueryReason.TRAPS_POOLED),
    "more than a cup holds": ({"counts": {"slugs": 367}}, QueryReason.IMPOSSIBLE_COUNT),
    "more than 500 in all": ({"counts": {"woodlice": 403, "earwigs": 112}}, QueryReason.IMPOSSIBLE_COUNT),
    "two nights": ({"emptied_at": SET_AT + timedelta(hours=48.5)}, QueryReason.DATE_OFF_BY_DAYS),
    "no time at all": ({"emptied_at": SET_AT + timedelta(hours=0.5)}, QueryReason.DATE_OFF_BY_DAYS),
    "emptied before it was set": ({"emptied_at": SET_AT - timedelta(hours=24)}, QueryReason.DATE_OFF_BY_DAYS),
    "a day off, and still to come": (
        {"emptied_at": SET_AT + timedelta(hours=48), "sent_at": SET_AT + timedelta(hours=25)},
        QueryReason.DATE_OFF_BY_DAYS,
    ),
    "twelve hours off": ({"emptied_at": SET_AT + timedelta(hours=12.5)}, QueryReason.TWELVE_HOURS_OFF),
    "thirty-six hours": (
        {"emptied_at": SET_AT + timedelta(hours=36), "sent_at": SET_AT + timedelta(hours=40)},
        QueryReason.TWELVE_HOURS_OFF,
    ),
    "thirty-six hours, to come": ({"emptied_at": SET_AT + timedelta(hours=36)}, QueryReason.TWELVE_HOURS_OFF),
    "day and month swapped": ({"set_at": SET_AT.replace(day=6, month=5)}, QueryReason.DAY_MONTH_SWAPPED),
    "day and month swapped in both": (
        {
            "set_at": datetime(2026, 1, 8, 18, 0, tzinfo=UTC),
            "emptied_at": datetime(2026, 2, 8, 18, 0, tzinfo=UTC),
            "sent_at": datetime(2026, 8, 2, 20, 0, tzinfo=UTC),
        },
        QueryReason.DAY_MONTH_SWAPPED,
    ),
    "last year": (
        {"set_at": SET_AT.replace(year=2025), "emptied_at": CLEAN.emptied_at.replace(year=2025)},
        QueryReason.DATE_OFF_BY_DAYS,
    ),
    "still to come": ({"sent_at": SET_AT + timedelta(hours=10)}, QueryReason.IN_THE_FUTURE),
    "a sign lost": ({"longitude": 18.0}, QueryReason.PLACE_SIGNS),
    "coordinates swapped": ({"latitude": -18.0, "longitude": 51.5}, QueryReason.PLACE_SIGNS),
    "swapped and unsigned": ({"latitude": 18.0, "longitude": 51.5}, QueryReason.PLACE_SIGNS),
    "in another place": ({"latitude": 50.0, "longitude": -16.0}, QueryReason.PLACE_OUTSIDE),
    "sent twice": ({"neighbours": (neighbour(CATCH, same_trap=True),)}, QueryReason.SENT_TWICE),
    "sent with a change": (
        {"neighbours": (neighbour({**CATCH, "snails": 3}, same_trap=True),)},
        QueryReason.SENT_TWICE,
    ),
    "the same as a sibling": ({"neighbours": (neighbour(CATCH),)}, QueryReason.SAME_AS_SIBLING),
    "copied from an earlier night": (
        {"neighbours": (neighbour(OTHER), neighbour(CATCH, same_trap=True, **EARLIER))},
        QueryReason.COPIED_FROM_EARLIER,
    ),
    "a flooded trap entered as empty": (
        {"answers": answers_of(dict.fromkeys(GROUPS, 0)), "trap_state": "water_in"},
        QueryReason.LOST_TRAP_ZEROS,
    ),
    "liquid in the note": ({"note": "We put some beer in, to help."}, QueryReason.LIQUID_WORDS),
}


@pytest.mark.parametrize("slip", PLANTED)
def test_a_slip_planted_alone_is_named_first(slip):
    changes, reason = PLANTED[slip]
    screening = screen(**changes)
    assert screening.suspicions, slip
    assert screening.suspicions[0].reason == reason, screening.suspicions
    assert screening.rank > 0.0


@pytest.mark.parametrize("slip", PLANTED)
def test_suspicions_can_be_stored_and_drawn(slip):
    suspicions = screen(**PLANTED[slip][0]).suspicions
    assert len({one.reason for one in suspicions}) == len(suspicions)
    assert [one.probability for one in suspicions] == sorted((one.probability for one in suspicions), reverse=True)
    for one in suspicions:
        json.dumps(one.evidence, allow_nan=False)
        assert 0.0 < one.probability < 1.0
        assert 20 < len(one.sentence) <= 600
        assert 20 < len(one.gentle_sentence) <= 600
        assert "please" not in one.gentle_sentence.lower()


def test_offers_carry_the_other_reading_and_change_nothing():
    evidence = screen(longitude=18.0).suspicions[0].evidence
    assert evidence["sent"] == {"longitude": 18.0, "latitude": 51.5}
    assert evidence["alternative"] == {"longitude": -18.0, "latitude": 51.5}
    assert screen(counts={"earwigs": 33}).suspicions[0].evidence["alternative"] == {"group": "earwigs", "count": 3}
    dates = screen(set_at=SET_AT.replace(day=6, month=5)).suspicions[0].evidence
    assert dates["alternative"]["set_at"] == SET_AT.isoformat()


def test_an_honest_extreme_is_listed_but_does_not_wait():
    # 47 ground beetles: no round number, no double digit, no look-alike.
    screening = screen(counts={"ground_beetles": 47})
    assert not screening.holds
    assert screening.probability < 0.35
    assert screening.rank == 0.0


def test_a_rank_is_probability_times_damage():
    screening = screen(counts={"ground_beetles": 30})
    assert screening.rank == pytest.approx(screening.probability * screening.damage)


def test_a_number_that_its_siblings_share_is_less_suspicious():
    lone = screen(counts={"ground_beetles": 30}, neighbours=(neighbour(OTHER),))
    shared = screen(counts={"ground_beetles": 30}, neighbours=(neighbour({**OTHER, "ground_beetles": 17}),))
    assert shared.probability < lone.probability


def test_a_site_with_a_rich_history_is_not_asked_about_its_own_usual_night():
    rich = tuple(replace(one, site_shape=125.0) if one.group == "earwigs" else one for one in USUAL)  # five times
    assert screen(counts={"earwigs": 20}, usual=rich).probability < 0.1
    assert screen(counts={"earwigs": 20}).probability > screen(counts={"earwigs": 20}, usual=rich).probability


def test_effort_is_part_of_what_is_expected():
    report = replace(CLEAN, answers=answers_of({**CATCH, "ground_beetles": 20}), traps_pooled=4)
    probabilities = [
        screen_report(
            report, neighbours=(), usual=USUAL, region=REGION, settings=SETTINGS, trap_nights=nights
        ).probability
        for nights in (1.0, 4.0)
    ]
    assert probabilities[1] < probabilities[0]


def test_an_honest_word_that_traps_were_pooled_is_no_slip():
    reasons = {one.reason for one in screen(counts=POOLED, traps_pooled=3).suspicions}
    assert QueryReason.TRAPS_POOLED not in reasons


def test_pooling_is_out_of_the_question_when_every_sibling_has_come():
    siblings = tuple(neighbour(OTHER) for _ in range(3))
    reasons = {one.reason for one in screen(counts=POOLED, traps_open=4, neighbours=siblings).suspicions}
    assert QueryReason.TRAPS_POOLED not in reasons


def test_a_trivial_list_equal_to_a_siblings_says_nothing():
    few = {**dict.fromkeys(GROUPS, 0), "woodlice": 1, "slugs": 1}
    reasons = {one.reason for one in screen(answers=answers_of(few), neighbours=(neighbour(few),)).suspicions}
    assert QueryReason.SAME_AS_SIBLING not in reasons


def test_an_empty_night_of_an_intact_trap_may_be_true():
    screening = screen(answers=answers_of(dict.fromkeys(GROUPS, 0)), usual=tuple(
        replace(one, mean=one.mean / 20.0) for one in USUAL
    ))  # fmt: skip
    assert not screening.holds


def test_a_lost_trap_entered_as_empty_speaks_of_its_state():
    first = screen(**PLANTED["a flooded trap entered as empty"][0]).suspicions[0]
    assert first.kind == QueryKind.DETERMINISTIC
    assert "water" in first.sentence


def test_one_zero_group_in_a_lost_trap_is_not_an_empty_list():
    assert QueryReason.LOST_TRAP_ZEROS not in {one.reason for one in screen(trap_state="water_in").suspicions}


@pytest.mark.parametrize("kind", [AnswerKind.DID_NOT_LOOK, AnswerKind.COULD_NOT_TELL])
def test_answers_without_a_count_say_nothing(kind):
    unknown = tuple(Answer(group, kind, None, None) for group in GROUPS)
    screening = screen(answers=unknown, trap_state="water_in")
    assert screening.suspicions == ()
    assert screening.rank == 0.0 or screening.probability < 0.01


def test_classes_are_read_as_ranges():
    usual_class = {"springtails": Answer("springtails", AnswerKind.CLASS, 32, 63)}
    open_class = {"land_flatworms": Answer("land_flatworms", AnswerKind.CLASS, 128, None)}
    plain = {answer.group: answer for answer in CLEAN.answers}
    assert not screen(answers=tuple({**plain, **usual_class}.values())).suspicions
    wild = screen(answers=tuple({**plain, **open_class}.values()))
    assert wild.suspicions
    assert "128 or more" in " ".join(one.sentence for one in wild.suspicions) or wild.certain
    json.dumps([one.evidence for one in wild.suspicions], allow_nan=False)


def test_without_anything_usual_the_plain_checks_still_work():
    screening = screen(usual=(), note="with antifreeze", longitude=18.0)
    assert {one.reason for one in screening.suspicions} == {QueryReason.LIQUID_WORDS, QueryReason.PLACE_SIGNS}
    assert screening.urgent
    assert screening.rank > 0.0


def test_without_an_outline_the_place_is_not_judged():
    assert screen(latitude=0.0, longitude=0.0, region=replace(REGION, rings=())).suspicions == ()


def test_safety_and_welfare_are_urgent_and_nothing_else_is():
    assert screen(note="there was a shrew in the cup").urgent
    assert screen(note="a drop of washing-up liquid").urgent
    assert not screen(counts={"ground_beetles": 30}).urgent


def test_damage_is_the_share_of_the_cells_expected_total():
    # By hand: woodlice 60 for 6 moves 54 of 600; flatworms 10 for 1 moves 9 of max(3.6, 10).
    rare = screen(counts={"land_flatworms": 10}).damage
    common = screen(counts={"woodlice": 60}).damage
    assert rare == pytest.approx(0.9, rel=0.15)
    assert common == pytest.approx(0.09, rel=0.25)


def test_the_kinds_of_query_follow_the_methods_page():
    assert screen(counts={"ground_beetles": 30}).suspicions[0].kind == QueryKind.STATISTICAL
    assert screen(answers=answers_of(SLIPPED)).suspicions[0].kind == QueryKind.DETERMINISTIC
    assert screen(longitude=18.0).suspicions[0].kind == QueryKind.DETERMINISTIC


def test_the_same_return_gets_the_same_answer_again():
    assert screen(counts=POOLED) == screen(counts=POOLED)


HALF_DAYS = {
    # Set "in the morning at ten to five" and emptied the same afternoon: it was the afternoon before.
    "the setting": ((2026, 5, 6, 4, 50), (2026, 5, 6, 16, 5), (-12, 0)),
    # Set in the evening and emptied "at six" twelve hours on: it was six in the evening.
    "the emptying": ((2026, 5, 5, 18, 0), (2026, 5, 6, 6, 30), (0, 12)),
    # A day and a half: either would do, and the emptying is moved.
    "too long": ((2026, 5, 4, 18, 0), (2026, 5, 6, 6, 0), (0, -12)),
    # Both at three at night.
    "both": ((2026, 5, 5, 3, 0), (2026, 5, 6, 3, 0), (12, 12)),
}


@pytest.mark.parametrize(("opened", "emptied", "moved_h"), HALF_DAYS.values(), ids=HALF_DAYS.keys())
def test_of_two_times_half_a_day_off_the_one_at_the_unlikelier_hour_is_moved(
    opened: tuple[int, ...], emptied: tuple[int, ...], moved_h: tuple[int, int]
) -> None:
    set_at, emptied_at = (datetime(*moment, tzinfo=UTC) for moment in (opened, emptied))
    found = screen(set_at=set_at, emptied_at=emptied_at, longitude=0.0, sent_at=emptied_at + timedelta(days=2))
    offered = next(one for one in found.suspicions if one.reason == QueryReason.TWELVE_HOURS_OFF).evidence[
        "alternative"
    ]
    moved = [
        (datetime.fromisoformat(offered[name]) - sent).total_seconds() / 3600
        for name, sent in (("set_at", set_at), ("emptied_at", emptied_at))
    ]
    assert tuple(moved) == moved_h
