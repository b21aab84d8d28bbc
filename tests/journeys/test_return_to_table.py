"""The main job with nothing mocked: an HTTP client, a running server, a broker, a worker, PostgreSQL."""

from __future__ import annotations

import csv
import io
import time
import uuid
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from typing import Any

import httpx
import pytest

from surveys.models import Catch, Event, Job, Return, Run
from surveys.queries.log import broken_links
from surveys.services.night import ask_for_night
from surveys.services.releases import ask_for_release
from tests.factories import make_coordinator, make_season, make_site, make_trap, return_payload, token_of

pytestmark = pytest.mark.django_db(transaction=True)


def until(true: Callable[[], Any], *, seconds: float = 60, what: str = "it") -> None:
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline, f"{what} did not happen within {seconds} s"
        time.sleep(0.05)


def client_of(served: str, account: Any) -> httpx.Client:
    return httpx.Client(
        base_url=f"{served}/api/v1/", headers={"Authorization": f"Bearer {token_of(account)}"}, timeout=30
    )


def send(client: httpx.Client, payload: dict[str, Any], key: str | None = None) -> httpx.Response:
    return client.post("returns", json=payload, headers={"Idempotency-Key": f'"{key or uuid.uuid4()}"'})


def downloaded(served: str, table: str) -> list[dict[str, str]]:
    """Return a table of the newest release as a stranger reads it."""
    answer = httpx.get(f"{served}/releases/latest/{table}.csv", follow_redirects=True).raise_for_status()
    return list(csv.DictReader(io.StringIO(answer.text)))


def test_a_return_ends_up_in_the_table_and_the_index_and_a_wrong_one_is_held_and_corrected(served: str) -> None:
    season = make_season()
    # Twelve gardens with two nights each in one region and window: past the gate of the level index.
    traps = [make_trap(site=make_site()) for _ in range(12)]
    wrong = return_payload(traps[0])
    wrong["catch"][4] = {"group": "ground_beetles", "answer": "number", "count": 40}
    for number, trap in enumerate(traps):
        with client_of(served, trap.site.household.keeper) as client:
            for night in (2, 9):
                payload = return_payload(
                    trap, set_at=f"2026-05-{night:02}T17:00:00Z", emptied_at=f"2026-05-{night + 1:02}T17:30:00Z"
                )
                payload["catch"][0]["count"] = 1 + (number * 7 + night) % 5
                if number == 0 and night == 2:
                    payload = wrong
                answer = send(client, payload)
                assert answer.status_code == 201, answer.text
    # The worker screens what arrived, woken by the web server alone: no beat runs here.
    until(lambda: not Return.objects.filter(state="received").exists(), what="screening")
    held = Return.objects.get(uuid=wrong["id"])
    assert held.state == "queried"

    with client_of(served, make_coordinator("eastmark")) as desk:
        listed = desk.get("queue").json()["items"]
        assert wrong["id"] in [row["id"] for row in listed]
        record = desk.get(f"queue/{wrong['id']}")
        assert record.json()["queries"][0]["sentence"]
        verdict = {
            "decision": "corrected", "reason": "count_slip",
            "catch": [{"group": "ground_beetles", "answer": "number", "count": 4}],
        }  # fmt: skip
        answer = desk.post(f"queue/{wrong['id']}/verdicts", json=verdict, headers={"If-Match": record.headers["ETag"]})
        assert answer.status_code == 201, answer.text
        shown = next(row for row in answer.json()["catch"] if row["group"] == "ground_beetles")
        assert (shown["count_min"], shown["corrected"]["count_min"]) == (40, 4)

    # The sweep, as beat would call it, wakes the worker for the night that was asked for.
    job, _ = ask_for_night(season=season, night=date(2026, 5, 12))
    from surveys.tasks import resume_jobs

    _call_through_broker(resume_jobs, broker=5)
    until(lambda: Job.objects.get(pk=job.pk).state == "done", what="the night")

    release = ask_for_release(
        by=make_coordinator(), season_code=season.code, because="The journey has come to its end."
    )
    _call_through_broker(resume_jobs, broker=5)
    until(lambda: Job.objects.get(pk=release.pk).state in ("done", "failed"), seconds=180, what="the release")
    assert Job.objects.get(pk=release.pk).problem == ""
    rows = downloaded(served, "counts")
    assert {row["return_id"] for row in rows} == {str(u) for u in Return.objects.values_list("uuid", flat=True)}
    beetle = next(row for row in rows if row["return_id"] == wrong["id"] and row["group"] == "ground_beetles")
    assert (beetle["count_min"], beetle["sent_count_min"], beetle["corrected"]) == ("4", "40", "true")

    series = httpx.get(f"{served}/api/v1/seasons/{season.code}/indices").json()
    woodlice = next(
        one for one in series["values"]
        if (one["region"], one["group"], one["window"]) == ("eastmark", "woodlice", "spring")
    )  # fmt: skip
    assert woodlice["sites"] == 12
    assert woodlice["returns"] == 24
    assert woodlice["low"] < woodlice["estimate"] < woodlice["high"]
    # By hand: the plain mean per trap-night over all returns is inside the interval of such an even design.
    counts = [int(row["count_min"]) for row in rows if row["group"] == "woodlice"]
    effort = sum(float(row["trap_nights"]) for row in downloaded(served, "returns"))
    assert woodlice["low"] < sum(counts) / effort < woodlice["high"]
    assert series["run"]["snapshot_hash"] == Run.objects.get(state="published").snapshot_hash
    assert broken_links() == []


def test_the_same_return_sent_100_times_from_8_threads_is_one_row(served: str) -> None:
    make_season()
    trap = make_trap()
    payload = return_payload(trap)
    token = token_of(trap.site.household.keeper)

    def post(turn: int) -> int:
        # Half of the tries share one key, the others bring a key of their own: a lost key must not matter.
        key = "one key" if turn % 2 else str(uuid.uuid4())
        headers = {"Authorization": f"Bearer {token}", "Idempotency-Key": f'"{key}"'}
        while True:
            answer = httpx.post(f"{served}/api/v1/returns", json=payload, headers=headers, timeout=60)
            if answer.status_code != 409:  # still running under this key: a client tries again
                return answer.status_code
            time.sleep(0.05)

    with ThreadPoolExecutor(8) as threads:
        answers = list(threads.map(post, range(100)))
    assert set(answers) <= {200, 201}
    assert answers.count(201) >= 1
    assert Return.objects.count() == 1
    assert Catch.objects.count() == len(payload["catch"])
    assert Event.objects.filter(verb="return received").count() == 1


def _call_through_broker(task: Any, *, broker: int) -> None:
    import os

    from project.celery import app

    address = os.environ["REDIS_URL"].rsplit("/", 1)[0] + f"/{broker}"
    with app.connection(address) as channel:
        task.apply_async(connection=channel)
