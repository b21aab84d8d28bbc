"""Releases: asked for on the desk, made by a job, published whole or not at all, withdrawn with a reason.

The files are made in a folder of their own and moved in place when all of them are there; the row in the database is
written last, in one transaction with the end of the job. A job that was cut short is begun anew.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from uuid import UUID, uuid4

from django.conf import settings
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from surveys.errors import Conflict, Fault, Faulty, NotAllowed, NotFound, Refusal
from surveys.methods import METHOD_VERSION
from surveys.methods.side_by_side import results_in_order
from surveys.models import Account, Job, Region, Release, ReleasedCell, ReleasedSite, Season
from surveys.permissions import may_plan_seasons
from surveys.queries.indices import published_run
from surveys.queries.release_places import places_told
from surveys.queries.releases import folder_of, newest_by_number, release_by_version, version_number
from surveys.queries.seasons import season_by_code
from surveys.queries.second_looks import review_quality
from surveys.release_files.changes import compare_index, compare_releases, is_nothing, next_version
from surveys.release_files.facts import Facts, write_facts
from surveys.release_files.index_series import write_index_series
from surveys.release_files.listing import MANIFEST, looked_at
from surveys.release_files.making import make_files_apart, rebuild
from surveys.release_files.manifest import check_folder, read_manifest
from surveys.release_files.reading import read_table
from surveys.release_files.tables import CELLS, SCHEMA_VERSION
from surveys.services.events import write_event
from surveys.services.frozen_tables import Frozen, freeze_tables
from surveys.services.indices import running_code
from surveys.services.jobs import LostLease, do_job, end_held_job, give_up_job, hold_job, report_progress
from surveys.services.waking import wake
from surveys.vocabulary import LICENCE_URLS, JobKind, JobState, Licence, ReleaseState

#: Letters that a reason needs at least, and may have: it is published with the release.
SHORTEST_REASON, LONGEST_REASON = 10, 300
#: Parts of the work that are told one by one; making the files is most of it.
_STEPS = 100
_FROZEN, _INDEX = 20, 60


def ask_for_release(*, by: Account, season_code: str, because: str) -> Job:
    """Write down that a release of a season is to be made. One at a time.

    Raises :class:`NotAllowed`, :class:`Faulty` without a reason, :class:`Conflict` while another one is being made.
    """
    _refuse_others(by)
    reason = _reason(because, "/because")
    season = season_by_code(season_code)
    if not settings.PUBLIC_ADDRESS:
        raise Conflict(gettext("PUBLIC_ADDRESS is not set, and it stands in every release. Ask an operator to set it."))
    with transaction.atomic(durable=True):
        _refuse_while_one_is_made()
        job = Job.objects.create(
            kind=JobKind.RELEASE,
            key=f"{season.code}/{uuid4()}",
            parameters={"season": season.code, "because": reason, "by": by.pk},
        )
        write_event(by=by, verb="release asked for", subject=job, details={"season": season.code})
    wake("resume_job", job.pk)
    return job


def make_release(*, job_id: int, progress: Callable[[int, int], None] | None = None) -> Release | None:
    """Do the job of making a release if nobody else does. Returns the release, None when there was nothing to do."""
    done = do_job(job_id=job_id, work=lambda job: _make_or_give_up(job, progress))
    return done[1] if done else None


def withdraw_release(*, by: Account, version: str, because: str) -> Release:
    """Withdraw a published release: its files are not served any more, its page says why.

    What was downloaded stays where it is; the reason tells those who have it.
    """
    _refuse_others(by)
    reason = _reason(because, "/because")
    with transaction.atomic(durable=True):
        release = Release.objects.select_for_update(no_key=True).filter(version=version).first()
        if release is None:
            raise NotFound(gettext("There is no release with this number."))
        if release.state == ReleaseState.WITHDRAWN:
            raise Conflict(gettext("This release is withdrawn already."))
        release.state = ReleaseState.WITHDRAWN
        release.withdrawn_at = timezone.now()
        release.withdrawn_because = reason
        release.save(update_fields=["state", "withdrawn_at", "withdrawn_because"])
        write_event(by=by, verb="release withdrawn", subject=release, details={"version": version})
    return release


def _refuse_others(by: Account) -> None:
    if not may_plan_seasons(by):
        raise NotAllowed(gettext("Releases are made and withdrawn by the coordinators of all regions."))


def _reason(given: str, pointer: str) -> str:
    reason = " ".join(given.split())
    if not SHORTEST_REASON <= len(reason) <= LONGEST_REASON:
        sentence = gettext(
            "The reason has %(found)d letters. Write %(least)d to %(most)d: it is published with the release."
        ) % {"found": len(reason), "least": SHORTEST_REASON, "most": LONGEST_REASON}
        raise Faulty(sentence, faults=(Fault(pointer, "reason_length", sentence),))
    return reason


def _refuse_while_one_is_made() -> None:
    waiting = Job.objects.select_for_update(no_key=True).filter(
        kind=JobKind.RELEASE, state__in=[JobState.QUEUED, JobState.RUNNING]
    )
    if waiting.exists():
        raise Conflict(gettext("A release is being made already. Wait until it is done, then make the next one."))


# --- the work ---------------------------------------------------------------------------------------


def _make_or_give_up(job: Job, progress: Callable[[int, int], None] | None) -> Release | None:
    """Make a release in a folder of its own; where a rule says no, doing it again would end the same way."""
    folder = settings.RELEASES_FOLDER / f".making-{job.public_id}-{job.fence}"
    try:
        return _make(job, folder, progress)
    except LostLease:
        raise
    except Refusal as refusal:
        give_up_job(job=job, problem=refusal.sentence)
        return None
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _make(job: Job, folder: Path, progress: Callable[[int, int], None] | None) -> Release:
    def tell(done: int) -> None:
        report_progress(job=job, done=done, total=_STEPS)
        if progress is not None:
            progress(done, _STEPS)

    tell(0)
    season = season_by_code(job.parameters["season"])
    folder.mkdir(parents=True)
    frozen = freeze_tables(season=season, folder=folder, still_ours=lambda: tell(0))
    if not frozen.sites:
        raise Conflict(f"No return of {season.code} may be released yet. The preview on the desk says why.")
    tell(_FROZEN)
    before = newest_by_number()
    facts = _facts(job, season, frozen, before, folder)
    write_facts(facts, folder)
    _at_length(lambda: write_index_series(folder), lambda: tell(_FROZEN))
    tell(_INDEX)
    if before is not None:
        facts = replace(facts, changes={**facts.changes, "index": compare_index(folder_of(before), folder)})
        write_facts(facts, folder)
    _at_length(lambda: make_files_apart(folder, without=("index_series",)), lambda: tell(_INDEX))
    tell(_STEPS)
    return _publish(job=job, season=season, frozen=frozen, facts=facts, before=before, folder=folder)


def _at_length(work: Callable[[], Any], still_ours: Callable[[], None]) -> None:
    """Do one thing that takes long, and say every 20 seconds that it goes on."""
    list(results_in_order(lambda _: work(), [None], still_ours))


def _facts(job: Job, season: Season, frozen: Frozen, before: Release | None, folder: Path) -> Facts:
    """Return the facts of the release: its number follows from what changed since the last one."""
    regions = Region.objects.filter(season__in=frozen.seasons).distinct().order_by("code")
    told: dict[str, Any] = {
        "season": season.code,
        "title": season.title,
        "organiser": season.organiser,
        "contact": season.contact,
        "licence": season.licence,
        "boundaries": {region.code: region.boundary for region in regions},
    }
    changes = compare_releases(folder_of(before), folder, told=told) if before is not None else {}
    if before is not None and is_nothing(changes):
        raise Conflict(f"Nothing has changed since release {before.version}, so there is nothing to release.")
    version = next_version(before.version if before else "", changes)
    return Facts(
        **told,
        version=version,
        home=settings.PUBLIC_ADDRESS.rstrip("/"),
        frozen_at=frozen.at.strftime("%Y-%m-%dT%H:%M:%SZ"),
        licence_url=LICENCE_URLS[Licence(season.licence)],
        seed=seed_of_release(season.code, version),
        method_version=METHOD_VERSION,
        code_version=running_code(),
        schema_version=SCHEMA_VERSION,
        snapshot_event=frozen.event,
        replaces=before.version if before else "",
        because=job.parameters["because"],
        invented=season.invented,
        changes=changes,
        review=asdict(review_quality(season)),
    )


def seed_of_release(season: str, version: str) -> int:
    """Return the seed of a release's index: fixed by season and number."""
    return int.from_bytes(hashlib.sha256(f"{season}/{version}".encode()).digest()[:4], "big")


