"""Taking verdicts back, one at a time or all that were given with one press."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

import pytest

from surveys.errors import Conflict, NotFound, Stale
from surveys.methods.records import Answer
from surveys.models import Account, Event, Return, Undo, Verdict
from surveys.queries.returns import correction_in_force, return_in_care
from surveys.services.review import give_verdict
from surveys.services.undo import undo_verdict, undo_verdicts_together
from surveys.services.verdicts_together import give_verdicts_together
from surveys.vocabulary import AnswerKind, Decision, VerdictReason
from tests.factories import make_coordinator, make_season, make_trap, send_return

pytestmark = pytest.mark.django_db(transaction=True)

TENFOLD = [
    {"group": "woodlice", "answer": "number", "count": 3},
    {"group": "ground_beetles", "answer": "number", "count": 40},
]
FOUR = Answer(group="ground_beetles", kind=AnswerKind.NUMBER, low=4, high=4)
WORKED = ("state", "standing", "exposure_h", "whole_nights", "trap_nights", "rim_ratio", "fresh", "rank", "urgent")


@pytest.fixture
def coordinator() -> Account:
    make_season()
    return make_coordinator()


@pytest.fixture
def waiting(coordinator: Account) -> Return:
    return fresh(send_return(make_trap(), catch=TENFOLD, screened=True))


def fresh(report: Return) -> Return:
    report.refresh_from_db()
    return report


def decide(by: Account, report: Return, decision: Decision, **more: object) -> Verdict:
    return give_verdict(
        by=by, uuid=report.uuid, version=report.version, decision=decision, reason=VerdictReason.COUNT_SLIP, **more
    )  # type: ignore[arg-type]


@pytest.mark.parametrize("decision", list(Decision))
def test_an_undone_verdict_leaves_the_return_waiting_as_it_was(
    coordinator: Account, waiting: Return, decision: Decision
) -> None:
    before = [getattr(waiting, name) for name in WORKED]
    more = {"answers": [FOUR]} if decision == Decision.CORRECTED else {}
    verdict = decide(coordinator, waiting, decision, **more)
    fresh(waiting)
    undo_verdict(by=coordinator, uuid=waiting.uuid, version=waiting.version)
    assert [getattr(fresh(waiting), name) for name in WORKED] == before
    assert Undo.objects.get().verdict == verdict
    assert [one.verb for one in Event.objects.order_by("id")][-2:] == ["verdict given", "verdict undone"]


def test_corrected_times_count_as_sent_again(coordinator: Account, waiting: Return) -> None:
    before = [getattr(waiting, name) for name in WORKED]
    decide(coordinator, waiting, Decision.CORRECTED, columns={"emptied_at": waiting.emptied_at + timedelta(hours=24)})
    assert fresh(waiting).exposure_h == before[2] + 24  # 24 h more, by hand
    undo_verdict(by=coordinator, uuid=waiting.uuid, version=waiting.version)
    assert [getattr(fresh(waiting), name) for name in WORKED] == before


def test_an_undone_correction_is_in_force_no_more_even_after_another_one(coordinator: Account, waiting: Return) -> None:
    decide(coordinator, waiting, Decision.CORRECTED, answers=[FOUR])
    undo_verdict(by=coordinator, uuid=waiting.uuid, version=fresh(waiting).version)
    two = Answer(group="woodlice", kind=AnswerKind.NUMBER, low=2, high=2)
    decide(coordinator, fresh(waiting), Decision.CORRECTED, answers=[two])
    report = return_in_care(coordinator, waiting.uuid)
    inforce = {
        one.group.code: found.low
        for one in report.catches.all()
        if (found := correction_in_force(report, one.group_id)) is not None
    }
    assert inforce == {"woodlice": 2}


def test_a_verdict_is_undone_once(coordinator: Account, waiting: Return) -> None:
    decide(coordinator, waiting, Decision.DISCOUNTED)
    version = fresh(waiting).version
    undo_verdict(by=coordinator, uuid=waiting.uuid, version=version)
    with pytest.raises(Stale):
        undo_verdict(by=coordinator, uuid=waiting.uuid, version=version)
    with pytest.raises(Conflict, match="No verdict on this return is in force"):
        undo_verdict(by=coordinator, uuid=waiting.uuid, version=version + 1)
    assert Undo.objects.count() == 1


def test_a_coordinator_of_another_region_undoes_nothing(coordinator: Account, waiting: Return) -> None:
    decide(coordinator, waiting, Decision.DISCOUNTED)
    with pytest.raises(NotFound):
        undo_verdict(by=make_coordinator("westmark"), uuid=waiting.uuid, version=fresh(waiting).version)
    assert fresh(waiting).state == "discounted"


def test_what_was_decided_with_one_press_is_undone_with_one_press(coordinator: Account) -> None:
    reports = [fresh(send_return(make_trap(), liquid="soap", screened=True)) for _ in range(3)]
    together = give_verdicts_together(
        by=coordinator,
        versions={one.uuid: one.version for one in reports},
        decision=Decision.DISCOUNTED,
        reason=VerdictReason.LIQUID_USED,
    )
    undo_verdict(by=coordinator, uuid=reports[0].uuid, version=fresh(reports[0]).version)
    decide(coordinator, fresh(reports[0]), Decision.UPHELD)
    assert undo_verdicts_together(by=coordinator, together=together) == (2, 1)
    assert [fresh(one).state for one in reports] == ["upheld", "queried", "queried"]
    assert undo_verdicts_together(by=coordinator, together=together) == (0, 3)
    with pytest.raises(NotFound):
        undo_verdicts_together(by=make_coordinator("westmark"), together=together)
    with pytest.raises(NotFound):
        undo_verdicts_together(by=coordinator, together=uuid4())
