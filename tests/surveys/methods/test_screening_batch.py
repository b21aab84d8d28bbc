"""A return gets the same answer alone, when it arrives, and among all others, at night."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from surveys.methods.screening import ScreeningCase, ScreeningSettings, screen_report, screen_reports
from tests.surveys.methods.test_screening import (
    CLEAN,
    EARLIER,
    OTHER,
    PLANTED,
    REGION,
    SETTINGS,
    USUAL,
    answers_of,
    neighbour,
)  # fmt: skip

HABITATS = {"hedge_base": np.linspace(0.5, 2.0, len(USUAL)), "wall_edge": np.linspace(3.0, 0.2, len(USUAL))}


def case_of(changes):
    """Return one planted slip as a case."""
    changes = dict(changes)
    neighbours, usual = changes.pop("neighbours", ()), changes.pop("usual", USUAL)
    counts = changes.pop("counts", None)
    if counts is not None:
        changes["answers"] = answers_of({**{a.group: a.low for a in CLEAN.answers}, **counts})
    return ScreeningCase(replace(CLEAN, **changes), neighbours, usual, REGION, 1.0, HABITATS)


def cases():
    """Return every planted slip, each with a site of its own, and clean returns with many neighbours."""
    found = [case_of(changes) for changes, _ in PLANTED.values()]
    crowd = (*tuple(neighbour(OTHER, same_trap=n % 2 == 0, **EARLIER) for n in range(12)), neighbour(OTHER))
    found += [replace(one, neighbours=one.neighbours + crowd) for one in found[:6]]
    found.append(replace(found[0], later=(neighbour(OTHER),)))
    return found


def alone(case, settings=SETTINGS):
    return screen_report(
        case.report, neighbours=case.neighbours, usual=case.usual, region=case.region, settings=settings,
        trap_nights=case.trap_nights, elsewhere=case.elsewhere, later=case.later,
    )  # fmt: skip


def test_a_batch_gives_each_return_the_answer_that_it_gets_alone():
    together = screen_reports(cases(), settings=SETTINGS)
    assert len(together) == len(PLANTED) + 7
    for case, found in zip(cases(), together, strict=True):
        assert found == alone(case)  # to the last digit


def test_the_order_and_the_company_of_returns_do_not_matter():
    listed = cases()
    forward = screen_reports(listed, settings=SETTINGS)
    backward = screen_reports(listed[::-1], settings=SETTINGS)
    assert forward == backward[::-1]


def test_returns_of_different_forms_are_screened_in_one_go():
    short = case_of(PLANTED["ten times too high"][0])
    narrow = replace(short, usual=USUAL[:14])
    bare = replace(short, usual=())
    found = screen_reports([short, narrow, bare, short], settings=SETTINGS)
    assert found[0] == found[3] == alone(short)
    assert found[1] == alone(narrow)
    assert found[2].suspicions == ()


def test_more_returns_than_are_taken_at_once(monkeypatch):
    listed = cases()[:7]
    whole = screen_reports(listed, settings=SETTINGS)
    monkeypatch.setattr("surveys.methods.screening.AT_ONCE", 2)
    assert screen_reports(listed, settings=SETTINGS) == whole


def test_no_returns_are_no_trouble():
    assert screen_reports([], settings=ScreeningSettings()) == []
