"""One verdict on many returns: all of them, or none."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from uuid import uuid4

import pytest
from django.db import connection

from surveys.errors import Conflict, Faulty, Refusal
from surveys.models import Account, Event, Return, Verdict
from surveys.services.leases import take_record
from surveys.services.review import give_verdict
from surveys.services.verdicts_together import MOST_TOGETHER, give_verdicts_together
from surveys.vocabulary import Decision, VerdictReason
from tests.factories import make_coordinator, make_season, make_trap, send_return

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def coordinator() -> Account:
    make_season()
    return make_coordinator("eastmark")


@pytest.fixture
def soaped(coordinator: Account) -> list[Return]:
    reports = [send_return(make_trap(), liquid="soap", screened=True) for _ in range(3)]
    for report in reports:
        report.refresh_from_db()
    return reports


def decide(by: Account, reports: list[Return], decision: Decision = Decision.DISCOUNTED, **versions: int) -> object:
    return give_verdicts_together(
        by=by,
        versions={one.uuid: versions.get("version", one.version) for one in reports},
        decision=decision,
        reason=VerdictReason.LIQUID_USED,
    )


def test_all_are_decided_in_one_step_and_one_line_of_the_log_names_them(
    coordinator: Account, soaped: list[Return]
) -> None:
    events = Event.objects.count()
    together = decide(coordinator, soaped)
    assert set(Return.objects.values_list("state", flat=True)) == {"discounted"}
    assert Verdict.objects.filter(together=together, by=coordinator).count() == 3
    assert Event.objects.count() == events + 1
    assert Event.objects.order_by("-id")[0].details["returns"] == sorted(one.pk for one in soaped)


def test_where_one_has_moved_none_is_decided(coordinator: Account, soaped: list[Return]) -> None:
    give_verdict(
        by=coordinator, uuid=soaped[1].uuid, version=soaped[1].version, decision=Decision.UPHELD,
        reason=VerdictReason.PLAUSIBLE_NIGHT,
    )  # fmt: skip
    with pytest.raises(Conflict) as refused:
        decide(coordinator, soaped)
    assert [fault.sentence for fault in refused.value.faults] == [str(soaped[1].uuid)]
    assert Verdict.objects.count() == 1


def test_where_somebody_reads_one_none_is_decided(coordinator: Account, soaped: list[Return]) -> None:
    take_record(by=make_coordinator(), uuid=soaped[2].uuid)
    with pytest.raises(Conflict) as refused:
        decide(coordinator, soaped)
    assert refused.value.code == "in_other_hands"
    assert Verdict.objects.count() == 0


def test_one_from_another_region_is_not_there(coordinator: Account, soaped: list[Return]) -> None:
    from tests.factories import make_site

    elsewhere = send_return(make_trap(site=make_site(region="westmark")), liquid="soap", screened=True)
    elsewhere.refresh_from_db()
    with pytest.raises(Conflict) as refused:
        decide(coordinator, [*soaped, elsewhere])
    assert [fault.sentence for fault in refused.value.faults] == [str(elsewhere.uuid)]


WRONG = {
    "a correction": {"decision": Decision.CORRECTED},
    "an old version": {"version": 1},
}


@pytest.mark.parametrize("wrong", WRONG.values(), ids=WRONG.keys())
def test_each_wrong_batch_is_refused(coordinator: Account, soaped: list[Return], wrong: dict[str, object]) -> None:
    with pytest.raises(Refusal):
        decide(coordinator, soaped, **wrong)  # type: ignore[arg-type]
    assert Verdict.objects.count() == 0


def test_different_reasons_are_not_decided_together(coordinator: Account, soaped: list[Return]) -> None:
    other = send_return(
        make_trap(), catch=[{"group": "ground_beetles", "answer": "number", "count": 40}], screened=True
    )
    other.refresh_from_db()
    assert other.reason != soaped[0].reason
    with pytest.raises(Faulty, match="different reasons"):
        decide(coordinator, [*soaped, other])


@pytest.mark.parametrize("number", [0, MOST_TOGETHER + 1])
def test_none_and_too_many_are_refused(coordinator: Account, number: int) -> None:
    with pytest.raises(Faulty, match=f"{number} returns are chosen"):
        give_verdicts_together(
            by=coordinator, versions={uuid4(): 1 for _ in range(number)}, decision=Decision.UPHELD,
            reason=VerdictReason.PLAUSIBLE_NIGHT,
        )  # fmt: skip


def test_of_two_people_who_decide_the_same_ones_at_once_one_does(coordinator: Account, soaped: list[Return]) -> None:
    people = [coordinator, make_coordinator(), make_coordinator(), make_coordinator()]

    def try_to(person: Account) -> bool:
        try:
            decide(person, soaped)
            return True
        except Refusal:
            return False
        finally:
            connection.close()

    with ThreadPoolExecutor(4) as crowd:
        assert sum(crowd.map(try_to, people)) == 1
    assert Verdict.objects.count() == 3
