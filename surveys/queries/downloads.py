"""Which files belong to a release, and what comes in the place of one that was withdrawn."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from surveys.errors import NotFound
from surveys.models import Release
from surveys.queries.releases import folder_of
from surveys.release_files.listing import JSON, MANIFEST
from surveys.vocabulary import ReleaseState

#: Files of a release lie side by side; anything else in the list is not ours.
_FLAT_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")


@dataclass(frozen=True, slots=True)
class ListedFile:
    """A file of a release as the manifest lists it. How long the manifest itself is, is written nowhere: None."""

    name: str
    path: Path
    media_type: str
    sha256: str
    size_bytes: int | None


def listed_file(release: Release, name: str) -> ListedFile:
    """Return a file of a release by its name. No query.

    The manifest does not list itself: its checksum is that of the release. A name is looked up in the manifest and
    never followed, so none leads out of the release's folder.
    Raises :class:`NotFound` for a name that is not listed.
    """
    folder = folder_of(release)
    if name == MANIFEST:
        return ListedFile(name, folder / name, JSON, release.sha256, None)
    rows = {row["path"]: row for row in release.manifest["files"]}
    if name not in rows or not _FLAT_NAME.fullmatch(name):
        raise NotFound(f"Release {release.version} has no file {name!r}.")
    row = rows[name]
    return ListedFile(name, folder / name, row["media_type"], row["sha256"], row["bytes"])


def replacement_of(release: Release) -> str:
    """Return the number of the newest published release of the same season that came later, or "". One query."""
    later = Release.objects.filter(
        season_id=release.season_id, number__gt=release.number, state=ReleaseState.PUBLISHED
    ).order_by("-number")
    return later.values_list("version", flat=True).first() or ""
