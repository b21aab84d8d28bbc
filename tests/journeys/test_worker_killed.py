"""kill -9 in the middle of the night: the next worker comes to the same figures, to the last digit."""

from __future__ import annotations

import time
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import psycopg
import pytest

from project.processes import Crew
from surveys.services.night import ask_for_night
from surveys.services.screening import screen_received
from tests.factories import ApiClient, make_household, make_season, make_site, make_trap, return_payload
from tests.journeys.conftest import copy_database, database_address, environment

pytestmark = pytest.mark.django_db(transaction=True)

VALUES = """
SELECT r.code, g.code, w.code, v.rim_exponent, v.label, v.estimate, v.low, v.high, v.sites, v.returns
FROM surveys_indexvalue v JOIN surveys_run u ON u.id = v.run_id AND u.state = 'published'
JOIN surveys_region r ON r.id = v.region_id JOIN surveys_group g ON g.id = v.group_id
JOIN surveys_window w ON w.id = v.window_id ORDER BY 1, 2, 3, 4
"""
STATES = "SELECT uuid::text, state, probability, rank FROM surveys_return ORDER BY 1"


def ask(address: str, question: str) -> list[tuple[Any, ...]]:
    with psycopg.connect(address) as found:
        return found.execute(question).fetchall()


def job_state(address: str) -> tuple[str, int, int, int]:
    row = ask(address, "SELECT state, done, total, attempts FROM surveys_job WHERE kind = 'night'")[0]
    return row[0], row[1], row[2], row[3]


def run_to_the_end(crew: Crew, address: str, seconds: float = 90) -> None:
    deadline = time.monotonic() + seconds
    while job_state(address)[0] != "done":
        assert time.monotonic() < deadline, job_state(address)
        # What beat does each minute, here twice a second.
        sweep = crew.start("sweep", ("celery", "-A", "project", "call", "surveys.tasks.resume_jobs"))
        sweep.wait(30)
        time.sleep(0.5)


def test_a_worker_killed_mid_night_changes_nothing(transactional_db: None, tmp_path: Path) -> None:
    season = make_season(review_budget=0.2)
    rng = np.random.default_rng(20260502)
    for _ in range(14):
        site = make_site(household=make_household())
        for trap in (make_trap(site=site), make_trap(site=site, habitat="hedge_base")):
            client = ApiClient(site.household.keeper)
            for night in (3, 17):
                payload = return_payload(
                    trap, set_at=f"2026-05-{night:02}T17:00:00Z", emptied_at=f"2026-05-{night + 1:02}T17:00:00Z"
                )
                payload["catch"][0]["count"] = int(1 + rng.negative_binomial(1, 0.1))
                payload["catch"][3]["count"] = int(1 + rng.poisson(2))
                payload["catch"][4]["count"] = int(1 + rng.negative_binomial(1, 0.2))
                assert client.send("returns", payload).status_code == 201
    while screen_received(most=500):
        pass
    ask_for_night(season=season, night=date(2026, 5, 20))
    undisturbed = copy_database("trapnight_undisturbed")
    killed = database_address()

    with Crew(tmp_path / "calm", environment(undisturbed, broker=6)) as crew:
        crew.start_worker()
        run_to_the_end(crew, undisturbed)
    assert job_state(undisturbed)[3] == 1

    with Crew(tmp_path / "killed", environment(killed, broker=7)) as crew:
        crew.start_worker()
        crew.start("sweep", ("celery", "-A", "project", "call", "surveys.tasks.resume_jobs")).wait(30)
        deadline = time.monotonic() + 60
        while not (job_state(killed)[0] == "running" and job_state(killed)[1] >= 3):
            assert time.monotonic() < deadline, job_state(killed)
            time.sleep(0.005)
        crew.kill("worker")
        state, done, total, _ = job_state(killed)
        assert state == "running", "the night was over before the kill: nothing was tested"
        assert done < total
        assert ask(killed, VALUES) == [], "a night that is not over shows nothing"
        crew.start_worker()
        run_to_the_end(crew, killed)

    assert job_state(killed)[3] == 2
    assert len(ask(killed, VALUES)) == 2 * 6 * 3 * 2
    assert ask(killed, VALUES) == ask(undisturbed, VALUES)
    assert ask(killed, STATES) == ask(undisturbed, STATES)
