"""The night: re-estimate what is usual, screen what changed, draw second looks, compute the indices, show them.

Each step stands in its own transactions and can be run again without harm, so a night that was cut
short is simply begun anew. This module is the only one that knows the order of the stages.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

from django.conf import settings

from surveys.errors import NotFound
from surveys.methods import METHOD_VERSION
from surveys.models import Job, Run, Season
from surveys.queries.jobs import nights_done, nights_to_help
from surveys.queries.night import NightInput
from surveys.queries.seasons import closed_seasons_to_do_again, lists_of, season_by_code, seasons
from surveys.services import part_runs
from surveys.services.exports import write_export
from surveys.services.indices import compute_indices
from surveys.services.jobs import ask_for_job, claim_job, do_job, finish_job, give_up_job, keep_stage, report_progress
from surveys.services.packing import pack_catches
from surveys.services.part_doers import DoParts, here
from surveys.services.part_runs import among_workers, are_many, share_parts
from surveys.services.parts import PartGivenUp, drop_parts
from surveys.services.protocol_previews import try_protocol
from surveys.services.releases import make_release
from surveys.services.screening import screen_received
from surveys.services.screening_again import Share, screen_again
from surveys.services.second_looks import draw_second_looks
from surveys.services.sheets import read_sheet
from surveys.services.usual import learn_what_is_usual
from surveys.vocabulary import JobKind, PartKind, SeasonState


def night_key(season: Season, night: date) -> str:
    """Return the name under which a night of a season stands in the job table."""
    return f"{season.code}/{night.isoformat()}/{METHOD_VERSION}"


def latest_night(now: datetime) -> date:
    """Return the last night that is over and due: yesterday, from the hour of the night on."""
    return (now - timedelta(hours=settings.NIGHT_FROM_HOUR)).date() - timedelta(days=1)


def ask_for_night(*, season: Season, night: date) -> tuple[Job, bool]:
    """Write one night of one season down as a job; a second asking changes nothing."""
    return ask_for_job(
        kind=JobKind.NIGHT,
        key=night_key(season, night),
        parameters={"season": season.code, "night": night.isoformat()},
    )


def ask_for_due_nights(*, now: datetime) -> list[Job]:
    """Write down the latest due night of each open season that has not had it.

    A run reads everything that is there, so one run makes up for all nights that were missed. A closed season has a
    night more where one of its returns was decided or taken back since the last; that is looked up in one hour a day.
    """
    night = latest_night(now)
    due = list(seasons().filter(state=SeasonState.OPEN, opens_on__lte=night))
    if now.hour == settings.NIGHT_FROM_HOUR:
        due += closed_seasons_to_do_again()
    return [
        ask_for_night(season=season, night=night)[0]
        for season in due
        if night_key(season, night) not in nights_done(f"{season.code}/")
    ]


def run_night(*, job_id: int, progress: Callable[[int, int], None] | None = None) -> Run | None:
    """Run a night's job if nobody else does. Returns its run, or None when there was nothing to do."""
    done = do_job(job_id=job_id, work=lambda job: _night(job, progress))
    if done is None or done[1] is None:
        return None
    job, run = done[0], done[1]
    finish_job(job=job, result={"run": run.pk, "snapshot_hash": run.snapshot_hash})
    return run


def _night(job: Job, progress: Callable[[int, int], None] | None) -> Run | None:
    """Do a night's steps; None where a part of it was given up, which ends the job in words."""
    try:
        return _steps(job, progress)
    except PartGivenUp as refusal:
        give_up_job(job=job, problem=refusal.sentence)
        return None
    finally:
        drop_parts(job=job)


def _steps(job: Job, progress: Callable[[int, int], None] | None) -> Run:
    season = _season_of(job)
    groups = lists_of(season).groups
    total = len(groups) + 3

    def tell(done: int) -> None:
        report_progress(job=job, done=done, total=total)
        if progress is not None:
            progress(done, total)

    tell(0)
    while screen_received(most=200):
        tell(0)
    pack_catches(season=season, still_ours=lambda: tell(0))
    usual = learn_what_is_usual(season=season, generation=job.pk)
    tell(1)
    screened = job.result.get("screening") or screen_again(
        season=season,
        generation=job.pk,
        still_ours=lambda: tell(1),
        share=lambda due: _share(job, tell) if are_many(due, len(groups)) else None,
        keep=lambda told: keep_stage(job=job, stage="screening", told=told),
    )
    tell(2)
    # What was held just now is in the queue and is not drawn.
    drawn = draw_second_looks(season=season)
    tell(2)
    parameters: dict[str, Any] = {"usual": usual, "screening": screened, "second_looks": {"drawn": drawn}}
    run = compute_indices(
        job=job,
        season=season,
        night=date.fromisoformat(job.parameters["night"]),
        parameters=parameters,
        progress=lambda done, _: tell(2 + done),
        doers=lambda given: _doers(job, given),
    )
    tell(total)
    return run


def _share(job: Job, tell: Callable[[int], None]) -> Share:
    """Return what hands the returns to be screened again to all workers."""

    def share(parts: list[dict[str, Any]]) -> None:
        share_parts(job=job, kind=PartKind.SCREENING, given=parts, still_ours=lambda: tell(1))

    return share


def _doers(job: Job, given: NightInput) -> DoParts:
    """Return who does the parts of the computing: all workers where there is much of it, else this one."""
    if are_many(len(given.frame), len(given.lists.groups)):
        return among_workers(job=job, given=given)
    return here(given)


def help_with_night(*, job_id: int) -> bool:
    """Do parts of a night that another worker owns. Returns whether some may be left, so that help is asked again."""
    return part_runs.help_with_night(job_id=job_id)


def wake_helpers_of_nights() -> None:
    """Wake workers for the parts of nights that nobody works on: their hints were lost, or their workers."""
    for job_id, many in nights_to_help(settings.NIGHT_HELPERS).items():
        part_runs.wake_helpers(job_id=job_id, many=many)


def _season_of(job: Job) -> Season:
    try:
        return season_by_code(job.parameters["season"])
    except KeyError:
        raise NotFound(f"Job {job.pk} does not say which season it is for.") from None


def resume_job(*, job_id: int) -> None:
    """Take up a job of any kind that waits or that lost its worker."""
    kind = Job.objects.filter(pk=job_id).values_list("kind", flat=True).first()
    if kind == JobKind.NIGHT:
        run_night(job_id=job_id)
    elif kind == JobKind.CANARY:
        job = claim_job(job_id=job_id)
        if job is not None:
            finish_job(job=job, result={})
    elif kind == JobKind.SHEET:
        read_sheet(job_id=job_id)
    elif kind == JobKind.PREVIEW:
        try_protocol(job_id=job_id)
    elif kind == JobKind.EXPORT:
        write_export(job_id=job_id)
    elif kind == JobKind.RELEASE:
        make_release(job_id=job_id)