def _publish(
    *, job: Job, season: Season, frozen: Frozen, facts: Facts, before: Release | None, folder: Path
) -> Release:
    """Move the files in place and write the release down, with the end of its job, in one transaction."""
    _close_for_ever(folder)
    manifest = read_manifest(folder)
    with transaction.atomic(durable=True):
        held = hold_job(job=job)
        release = Release.objects.create(
            season=season,
            version=facts.version,
            number=version_number(facts.version),
            run=published_run(season),
            job=held,
            by=Account.objects.filter(pk=job.parameters.get("by")).first(),
            because=facts.because,
            replaces=before,
            manifest=manifest,
            summary={"rows": dict(frozen.rows), "sites": len(frozen.sites), "changes": dict(facts.changes)},
            sha256=looked_at(folder / MANIFEST).sha256,
            frozen_at=frozen.at,
        )
        _write_down_sites(release, frozen)
        _write_down_cells(release, frozen, folder)
        end_held_job(held=held, result={"version": release.version})
        _move_in_place(folder, folder_of(release))
        details = {"version": release.version, "sha256": release.sha256, "returns": frozen.rows["returns"]}
        write_event(by=None, verb="release published", subject=release, details=details)
    return release


def _write_down_sites(release: Release, frozen: Frozen) -> None:
    """Write down what is told of a site for the first time: later releases settle their places from it."""
    told = places_told()
    regions = {region.code: region for region in Region.objects.all()}
    new = (
        ReleasedSite(public_id=UUID(site), release=release, region=regions[place.region], cell_code=place.cell or "")
        for site, place in sorted(frozen.sites.items())
        if site not in told or (place.cell is not None and told[site].cell is None)
    )
    ReleasedSite.objects.bulk_create(new, 5000)


