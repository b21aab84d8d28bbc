"""Nights and jobs: asked for once, caught up, taken over, fenced; an odd return holds up nobody."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from celery.exceptions import SoftTimeLimitExceeded
from django.utils import timezone

from surveys.models import Event, IndexValue, Job, Query, Return, Run, UsualCatch
from surveys.services import screening, screening_again
from surveys.services.intake import withdraw_return
from surveys.services.jobs import LostLease, ask_for_job, claim_job, finish_job, report_progress, set_job_back
from surveys.services.night import ask_for_due_nights, ask_for_night, latest_night, run_night
from surveys.services.screening import screen_received
from surveys.services.seasons import close_season
from surveys.services.usual import learn_what_is_usual
from surveys.vocabulary import IndexLabel, JobKind, QueryKind, QueryReason
from tests.factories import ApiClient, make_coordinator, make_season, make_site, make_trap, return_payload, stored

pytestmark = pytest.mark.django_db(transaction=True)


def send(count: int = 1, **changes: Any) -> list[dict[str, Any]]:
    payloads = []
    for _ in range(count):
        trap = make_trap(site=make_site())
        payload = return_payload(trap, **changes)
        assert ApiClient(trap.site.household.keeper).send("returns", payload).status_code == 201
        payloads.append(payload)
    return payloads


def test_a_night_is_due_from_its_hour_on() -> None:
    assert latest_night(datetime(2026, 5, 4, 1, 59, tzinfo=UTC)) == date(2026, 5, 2)
    assert latest_night(datetime(2026, 5, 4, 2, 0, tzinfo=UTC)) == date(2026, 5, 3)


def test_missed_nights_are_caught_up_by_one_run_and_a_done_night_is_left_alone() -> None:
    make_season()
    send(3)
    jobs = ask_for_due_nights(now=datetime(2026, 6, 10, 12, tzinfo=UTC))  # nothing ran since the season opened
    assert [job.parameters["night"] for job in jobs] == ["2026-06-09"]
    assert run_night(job_id=jobs[0].pk) is not None
    assert ask_for_due_nights(now=datetime(2026, 6, 10, 18, tzinfo=UTC)) == []
    assert run_night(job_id=jobs[0].pk) is None, "done is done"
    assert len(ask_for_due_nights(now=datetime(2026, 6, 11, 12, tzinfo=UTC))) == 1


def test_a_closed_season_has_a_night_more_only_where_a_return_was_moved() -> None:
    """Whoever takes a return back after the season was closed leaves its figures, too."""
    season = make_season()
    payloads = send(3)
    assert screen_received(most=10) == 3
    close_season(by=make_coordinator(), code=season.code)
    at = datetime(2026, 6, 10, 2, 15, tzinfo=UTC)
    first = ask_for_due_nights(now=at)
    assert [job.parameters["season"] for job in first] == [season.code], "the last returns came after the last night"
    assert run_night(job_id=first[0].pk) is not None
    assert ask_for_due_nights(now=at + timedelta(days=1)) == []
    report = stored(payloads[0])
    withdraw_return(by=report.sender, uuid=report.uuid)
    assert ask_for_due_nights(now=at + timedelta(days=1, hours=3)) == [], "looked up in one hour a day"
    again = ask_for_due_nights(now=at + timedelta(days=2))
    assert len(again) == 1
    assert run_night(job_id=again[0].pk) is not None
    assert set(IndexValue.objects.filter(run__state="published").values_list("returns", flat=True)) <= {0, 2}
    assert ask_for_due_nights(now=at + timedelta(days=3)) == []


def test_two_beats_ask_for_one_night() -> None:
    season = make_season()
    asked = [ask_for_night(season=season, night=date(2026, 5, 4)) for _ in range(50)]
    assert sum(new for _, new in asked) == 1
    assert Job.objects.count() == 1


def test_too_few_returns_show_no_number_and_say_how_many_gardens_are_missing() -> None:
    """Methods, section 3: shown from 10 sites on; below that, words."""
    season = make_season()
    send(3)
    run_night(job_id=ask_for_night(season=season, night=date(2026, 5, 9))[0].pk)
    value = IndexValue.objects.get(
        region__code="eastmark", group__code="woodlice", window__code="spring", rim_exponent=1
    )
    assert (value.label, value.estimate, value.sites) == (IndexLabel.TOO_FEW, None, 3)
    assert value.more_sites_needed >= 7
    empty = IndexValue.objects.get(
        region__code="westmark", group__code="woodlice", window__code="autumn", rim_exponent=1
    )
    assert (empty.label, empty.returns) == (IndexLabel.TOO_FEW, 0)


def test_the_next_night_takes_the_place_of_the_last_and_says_what_it_was_made_from() -> None:
    season = make_season()
    send(2)
    first = run_night(job_id=ask_for_night(season=season, night=date(2026, 5, 9))[0].pk)
    send(1)
    second = run_night(job_id=ask_for_night(season=season, night=date(2026, 5, 10))[0].pk)
    assert first is not None
    assert second is not None
    first.refresh_from_db()
    assert (first.state, second.state) == ("superseded", "published")
    assert Run.objects.filter(state="published").count() == 1
    assert first.snapshot_hash != second.snapshot_hash
    assert second.snapshot_event > first.snapshot_event
    assert (first.counts["returns"], second.counts["returns"]) == (2, 3)
    assert second.parameters["level"]["guard_seed"] == second.seed


def test_the_same_input_gives_the_same_hash_and_figures() -> None:
    season = make_season()
    send(12)
    send(12, set_at="2026-05-12T17:00:00Z", emptied_at="2026-05-13T17:00:00Z")
    names = ("region__code", "group__code", "window__code", "rim_exponent", "estimate", "low", "high")
    runs = []
    for _ in range(2):
        job, _ = ask_for_job(
            kind=JobKind.NIGHT, key=f"again {len(runs)}", parameters={"season": season.code, "night": "2026-05-20"}
        )
        run = run_night(job_id=job.pk)
        assert run is not None
        runs.append((run.snapshot_hash, run.seed, sorted(map(str, run.values.values_list(*names)))))
    assert runs[0] == runs[1]


def test_a_worker_that_was_thought_dead_can_write_nothing() -> None:
    """The fencing number: what the first worker still holds is refused after the second has claimed."""
    job, _ = ask_for_job(kind=JobKind.CANARY, key="x")
    first = claim_job(job_id=job.pk)
    assert first is not None
    assert claim_job(job_id=job.pk) is None, "its lease has not run out"
    Job.objects.update(lease_until=timezone.now() - timedelta(seconds=1))
    second = claim_job(job_id=job.pk)
    assert second is not None
    with pytest.raises(LostLease):
        report_progress(job=first, done=1, total=2)
    with pytest.raises(LostLease):
        finish_job(job=first, result={})
    finish_job(job=second, result={"by": "the second"})
    assert Job.objects.get().result == {"by": "the second"}


def test_a_job_that_always_falls_over_is_given_up_and_says_why() -> None:
    job, _ = ask_for_job(kind=JobKind.CANARY, key="x")
    for _ in range(5):
        claimed = claim_job(job_id=job.pk)
        assert claimed is not None
        set_job_back(job=claimed, problem="the lamp went out")
    job.refresh_from_db()
    assert (job.state, job.attempts, job.problem) == ("failed", 5, "the lamp went out")
    assert claim_job(job_id=job.pk) is None


def test_a_night_that_must_give_way_goes_on_where_its_screening_was(monkeypatch: pytest.MonkeyPatch) -> None:
    """Celery raises SoftTimeLimitExceeded wherever a task is at that moment."""
    season = make_season(review_budget=1e-9)
    send(7)
    job, _ = ask_for_night(season=season, night=date(2026, 5, 4))
    monkeypatch.setattr(screening_again, "BATCH", 2)
    as_ever, batches = screening_again.screening_cases, []

    def interrupted(rows: list[Return], **given: Any) -> Any:
        if rows[0].state == "standing":  # the others have only just come in
            batches.append([row.pk for row in rows])
        if len(batches) == 3:
            raise SoftTimeLimitExceeded
        return as_ever(rows, **given)

    monkeypatch.setattr(screening_again, "screening_cases", interrupted)
    with pytest.raises(SoftTimeLimitExceeded):
        run_night(job_id=job.pk)
    job.refresh_from_db()
    assert (job.state, job.attempts) == ("queued", 1)
    done = Return.objects.filter(screened_with=job.pk).count()
    assert done == 4
    cut, batches[:] = batches[:], []
    monkeypatch.setattr(screening_again, "screening_cases", as_ever)
    assert run_night(job_id=job.pk) is not None
    assert Return.objects.filter(screened_with=job.pk).count() == 7
    assert Run.objects.get().parameters["screening"]["screened"] == 7 - done
    assert len(cut) == 3


def test_an_odd_return_holds_up_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    make_season()
    payloads = send(3)
    odd = stored(payloads[1])
    plain = screening.screen_cases

    def falls_over(cases: Any) -> Any:
        if any(case.row.pk == odd.pk for case in cases):
            raise FloatingPointError("an odd return")
        return plain(cases)

    monkeypatch.setattr(screening, "screen_cases", falls_over)
    assert screen_received(most=10) == 3
    assert [stored(one).state for one in payloads] == ["standing", "queried", "standing"]
    assert Query.objects.get(report=odd).reason == "not_screened"


def test_the_night_holds_no_more_than_the_budget_allows() -> None:
    season = make_season(review_budget=0.2)
    payloads = send(10)
    while screen_received(most=50):
        pass
    run_night(job_id=ask_for_night(season=season, night=date(2026, 5, 9))[0].pk)
    assert sum(stored(one).state == "queried" for one in payloads) <= 2


def test_what_is_usual_is_learned_once_per_generation_and_the_old_is_dropped() -> None:
    season = make_season()
    send(3)
    screen_received(most=10)
    learn_what_is_usual(season=season, generation=7)
    rows = UsualCatch.objects.count()
    learn_what_is_usual(season=season, generation=7)
    assert UsualCatch.objects.count() == rows == 2 * 3 * 3 * 6
    learn_what_is_usual(season=season, generation=8)
    assert set(UsualCatch.objects.values_list("generation", flat=True)) == {8}


def test_one_service_writes_one_event() -> None:
    make_season()
    before = Event.objects.count()
    send(1)
    # An account, its consent, a household, a site, a trap, a return.
    assert Event.objects.count() == before + 6


def test_danger_is_held_however_little_of_the_budget_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    """Methods, section 5: the queue is cut by rank, safety and welfare always first, and never cut."""
    season = make_season(review_budget=0.1)
    payloads = send(10)
    screen_received(most=50)
    dangerous = [stored(one).pk for one in payloads[:4]]  # one place in the budget, four in danger
    plain = screening.reasons_to_ask
    danger = screening.Reason(QueryKind.PROTOCOL, QueryReason.WELFARE, 1.0, "A sentence.", "A gentle one.", {})
    monkeypatch.setattr(screening_again, "reasons_to_ask", lambda screened, held: plain(screened, held) or [danger])
    Return.objects.filter(pk__in=dangerous).update(urgent=True)
    run_night(job_id=ask_for_night(season=season, night=date(2026, 5, 9))[0].pk)
    assert set(Return.objects.filter(state="queried").values_list("pk", flat=True)) >= set(dangerous)
