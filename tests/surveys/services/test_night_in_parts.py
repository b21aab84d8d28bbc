"""A night among several workers: the same figures whoever does what, and no harm from a worker that dies or lags."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from django.db import connection
from django.db.models.functions import Now

from surveys import tasks
from surveys.models import ChangeValue, Job, JobColumn, JobPart, Return, Run, Season
from surveys.queries.indices import usual_generation
from surveys.queries.jobs import nights_to_help
from surveys.queries.night import night_input
from surveys.queries.night_frames import ReadNight, WrittenNight, written_columns
from surveys.services import part_runs, parts, screening_again
from surveys.services.jobs import MOST_ATTEMPTS, ask_for_job, claim_job
from surveys.services.night import help_with_night, resume_job, run_night, wake_helpers_of_nights
from surveys.services.parts import LostPart, claim_part, drop_left_parts, keep_part, set_part_back, write_parts
from surveys.vocabulary import JobKind, PartKind
from tests.factories import make_season
from tests.night_values import published
from tests.several_seasons import WOODLICE, ask_once, catch_of, make_gardens, run_once, send_year

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def in_parts(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Even the smallest night is handed out, a part at a time, in many small parts."""
    settings.NIGHT_PARTS_FROM = 0
    settings.NIGHT_PARTS_AT_ONCE = 1
    monkeypatch.setattr(part_runs, "POLL_S", 0.01)
    monkeypatch.setattr(screening_again, "PART", 8)
    monkeypatch.setattr(screening_again, "BATCH", 4)


def make_two_years() -> Season:
    """Thirteen gardens in two years, with classes and groups not looked for among the answers. Nothing computed yet."""
    make_season(year=2025)
    season = make_season()
    traps = make_gardens(len(WOODLICE))

    def caught(n: int) -> list[dict[str, Any]]:
        answers = catch_of(woodlice=2 * WOODLICE[n], spiders=None if n == 3 else n % 4, springtails=40)
        answers[-1] = {"group": "springtails", "answer": "class", "class": "c128up"} if n == 5 else answers[-1]
        return answers

    send_year(traps, 2025, lambda n: catch_of(woodlice=WOODLICE[n], spiders=1))
    send_year(traps, 2026, caught)
    # What a coordinator let stand is not screened again; these are.
    Return.objects.filter(season=season).update(state="standing")
    return season


def in_thread(work: Callable[[], Any]) -> threading.Thread:
    """Begin work in a thread of its own, which ends its line to the database."""

    def done() -> None:
        try:
            work()
        finally:
            connection.close()

    thread = threading.Thread(target=done)
    thread.start()
    return thread


def run_with_helpers(season: Season, helpers: int, monkeypatch: pytest.MonkeyPatch, seed: int) -> Run:
    """Run a night with some helpers beside its owner; its parts stand in an order drawn by lot."""
    drawn = random.Random(seed)  # an order for a test
    write = JobPart.objects.bulk_create
    monkeypatch.setattr(JobPart.objects, "bulk_create", lambda rows: write(sorted(rows, key=lambda _: drawn.random())))
    job_id, over = ask_once(season), threading.Event()

    def help_on() -> None:
        while not over.wait(0.01):
            help_with_night(job_id=job_id)

    threads = [in_thread(help_on) for _ in range(helpers)]
    try:
        run = run_night(job_id=job_id)
    finally:
        over.set()
        for thread in threads:
            thread.join()
        monkeypatch.setattr(JobPart.objects, "bulk_create", write)
    assert run is not None
    return run


def running_job() -> Job:
    """Return a night's job that this worker has claimed."""
    asked, _ = ask_for_job(kind=JobKind.NIGHT, key="by hand", parameters={"season": "none", "night": "2026-06-01"})
    job = claim_job(job_id=asked.pk)
    assert job is not None
    return job


def let_all_be_due() -> None:
    """Let the next night screen every return again, as if each had been compared with something else."""
    Return.objects.update(compared_with=0)


def let_lease_run_out(part: JobPart) -> None:
    """The lease of a part ended a minute ago, by the clock of the database."""
    JobPart.objects.filter(pk=part.pk).update(lease_until=Now() - timedelta(minutes=1))


def claimed(job: Job) -> JobPart:
    part = claim_part(job_id=job.pk, alike=part_runs.alike())
    assert part is not None
    return part


def test_what_is_written_for_all_workers_is_what_the_owner_read_to_the_last_bit() -> None:
    season = make_two_years()
    given, job = night_input(season), running_job()
    parts.write_columns(job=job, columns=written_columns(given))
    read, written = ReadNight(given), WrittenNight(job.pk, job.fence)
    assert written.lists == read.lists
    for group in read.lists.groups:
        (rows, position), (apart, place) = read.level_rows(group), written.level_rows(group)
        for exponent in (1, 0):
            assert_same(rows.of_group(position, rim_exponent=exponent), apart.of_group(place, rim_exponent=exponent))
            assert_same(read.layout(exponent), written.layout(exponent))
        ours, theirs = read.several_seasons(group), written.several_seasons(group)
        assert (
            ours.seasons_of(group)
            == theirs.seasons_of(group)
            == [one.season for one in (given.earlier[0].lists.by_code, given.lists.by_code)]
        )
        assert_same(ours.of_group(group).level, theirs.of_group(group).level)
        assert_same(ours.of_group(group), theirs.of_group(group))
    assert_same(read.site_nights(), written.site_nights())


