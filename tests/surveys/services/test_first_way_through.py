"""A return goes all the way: received, screened, decided, computed, downloaded."""

import csv
import io
from datetime import date

import pytest

from surveys.models import Event, IndexValue, Query, Return
from surveys.queries.log import broken_links
from surveys.queries.releases import folder_of
from surveys.services.night import ask_for_night, run_night
from surveys.services.screening import screen_received
from tests.factories import ApiClient, make_coordinator, make_season, make_trap, return_payload, stored
from tests.making import make_release_now

pytestmark = pytest.mark.django_db(transaction=True)


def test_a_plain_return_is_received_and_then_stands() -> None:
    make_season()
    trap = make_trap()
    payload = return_payload(trap)
    answer = ApiClient(trap.site.household.keeper).send("returns", payload)
    assert answer.status_code == 201, answer.content
    assert answer.json()["state"] == "received"
    assert answer.json()["standing"] == "to_protocol", [f for f in answer.json()["findings"] if f["outcome"] != "fine"]
    assert screen_received(most=10) == 1
    assert stored(payload).state == "standing"
    assert broken_links() == []


def test_a_tenfold_count_waits_is_corrected_and_reaches_the_table_with_both_numbers() -> None:
    season = make_season()
    coordinator = ApiClient(make_coordinator("eastmark"))
    traps = [make_trap() for _ in range(6)]
    wrong = return_payload(traps[0])
    wrong["catch"][4] = {"group": "ground_beetles", "answer": "number", "count": 40}
    for trap in traps[1:]:
        ApiClient(trap.site.household.keeper).send("returns", return_payload(trap))
    assert ApiClient(traps[0].site.household.keeper).send("returns", wrong).status_code == 201
    screen_received(most=100)
    assert stored(wrong).state == "queried"
    assert Query.objects.filter(report=stored(wrong)).count() >= 1

    listed = coordinator.read("queue").json()["items"]
    assert [row["id"] for row in listed] == [wrong["id"]]
    record = coordinator.read(f"queue/{wrong['id']}")
    verdict = {
        "decision": "corrected",
        "reason": "count_slip",
        "catch": [{"group": "ground_beetles", "answer": "number", "count": 4}],
    }
    decided = coordinator.send(f"queue/{wrong['id']}/verdicts", verdict, **{"If-Match": record["ETag"]})
    assert decided.status_code == 201, decided.content

    job, _ = ask_for_night(season=season, night=date(2026, 5, 4))
    assert run_night(job_id=job.pk) is not None
    assert IndexValue.objects.count() == 2 * 6 * 3 * 2
    table = (folder_of(make_release_now(season)) / "counts.csv").read_text()
    rows = [row for row in csv.DictReader(io.StringIO(table)) if row["return_id"] == wrong["id"]]
    beetle = next(row for row in rows if row["group"] == "ground_beetles")
    assert (beetle["count_min"], beetle["sent_count_min"], beetle["corrected"]) == ("4", "40", "true")
    assert Return.objects.count() == 6
    assert Event.objects.filter(verb="indices published").count() == 1
    assert broken_links() == []
