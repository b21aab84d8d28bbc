"""Releases, and what one would hold if it were made now."""

from __future__ import annotations

from pathlib import Path

from django.conf import settings
from django.db.models import QuerySet

from surveys.errors import NotFound
from surveys.models import Job, Release
from surveys.vocabulary import JobKind, ReleaseState

#: Parts of a number are below this.
_PART = 10_000


def version_number(version: str) -> int:
    """Return a release's number as one that sorts: 1.12.3 becomes 100120003."""
    major, minor, patch = (int(part) for part in version.split("."))
    return (major * _PART + minor) * _PART + patch


def folder_of(release: Release) -> Path:
    """Return the folder of a release's files. No query."""
    folder: Path = settings.RELEASES_FOLDER
    return folder / release.version


def releases() -> QuerySet[Release]:
    """Return every release, newest first, those that were withdrawn too. One query."""
    return Release.objects.select_related("season", "replaces").defer("manifest").order_by("-number")


def release_by_version(version: str) -> Release:
    """Return one release. One query."""
    # PostgreSQL knows no text with a NUL in it.
    numbered = Release.objects.filter(version=version.replace("\0", ""))
    found = numbered.select_related("season", "replaces", "run").first()
    if found is None:
        raise NotFound(f"There is no release {version!r}. The list of releases shows the numbers there are.")
    return found


def newest_release() -> Release | None:
    """Return the newest release that is published, None before there is one. One query."""
    return (
        Release.objects.select_related("season", "replaces")
        .filter(state=ReleaseState.PUBLISHED)
        .order_by("-number")
        .first()
    )


def newest_by_number() -> Release | None:
    """Return the newest release, withdrawn or not: what the next one is compared with. One query."""
    return Release.objects.select_related("season").order_by("-number").first()


def release_jobs() -> QuerySet[Job]:
    """Return the jobs that make or made releases, newest first. One query."""
    return Job.objects.filter(kind=JobKind.RELEASE).order_by("-id")
