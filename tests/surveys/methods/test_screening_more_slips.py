"""Degrees and minutes, the wrong habitat, guessed numbers, and hundreds of what never swarms."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from scipy import stats

from surveys.methods.records import Answer, Neighbour, Report, Usual
from surveys.methods.screening import RegionFrame, ScreeningSettings, screen_report
from surveys.methods.screening_chances import log_extreme
from surveys.methods.screening_habitat import CONTRADICTIONS
from surveys.methods.screening_place import read_as_minutes
from surveys.methods.screening_rounding import chance_of_round, count_round
from surveys.vocabulary import AnswerKind, QueryReason

GROUPS = ("woodlice", "spiders", "ground_beetles", "slugs", "ants", "flies")
CEILINGS = (1000, 300, 500, 300, 5000, 1000)  # fixtures/reference/groups.json
MEANS = (4.0, 2.0, 1.0, 1.0, 3.0, 2.0)
SQUARE = np.array([[-19.0, 51.0], [-17.0, 51.0], [-17.0, 52.0], [-19.0, 52.0]])
REPORT = Report(
    set_at=datetime(2026, 6, 6, 17, tzinfo=UTC),
    emptied_at=datetime(2026, 6, 7, 17, tzinfo=UTC),
    sent_at=datetime(2026, 6, 7, 18, tzinfo=UTC),
    latitude=51.5,
    longitude=-18.0,
    season_opens=datetime(2026, 5, 1, tzinfo=UTC),
    season_closes=datetime(2026, 9, 30, tzinfo=UTC),
    trap_state="intact",
    habitat="short_lawn",
)
USUAL = tuple(Usual(g, m, 0.8, c, 1.25, 1.25) for g, m, c in zip(GROUPS, MEANS, CEILINGS, strict=True))
FRAME = RegionFrame(GROUPS, 300.0 * np.array(MEANS), 300.0, (SQUARE,))


def answers(*counts: int) -> tuple[Answer, ...]:
    kinds = (AnswerKind.NONE_SEEN, AnswerKind.NUMBER)
    return tuple(Answer(g, kinds[int(n > 0)], n, n) for g, n in zip(GROUPS, counts, strict=True))


def screen(report: Report, *counts: int, neighbours=(), elsewhere=None):  # type: ignore[no-untyped-def]
    return screen_report(
        replace(report, answers=answers(*counts)),
        neighbours=neighbours,
        usual=USUAL,
        region=FRAME,
        settings=ScreeningSettings(),
        trap_nights=1.0,
        elsewhere=elsewhere,
    )


def reasons(found) -> list[QueryReason]:  # type: ignore[no-untyped-def]
    return [one.reason for one in found.suspicions]


@pytest.mark.parametrize(
    ("typed", "meant"),
    # by hand: 51 degrees 30 minutes is 51.5; 17 degrees 24.6 minutes west is -17.41
    [(51.30, 51.5), (-17.246, -17.41), (0.45, 0.75), (51.60, None), (-17.99, None), (12.0, 12.0)],
)
def test_degrees_and_minutes_are_read(typed: float, meant: float | None) -> None:
    found = read_as_minutes(typed)
    assert found == (None if meant is None else pytest.approx(meant))


def test_degrees_and_minutes_typed_as_decimals_are_offered() -> None:
    # 50.57 and 18.30 west: outside as decimals; 50 deg 57 min is 50.95, within a tenth of a degree outside, so it
    # stays outside; 51.30 and -16.59 read as minutes are 51.5 and -16.983, and inside with the slack of the border
    found = screen(replace(REPORT, latitude=51.30, longitude=-19.15), 3, 1, 0, 1, 2, 1)
    assert reasons(found)[0] == QueryReason.PLACE_OUTSIDE
    found = screen(replace(REPORT, latitude=51.30, longitude=-16.595), 3, 1, 0, 1, 2, 1)
    assert reasons(found)[0] == QueryReason.PLACE_MINUTES
    assert found.suspicions[0].evidence["alternative"] == {"longitude": -16.9917, "latitude": 51.5}


def test_four_hundred_ground_beetles_are_not_taken_for_an_honest_night() -> None:
    found = screen(REPORT, 4, 2, 400, 1, 3, 2)
    assert found.probability > 0.9
    assert reasons(found)[0] == QueryReason.TEN_TIMES
    assert found.suspicions[0].evidence["alternative"]["group"] == "ground_beetles"


def test_four_hundred_ants_are_a_nest() -> None:
    assert not screen(REPORT, 4, 2, 1, 1, 437, 2).holds


def test_the_chance_of_an_extreme_sums_to_about_one_and_falls_beyond_its_reach() -> None:
    counts = np.arange(0, 200_000, dtype=float)
    for mean, ceiling in ((1.0, 500.0), (3.0, 5000.0)):
        logs = log_extreme(counts, counts, np.asarray(mean), np.asarray(ceiling))
        assert np.exp(logs[: int(50 * ceiling)]).sum() == pytest.approx(1.0, abs=0.06)
    within, beyond = log_extreme(np.array([70.0, 400.0]), np.array([70.0, 400.0]), np.asarray(1.0), np.asarray(500.0))
    assert within - beyond > np.log(100.0)


def test_plants_that_contradict_the_habitat_are_asked_about() -> None:
    found = screen(replace(REPORT, ground_cover="bare", vegetation="over_50cm"), 3, 1, 0, 1, 2, 1)
    assert reasons(found)[0] == QueryReason.WRONG_HABITAT
    assert found.suspicions[0].evidence["words"] == ["bare", "over_50cm"]
    assert not reasons(screen(replace(REPORT, ground_cover="dense", vegetation="under_5cm"), 3, 1, 0, 1, 2, 1))


def test_habitats_that_can_contradict_are_habitats_of_the_fixtures() -> None:
    import json
    from pathlib import Path

    listed = json.loads(Path("fixtures/reference/habitats.json").read_text(encoding="utf-8"))
    assert set(CONTRADICTIONS) <= {row["code"] for row in listed}


def test_a_catch_that_fits_another_habitat_far_better_is_asked_about() -> None:
    compost = {"compost_edge": np.array([12.0, 0.5, 1.0, 8.0, 0.1, 6.0]), "wall_edge": np.ones(6)}
    found = screen(REPORT, 62, 1, 1, 11, 0, 19, elsewhere=compost)
    assert QueryReason.WRONG_HABITAT in reasons(found)
    offered = next(one for one in found.suspicions if one.reason == QueryReason.WRONG_HABITAT)
    assert offered.evidence["alternative"]["habitat"] == "compost_edge"
    assert QueryReason.WRONG_HABITAT not in reasons(screen(REPORT, 4, 2, 1, 1, 3, 2, elsewhere=compost))
    assert QueryReason.WRONG_HABITAT not in reasons(screen(REPORT, 62, 1, 1, 11, 0, 19))


def test_the_chance_of_round_numbers_is_the_binomial_tail() -> None:
    # scipy.stats.binom as second opinion
    lists = np.array([[10, 20, 15, 30, 40, 7], [10, 20, 30, 40, 3, 0], [6, 7, 8, 9, 11, 0]], dtype=float)
    number, found = count_round(lists, lists)
    assert (number.tolist(), found.tolist()) == ([6, 4, 5], [5, 4, 0])  # by hand: from 6 on; those that end in 0 or 5
    chances = chance_of_round(found, number)
    assert chances.tolist() == [pytest.approx(stats.binom.sf(4, 6, 0.25)), 1.0, 1.0]


def test_only_round_numbers_over_several_nights_look_like_guesses() -> None:
    earlier = tuple(
        Neighbour(str(n), True, False, 100.0 * n, answers(10, 5, 0, 5, 20, 15)) for n in range(1, 4)
    )  # fmt: skip
    found = screen(REPORT, 20, 5, 0, 5, 10, 25, neighbours=earlier)
    assert QueryReason.ROUND_NUMBERS in reasons(found)
    honest = tuple(Neighbour(str(n), True, False, 100.0 * n, answers(11, 4, 0, 3, 7, 9)) for n in range(1, 4))
    assert QueryReason.ROUND_NUMBERS not in reasons(screen(REPORT, 20, 5, 0, 5, 11, 7, neighbours=honest))
