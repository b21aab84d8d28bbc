"""Exports of live data: asked for by a researcher, written by a job, kept for a week. Nobody cites them.

A file is made in a folder of its own and moved in place when it is whole, in one transaction with the end of its job;
a job that was cut short is begun anew.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from uuid import UUID, uuid4

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from surveys.errors import Fault, Faulty, NotAllowed, NotFound, TooSoon
from surveys.models import Account, Export, Job, Season
from surveys.permissions import Rule, admits
from surveys.queries.exports import file_of, own_export
from surveys.queries.live_filters import LiveFilter, read_filter
from surveys.queries.seasons import lists_of, season_by_code
from surveys.services.events import write_event
from surveys.services.export_files import WrittenFile, write_table_file
from surveys.services.jobs import do_job, end_held_job, finish_job, hold_job, report_progress
from surveys.services.once import Kept, Once
from surveys.services.waking import wake
from surveys.vocabulary import ExportTable, FileKind, JobKind, JobState

#: Exports of an account that may wait at one time, and that it may ask for in a day. Own choice.
MOST_WAITING, MOST_A_DAY = 3, 20
#: How long a file is kept. Own choice: live data go stale.
KEPT = timedelta(days=7)
#: Seconds after which somebody whose exports wait asks again, and between two writings of how far one has come.
WAIT_S, STEP_S = 30, 1.0
_A_DAY = timedelta(days=1)
#: A folder or file that no export owns is left alone for so long: it may be in the making.
_STRAY = timedelta(days=1)
_WAITING = (JobState.QUEUED, JobState.RUNNING)


def ask_for_export(
    *,
    by: Account,
    season_code: str,
    table: ExportTable,
    kind: FileKind,
    filters: Mapping[str, str],
    once: Once | None = None,
    answer: Callable[[Export], Kept] | None = None,
) -> Export | Kept:
    """Write down that a table of live data is to be exported.

    With ``once`` and ``answer`` the rendered answer is kept in the same transaction and returned, as is that of an
    earlier request. Raises :class:`Faulty` with every fault, :class:`TooSoon` for more than an account's share.
    """
    if not admits(Rule.RESEARCHER, by):
        raise NotAllowed("Live data are for researchers, coordinators and operators.")
    season, wanted = _read_request(season_code, filters)
    now = timezone.now()
    with transaction.atomic(durable=True):
        kept = once.claim() if once else None
        if kept is not None:
            return kept
        Account.objects.select_for_update(no_key=True).get(pk=by.pk)
        _refuse_too_many(by, now)
        public_id = uuid4()
        export = Export.objects.create(
            public_id=public_id,
            by=by,
            season=season,
            # Written here, and not by a service of its own: an export without its job would wait for ever.
            job=Job.objects.create(kind=JobKind.EXPORT, key=str(public_id)),
            table=table,
            kind=kind,
            filters=wanted.given,
            asked_at=now,
            expires_at=now + KEPT,
        )
        if once is not None and answer is not None:
            kept = answer(export)
            once.keep(kept.status, kept.body)
        details = {"season": season.code, "table": table.value, "kind": kind.value}
        write_event(by=by, verb="export asked for", subject=export, details=details)
    wake("resume_job", export.job_id)
    return kept or export


def throw_export_away(*, by: Account, public_id: UUID) -> None:
    """Stop an export that waits or is being written, or delete its file; a second time changes nothing."""
    export = own_export(by, public_id)
    with transaction.atomic(durable=True):
        job = Job.objects.select_for_update(no_key=True).filter(pk=export.job_id).first()
        if job is None:
            raise NotFound("There is no export of yours with this id.")
        if job.state == JobState.CANCELLED:
            return
        job.state, job.lease_until, job.finished_at = JobState.CANCELLED, None, timezone.now()
        job.save()
        write_event(by=by, verb="export thrown away", subject=export, details={})
    file_of(export).unlink(missing_ok=True)


def _read_request(season_code: str, filters: Mapping[str, str]) -> tuple[Season, LiveFilter]:
    try:
        season = season_by_code(season_code)
    except NotFound as refusal:
        raise _faulty(Fault("/season", "unknown_season", refusal.sentence)) from None
    wanted, faults = read_filter(lists_of(season), filters)
    if faults:
        raise _faulty(*(Fault(f"/filters{one.pointer}", one.code, one.sentence) for one in faults))
    return season, wanted


def _faulty(*faults: Fault) -> Faulty:
    return Faulty("This cannot be exported as it was asked for. Mend what is listed and ask again.", faults=faults)


def _refuse_too_many(by: Account, now: datetime) -> None:
    mine = Export.objects.filter(by=by)
    if mine.filter(job__state__in=_WAITING).count() >= MOST_WAITING:
        raise TooSoon(f"{MOST_WAITING} of your exports still wait. Wait until one is written.", wait_s=WAIT_S)
    today = mine.filter(asked_at__gt=now - _A_DAY).order_by("asked_at")
    if today.count() >= MOST_A_DAY:
        first = today.values_list("asked_at", flat=True)[0]
        wait = int((first + _A_DAY - now).total_seconds()) + 1
        raise TooSoon(f"You asked for {MOST_A_DAY} exports in a day, which is the most there are.", wait_s=wait)


# --- the work ---------------------------------------------------------------------------------------


def write_export(*, job_id: int) -> Export | None:
    """Do the job of writing an export if nobody else does. Returns it, None when there was nothing to do."""
    done = do_job(job_id=job_id, work=_write)
    return done[1] if done else None


def _write(job: Job) -> Export | None:
    export = Export.objects.select_related("season").filter(job=job).first()
    if export is None:
        finish_job(job=job, result={})
        return None
    folder = settings.EXPORTS_FOLDER / f".writing-{export.public_id}-{job.fence}"
    try:
        folder.mkdir(parents=True)
        _keep_file(job, export, _written(job, export, folder))
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return export


def _written(job: Job, export: Export, folder: Path) -> WrittenFile:
    wanted, faults = read_filter(lists_of(export.season), export.filters)
    assert not faults, faults  # an open season's lists are frozen, so what could be asked for still can
    told = 0.0

    def tell(done: int, total: int) -> None:
        nonlocal told
        if time.monotonic() - told >= STEP_S or done == total:
            told = time.monotonic()
            report_progress(job=job, done=done, total=total)

    return write_table_file(
        season=export.season,
        wanted=wanted,
        table=ExportTable(export.table),
        kind=FileKind(export.kind),
        folder=folder,
        tell=tell,
    )


def _keep_file(job: Job, export: Export, written: WrittenFile) -> None:
    """Move a file in place and write it down, with the end of its job, in one transaction."""
    with transaction.atomic(durable=True):
        held = hold_job(job=job)
        export.rows, export.size_bytes, export.sha256 = written.rows, written.size_bytes, written.sha256
        export.written_at = timezone.now()
        export.save(update_fields=["rows", "size_bytes", "sha256", "written_at"])
        end_held_job(held=held, result={"rows": written.rows})
        written.path.replace(file_of(export))
        write_event(by=None, verb="export written", subject=export, details={"rows": written.rows})


def drop_old_exports(*, now: datetime) -> int:
    """Drop exports whose week is over with their files, and files that no export owns any more. Returns how many."""
    with transaction.atomic(durable=True):
        old = list(Export.objects.filter(expires_at__lte=now).select_for_update(no_key=True, of=("self",)))
        Job.objects.filter(pk__in=[one.job_id for one in old]).delete()
        if old:
            write_event(by=None, verb="old exports dropped", details={"rows": len(old)})
    for one in old:
        file_of(one).unlink(missing_ok=True)
    _drop_strays(now)
    return len(old)


def _drop_strays(now: datetime) -> None:
    """Delete what was left by workers that died and by accounts that were erased."""
    if not settings.EXPORTS_FOLDER.is_dir():
        return
    owned = {file_of(one).name for one in Export.objects.only("public_id", "kind")}
    for path in settings.EXPORTS_FOLDER.iterdir():
        if path.name in owned or path.stat().st_mtime > (now - _STRAY).timestamp():
            continue
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)
