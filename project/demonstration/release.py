"""Publishes the demonstration's season, downloads the release as a stranger would, and computes its index again."""

from __future__ import annotations

import hashlib
import io
import time
import zipfile
from collections.abc import Callable, Iterator
from contextlib import redirect_stdout
from pathlib import Path
from tempfile import TemporaryDirectory

import httpx

from project.demonstration.world import Merrow
from surveys.models import Account, Job, Release
from surveys.queries.releases import newest_release
from surveys.release_files.recompute import main as recompute
from surveys.services.releases import ask_for_release
from surveys.services.waking import wake
from surveys.vocabulary import Exclusion, JobState

BECAUSE = "The season of the demonstration is complete."
#: Seconds after which a job that nobody has begun is woken again.
WAKE_AGAIN_S = 5.0


def publish(merrow: Merrow, look_after: Callable[[], None]) -> Release | None:
    """Ask for a release as the lead would and wait for the worker. None where nothing has changed since the last."""
    lead = Account.objects.get(email=merrow.people["lead"]["email"])
    job = ask_for_release(by=lead, season_code=merrow.season.code, because=BECAUSE)
    woken = time.monotonic()
    while job.state in (JobState.QUEUED, JobState.RUNNING):
        look_after()
        if job.state == JobState.QUEUED and time.monotonic() - woken > WAKE_AGAIN_S:
            woken = time.monotonic()
            wake("resume_job", job.pk)
        job = Job.objects.get(pk=job.pk)
    return Release.objects.filter(job=job).first()


def lines_of(release: Release | None, address: str) -> Iterator[str]:
    """Yield what was published, and what somebody finds who has nothing but the address."""
    yield ""
    if release is None:
        newest = newest_release()
        yield f"Nothing has changed since release {newest.version}." if newest else "There is no release."
        return
    files = release.manifest["files"]
    size = sum(entry["bytes"] for entry in files) / 1e6
    rows = release.summary["rows"]
    yield f"Release {release.version}: {address}/releases/{release.version}/"
    yield f"  {rows['returns']:,} returns of {release.summary['sites']} gardens, {rows['counts']:,} counts"
    yield f"  {len(files) + 1} files, {size:.1f} MB; sha256 of the manifest: {release.sha256}"
    with TemporaryDirectory(prefix="trapnight-") as name:
        yield from _as_a_stranger(release, address, Path(name))


def _as_a_stranger(release: Release, address: str, folder: Path) -> Iterator[str]:
    archive = f"trapnight-{release.version}.zip"
    got = httpx.get(f"{address}/releases/{release.version}/{archive}", timeout=60).raise_for_status().content
    told = next(entry["sha256"] for entry in release.manifest["files"] if entry["path"] == archive)
    same = hashlib.sha256(got).hexdigest() == told
    yield f"  downloaded {archive}: {len(got) / 1e6:.1f} MB, checksum {'as published' if same else 'NOT as published'}"
    with zipfile.ZipFile(io.BytesIO(got)) as packed:
        packed.extractall(folder)
    for line in (folder / "exclusions.csv").read_text().splitlines()[1:]:
        season, reason, returns = line.split(",")
        yield f"  not in it: {returns or 'a few'} of {season}, {Exclusion(reason).label}"
    said = io.StringIO()
    with redirect_stdout(said):
        ended = recompute([str(_unpacked(folder))])
    yield f"  computed again from its files alone (trapnight-recompute ended with {ended}):"
    yield from (f"    {line}" for line in said.getvalue().splitlines())


def _unpacked(folder: Path) -> Path:
    """Return the folder that holds the files, whether the archive has one around them or not."""
    return next(path.parent for path in sorted(folder.rglob("release.json")))
