"""What the desk shows of releases: those that are being made, and what one would hold if it were made now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from uuid import UUID

from django.db.models import Count
from django.utils.translation import gettext

from surveys.errors import NotFound
from surveys.models import Job, Release, Return, Season, Verdict
from surveys.queries.release_places import ReleasePreview, preview_of_release
from surveys.queries.releases import newest_by_number, release_jobs
from surveys.release_files.changes import next_version
from surveys.release_files.tables import RETURNS, SCHEMA_VERSION
from surveys.vocabulary import USABLE_STATES, Exclusion, JobState, ReturnState

#: Why a return in such a state is in no release.
_BY_STATE = {
    ReturnState.RECEIVED: Exclusion.NOT_SCREENED,
    ReturnState.QUERIED: Exclusion.QUERIED,
    ReturnState.DISCOUNTED: Exclusion.DISCOUNTED,
    ReturnState.WITHDRAWN: Exclusion.WITHDRAWN,
}
#: Attempts that failed and are still told of.
MOST_FAILED = 3


@dataclass(frozen=True, slots=True)
class Since:
    """What happened to returns of the same seasons since a release was frozen."""

    came_in: int
    decided: int
    withdrawn: int


@dataclass(frozen=True, slots=True)
class NextRelease:
    """What a release would hold if it were made now, and what it is compared with; ``left_out`` counts returns.

    ``numbers`` are those that it would get: with returns that the last one does not have, and without.
    """

    preview: ReleasePreview
    left_out: Mapping[Exclusion, int]
    before: Release | None
    since: Since | None
    numbers: tuple[str, str]


def next_release(season: Season) -> NextRelease:
    """Return what a release of a season would hold if it were made now. Nine queries; some of them read all returns."""
    preview = preview_of_release(season)
    keys = [one.pk for one in preview.seasons]
    counted = Return.objects.filter(season__in=keys).order_by().values_list("state").annotate(n=Count("pk"))
    states = {ReturnState(state): n for state, n in counted}
    before = newest_by_number()
    return NextRelease(
        preview=preview,
        left_out=_left_out(preview, states),
        before=before,
        since=_since(before, keys) if before is not None else None,
        numbers=(_number(before, came_in=1), _number(before, came_in=0)),
    )


def _number(before: Release | None, *, came_in: int) -> str:
    """Return the number of a release whose tables have the columns that they have now."""
    if before is None:
        return next_version("", {})
    schema = {"before": before.manifest.get("schema_version", SCHEMA_VERSION), "now": SCHEMA_VERSION}
    columns: dict[str, list[str]] = {"came_in": [], "went_out": []}
    return next_version(
        before.version, {"columns": columns, "schema": schema, "tables": {RETURNS.name: {"came_in": came_in}}}
    )


def _left_out(preview: ReleasePreview, states: Mapping[ReturnState, int]) -> dict[Exclusion, int]:
    found = {_BY_STATE[state]: n for state, n in states.items() if state in _BY_STATE}
    found |= {Exclusion(reason): n for reason, n in preview.kept_back.items()}
    usable = sum(n for state, n in states.items() if state in USABLE_STATES)
    # Whatever is usable and neither enters nor is kept back for its place waits for its sender to agree.
    found[Exclusion.NOT_AGREED] = usable - preview.returns - sum(preview.kept_back.values())
    return {reason: found[reason] for reason in Exclusion if found.get(reason)}


def _since(before: Release, seasons: list[int]) -> Since:
    # A release knows its instant to the second: what happened within that second is mostly in it.
    since = before.frozen_at + timedelta(seconds=1)
    returns = Return.objects.filter(season__in=seasons)
    return Since(
        came_in=returns.filter(received_at__gte=since).count(),
        decided=Verdict.objects.filter(report__season__in=seasons, decided_at__gte=since).count(),
        withdrawn=returns.filter(state=ReturnState.WITHDRAWN, moved_at__gte=since).count(),
    )


def jobs_to_tell() -> list[Job]:
    """Return the release that is being made, if any, and attempts that failed since the last one, newest first.

    Two queries.
    """
    last_done = release_jobs().filter(state=JobState.DONE).values_list("pk", flat=True).first() or 0
    return list(release_jobs().filter(pk__gt=last_done).exclude(state=JobState.DONE)[: MOST_FAILED + 1])


def release_job(public_id: UUID) -> Job:
    """Return the job that makes or made a release. One query."""
    job = release_jobs().filter(public_id=public_id).first()
    if job is None:
        raise NotFound(gettext("There is no such release in the making. The list shows those there are."))
    return job