def assert_same(one: Any, other: Any) -> None:
    """Two records hold arrays of the same types with the same bits, and the same of all else."""
    for name in type(one).__slots__:
        mine, yours = getattr(one, name), getattr(other, name)
        if isinstance(mine, np.ndarray):
            assert (mine.dtype, mine.shape, mine.tobytes()) == (yours.dtype, yours.shape, yours.tobytes()), name
        elif not hasattr(type(mine), "__slots__"):
            assert mine == yours, name


def test_the_figures_are_the_same_to_the_last_digit_whoever_computes_them(
    settings: Any, in_parts: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    season = make_two_years()
    settings.NIGHT_PARTS_FROM = 10**9
    run_once(season)  # holds what it may hold, so that the nights after it read the same
    let_all_be_due()
    alone = published(run_once(season))
    assert Run.objects.filter(state="published").get().values.filter(label="shown").exists()
    assert ChangeValue.objects.filter(run__state="published", code="shown").exists()
    settings.NIGHT_PARTS_FROM = 0
    workers: set[str] = set()
    real = parts.results_of_parts

    def noted(*, job: Job, kind: PartKind) -> list[tuple[str, str]]:
        found = real(job=job, kind=kind)
        workers.update(worker for _, worker in found)
        return found

    monkeypatch.setattr(part_runs, "results_of_parts", noted)
    monkeypatch.setattr(parts, "worker_name", lambda: threading.current_thread().name)
    for helpers in (0, 1, 2):
        let_all_be_due()
        assert published(run_with_helpers(season, helpers, monkeypatch, seed=helpers)) == alone
        assert JobPart.objects.count() == JobColumn.objects.count() == 0, "no part outlives its night"
    assert len(workers) > 1, "helpers did help"


def test_a_worker_that_died_and_one_that_was_thought_dead_change_nothing(
    settings: Any, in_parts: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    season = make_two_years()
    settings.NIGHT_PARTS_FROM = 10**9
    run_once(season)
    let_all_be_due()
    alone = published(run_once(season))
    let_all_be_due()
    settings.NIGHT_PARTS_FROM = 0
    kinds = []

    def others_take_some(*, job_id: int, many: int) -> None:
        job = Job.objects.get(pk=job_id)
        let_lease_run_out(dead := claimed(job))
        let_lease_run_out(slow := claimed(job))
        assert slow.pk == dead.pk, "the first in line is taken over as soon as its lease has run out"
        with pytest.raises(LostPart):
            keep_part(part=dead, result='{"figures": [], "screened": 0}')
        kinds.append(dead.kind)

    monkeypatch.setattr(part_runs, "wake_helpers", others_take_some)
    assert published(run_once(season)) == alone
    assert set(kinds) == set(PartKind.values())


def test_a_part_that_nobody_can_do_ends_the_night_with_a_sentence(
    settings: Any, in_parts: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    season = make_two_years()
    shown = run_once(season)
    real = part_runs.work_on

    def falls_over(frames: Any, kind: PartKind, given: Any) -> Any:
        if given.get("group") == "spiders":
            raise FloatingPointError("the lamp went out")
        return real(frames, kind, given)

    monkeypatch.setattr(part_runs, "work_on", falls_over)
    job_id = ask_once(season)
    assert run_night(job_id=job_id) is None
    job = Job.objects.get(pk=job_id)
    assert (job.state, job.attempts) == ("failed", 1)
    assert "the level of a group under one rim exponent" in job.problem
    assert "FloatingPointError: the lamp went out" in job.problem
    assert Run.objects.get().pk == shown.pk
    assert JobPart.objects.count() == JobColumn.objects.count() == 0


def test_a_part_whose_workers_all_die_is_given_up() -> None:
    job = running_job()
    write_parts(job=job, kind=PartKind.LEVEL, given=["{}", "{}"], alike=part_runs.alike())
    for _ in range(MOST_ATTEMPTS):
        let_lease_run_out(part := claimed(job))
    assert claim_part(job_id=job.pk, alike=part_runs.alike()) is None, "given up, which is found in passing"
    assert parts.parts_standing(job=job, kind=PartKind.LEVEL) == parts.Standing(
        2,
        f"the level of a group under one rim exponent (number 0): It was begun {MOST_ATTEMPTS} times and never ended.",
    )
    assert claimed(job).number == 1, "the others go on"
    set_part_back(part=part, problem="too late")
    assert JobPart.objects.get(pk=part.pk).state == "failed"


def test_of_many_who_claim_at_once_each_gets_a_part_of_its_own() -> None:
    job = running_job()
    write_parts(job=job, kind=PartKind.LEVEL, given=["{}"] * 8, alike=part_runs.alike())
    got: list[int] = []
    threads = [in_thread(lambda: got.append(claimed(job).number)) for _ in range(8)]
    for thread in threads:
        thread.join()
    assert sorted(got) == list(range(8))


def test_a_worker_that_might_differ_in_the_last_digit_takes_no_part() -> None:
    job = running_job()
    write_parts(job=job, kind=PartKind.LEVEL, given=["{}"], alike=part_runs.alike())
    assert claim_part(job_id=job.pk, alike="another processor") is None
    assert claimed(job).number == 0


def test_parts_of_a_job_that_was_claimed_anew_are_dead() -> None:
    job = running_job()
    write_parts(job=job, kind=PartKind.LEVEL, given=["{}", "{}"], alike=part_runs.alike())
    part = claimed(job)
    assert drop_left_parts() == 0, "its job runs"
    Job.objects.update(lease_until=Now() - timedelta(minutes=1))
    again = claim_job(job_id=job.pk)
    assert again is not None
    assert claim_part(job_id=job.pk, alike=part_runs.alike()) is None
    with pytest.raises(LostPart):
        keep_part(part=part, result="{}")
    parts.drop_parts(job=again)
    write_parts(job=again, kind=PartKind.LEVEL, given=["{}"], alike=part_runs.alike())
    parts.drop_parts(job=job)
    assert claimed(again).number == 0, "whoever lost the job drops nothing of the next"
    Job.objects.update(state="done")
    assert drop_left_parts() == 1


def test_a_fenced_out_worker_scores_no_return(in_parts: None) -> None:
    season = make_two_years()
    run_once(season)
    job = running_job()
    numbers = sorted(Return.objects.filter(season=season).values_list("pk", flat=True))
    given = {"season": season.code, "generation": usual_generation(season), "returns": numbers}
    write_parts(
        job=job,
        kind=PartKind.SCREENING,
        given=[part_runs.as_text(given)],
        alike=part_runs.alike(),
    )
    let_lease_run_out(slow := claimed(job))
    claimed(job)
    before = sorted(Return.objects.values_list("pk", "screened_with", "screened_at"))
    with pytest.raises(LostPart):
        part_runs._screened(slow, given)
    assert sorted(Return.objects.values_list("pk", "screened_with", "screened_at")) == before


def test_the_sweep_wakes_helpers_for_parts_that_nobody_works_on(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    woken: list[tuple[Any, ...]] = []
    monkeypatch.setattr(part_runs, "wake", lambda *told, **_: woken.append(told))
    settings.NIGHT_HELPERS = 2
    job = running_job()
    wake_helpers_of_nights()
    assert woken == [], "no parts, nobody to wake"
    write_parts(job=job, kind=PartKind.LEVEL, given=["{}"] * 3, alike=part_runs.alike())
    claimed(job)  # by the owner
    wake_helpers_of_nights()
    assert woken == [("help_with_night", job.pk)] * 2
    monkeypatch.setattr(parts, "worker_name", lambda: "a helper")
    claimed(job)
    assert nights_to_help(2) == {job.pk: 1}
    claimed(job)
    assert nights_to_help(2) == {}, "nothing waits"
    JobPart.objects.update(lease_until=Now() - timedelta(minutes=1))
    assert nights_to_help(2) == {job.pk: 2}, "all workers are gone"


def test_a_helper_that_comes_too_late_does_nothing(in_parts: None) -> None:
    season = make_season()
    job_id = ask_once(season)
    assert help_with_night(job_id=job_id) is False, "before it began"
    resume_job(job_id=job_id)
    assert Job.objects.get(pk=job_id).state == "done"
    assert help_with_night(job_id=job_id) is False, "after it ended"


def test_a_helper_gives_way_and_asks_to_come_back_while_parts_are_left(monkeypatch: pytest.MonkeyPatch) -> None:
    woken: list[tuple[Any, ...]] = []
    monkeypatch.setattr(tasks, "wake", lambda *told, **_: woken.append(told))
    monkeypatch.setattr(part_runs, "HELP_S", 0.0)
    job = running_job()
    write_parts(job=job, kind=PartKind.LEVEL, given=["{}"], alike=part_runs.alike())
    tasks.help_with_night(job.pk)
    assert woken == [("help_with_night", job.pk)]
    assert JobPart.objects.get().state == "queued", "nothing is begun by who has no time for it"
    woken.clear()
    monkeypatch.setattr(part_runs, "HELP_S", 60.0)
    JobPart.objects.all().delete()
    tasks.help_with_night(job.pk)
    assert woken == []
