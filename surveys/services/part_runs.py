"""A night among many workers: its owner hands parts out, whoever is awake takes them, the owner gathers.

The owner reads the season once, in one snapshot, and writes it column by column under its claim of the job
(:mod:`surveys.queries.night_frames`); the parts are computed from these columns and nothing else. A snapshot exported
by the owner would hold one transaction open for the whole night, and every worker would read, sort and hold the whole
season. So a worker on any host that reaches the database reads the few columns that its part needs.

Parts of one stage stand in the table before the owner waits for them, and it does parts itself while it waits: with
no helper at all, or with every hint lost, the night only takes longer. A part is a function of what it is given, so
the figures do not depend on who does it; only workers whose processor and code give the same last digits take parts.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import traceback
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from time import monotonic, sleep
from typing import Any

from django.conf import settings
from django.db import connection
from threadpoolctl import threadpool_limits

from surveys.methods import side_by_side
from surveys.models import Job, JobPart
from surveys.processor_kind import processor_kind
from surveys.queries.night import NightInput
from surveys.queries.night_frames import WrittenNight, written_columns
from surveys.services.indices import running_code
from surveys.services.part_doers import DoParts
from surveys.services.part_work import Given, as_text, work_on
from surveys.services.parts import (
    LostPart,
    PartGivenUp,
    claim_part,
    hold_part,
    keep_part,
    parts_standing,
    renew_parts,
    results_of_parts,
    set_part_back,
    write_columns,
    write_parts,
)
from surveys.services.screening_again import screen_part
from surveys.services.waking import wake
from surveys.vocabulary import PartKind

log = logging.getLogger(__name__)

#: Seconds between two looks of an owner that waits for the parts of others.
POLL_S = 0.3
#: A helper gives way to other tasks after so many seconds; the sign of life must come each minute.
HELP_S = 20.0
#: A hint that nobody has taken up for so many seconds is dropped; the sweep gives new ones.
HINT_S = 60.0


def are_many(returns: int, groups: int) -> bool:
    """Say whether so many returns are worth the cost of handing them out."""
    return returns * groups >= settings.NIGHT_PARTS_FROM


def alike() -> str:
    """Return what tells workers apart that might differ in a last digit: a hash of code and processor."""
    return hashlib.sha256(f"{running_code()}; {processor_kind()}".encode()).hexdigest()


def among_workers(*, job: Job, given: NightInput) -> DoParts:
    """Write a night's input down for all workers; return what hands parts out and gathers their results."""
    write_columns(job=job, columns=written_columns(given))

    def do(kind: PartKind, parts: Sequence[Given], still_ours: Callable[[], None]) -> Iterator[dict[str, Any]]:
        return iter(share_parts(job=job, kind=kind, given=parts, still_ours=still_ours))

    return do


def share_parts(
    *, job: Job, kind: PartKind, given: Sequence[Given], still_ours: Callable[[], None]
) -> list[dict[str, Any]]:
    """Write parts down, do them together with whoever helps, and return their results in order.

    Raises :class:`surveys.services.parts.PartGivenUp` when one cannot be done, and whatever ``still_ours`` raises.
    """
    write_parts(job=job, kind=kind, given=[as_text(one) for one in given], alike=alike())
    wake_helpers(job_id=job.pk, many=min(settings.NIGHT_HELPERS, len(given) - 1))
    said = monotonic()
    while True:
        do_waiting_parts(job_id=job.pk, still_ours=still_ours)
        standing = parts_standing(job=job, kind=kind)
        if standing.given_up:
            raise PartGivenUp(
                f"One part of the night could not be done by any worker: {standing.given_up}. "
                "Nothing of this night is shown; the last one stands. Put right what it says and ask for a new night."
            )
        if not standing.left:
            return [json.loads(result) for result, _ in results_of_parts(job=job, kind=kind)]
        if monotonic() - said > side_by_side.BEAT_S:
            said = monotonic()
            still_ours()
        sleep(POLL_S)


def wake_helpers(*, job_id: int, many: int) -> None:
    """Wake workers to help with a night; hints may be lost."""
    for _ in range(many):
        wake("help_with_night", job_id, expires=HINT_S)


def help_with_night(*, job_id: int) -> bool:
    """Do parts of a night until none waits, or until others need this worker. Returns whether some may be left."""
    until = monotonic() + HELP_S
    do_waiting_parts(job_id=job_id, still_ours=lambda: None, enough=lambda: monotonic() > until)
    return monotonic() > until


def do_waiting_parts(
    *,
    job_id: int,
    still_ours: Callable[[], None],
    enough: Callable[[], bool] = lambda: False,
    at_once: int | None = None,
) -> int:
    """Claim and do parts of a job until none waits, some at a time, and keep hold of their leases meanwhile.

    Each runs on one thread, so that no result depends on the number of processors. ``still_ours`` is called at least
    every 20 seconds; it may raise to stop. No part is begun once ``enough`` says so. Returns how many were done.
    """
    many = at_once or settings.NIGHT_PARTS_AT_ONCE or os.cpu_count() or 1
    same, source, done = alike(), _Source(job_id), 0
    running: dict[Future[str], JobPart] = {}
    with threadpool_limits(limits=1), ThreadPoolExecutor(max_workers=many) as workers:
        try:
            while True:
                while len(running) < many and not enough():
                    part = claim_part(job_id=job_id, alike=same)
                    if part is None:
                        break
                    if (work := _begun(source, part)) is not None:
                        running[workers.submit(work)] = part
                if not running:
                    return done
                ended, _ = wait(running, timeout=side_by_side.BEAT_S, return_when=FIRST_COMPLETED)
                for future in ended:
                    done += _ended(running.pop(future), future)
                renew_parts(parts=list(running.values()))
                still_ours()
        finally:
            for future in running:
                future.cancel()


class _Source:
    """What a worker's parts read: the written night, kept while the worker stays with one claim of the job."""

    def __init__(self, job_id: int) -> None:
        self._job_id = job_id
        self._night: tuple[int, WrittenNight] | None = None

    def of(self, part: JobPart) -> WrittenNight:
        """Return the night as it was written under the claim that a part belongs to."""
        if self._night is None or self._night[0] != part.fence:
            self._night = (part.fence, WrittenNight(self._job_id, part.fence))
        return self._night[1]


def _begun(source: _Source, part: JobPart) -> Callable[[], str] | None:
    """Read what a part needs and return its work; None, with the part put back, where that falls over."""
    try:
        given = json.loads(part.given)
        if part.kind == PartKind.SCREENING:
            return lambda: _screened(part, given)
        work = work_on(source.of(part), PartKind(part.kind), given)
    except Exception:
        _put_back(part)
        return None
    return lambda: as_text(work())


def _screened(part: JobPart, given: dict[str, Any]) -> str:
    """Screen the returns of a part, in a thread with a line of its own to the database."""
    try:
        screened = screen_part(**given, still_ours=lambda: renew_parts(parts=[part]), hold=lambda: hold_part(part=part))
    finally:
        connection.close()
    return as_text({"screened": screened})


def _ended(part: JobPart, future: Future[str]) -> int:
    """Keep the result of a part, or put it back where it fell over. Returns 1 for a part that was kept."""
    try:
        keep_part(part=part, result=future.result())
    except LostPart as lost:
        log.warning("%s", lost)
        return 0
    except Exception:
        _put_back(part)
        return 0
    return 1


def _put_back(part: JobPart) -> None:
    log.exception("%s fell over", part)
    set_part_back(part=part, problem=traceback.format_exc(limit=5))
