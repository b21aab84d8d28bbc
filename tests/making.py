"""Making a release in a test: the whole job, here and now, into a folder of the test."""

from __future__ import annotations

from typing import Any

from surveys.models import Account, Release, Season
from surveys.services.releases import ask_for_release, make_release
from tests.factories import make_coordinator


def make_release_now(
    season: Season, *, by: Account | None = None, because: str = "Made for a test.", **_: Any
) -> Release:
    """Ask for a release of a season and make it. ``RELEASES_FOLDER`` points to a folder of the test run."""
    job = ask_for_release(by=by or make_coordinator(), season_code=season.code, because=because)
    release = make_release(job_id=job.pk)
    assert release is not None
    return release