def _write_down_cells(release: Release, frozen: Frozen, folder: Path) -> None:
    seasons = {one.code: one for one in frozen.seasons}
    regions = {region.code: region for region in Region.objects.all()}
    rows = read_table(folder, CELLS).to_pylist()
    ReleasedCell.objects.bulk_create(
        ReleasedCell(
            release=release,
            season=seasons[row["season"]],
            region=regions[row["region"]],
            cell_code=row["cell"],
            **{name: row[name] for name in _SAME_NAME},
        )
        for row in rows
    )


_SAME_NAME = ("cell_latitude", "cell_longitude", "cell_uncertainty_m", "sites", "returns", "trap_nights")


def _close_for_ever(folder: Path) -> None:
    """Put every file on the disk for good, and let nobody write to it by accident."""
    for path in sorted(folder.iterdir()):
        with path.open("rb") as file:
            os.fsync(file.fileno())
        path.chmod(0o444)


def _move_in_place(made: Path, place: Path) -> None:
    """Move a finished folder to where it is served from. What a job that died left there is put aside first."""
    if place.exists():
        shutil.rmtree(place)
    made.rename(place)
    handle = os.open(place.parent, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def check_release(*, version: str) -> list[str]:
    """Compare the files of a release with its checksums; return a sentence for each fault."""
    release = release_by_version(version)
    folder = folder_of(release)
    if not folder.is_dir():
        return [f"The folder of release {version} is not there. Bring it back from a backup."]
    try:
        faults = check_folder(folder)
    except ValueError as fault:
        return [str(fault)]
    found = looked_at(folder / MANIFEST).sha256
    if found != release.sha256:
        faults.append(f"{MANIFEST} has the checksum {found}, but the database says {release.sha256}.")
    return faults


def remake_release(*, version: str) -> list[str]:
    """Make the files of a release again from its frozen tables; return a sentence for each that differs."""
    faults = check_release(version=version)
    if faults:
        return faults
    with TemporaryDirectory(prefix="release-") as name:
        found = rebuild(folder_of(release_by_version(version)), Path(name))
    return [f"{one.path} is made differently now: {one.before or 'none'}, then {one.after or 'none'}." for one in found]
