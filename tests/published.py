"""Releases put on the disk and into the table by hand, so that reading them needs nothing that makes them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from django.conf import settings

from surveys.models import Release, Season
from tests.factories import make_season

#: When the releases of tests are published: whole seconds, long ago.
PUBLISHED = datetime(2026, 7, 1, 2, 0, 0, tzinfo=UTC)
MEDIA_TYPES = {
    ".csv": "text/csv; charset=utf-8; header=present", ".parquet": "application/vnd.apache.parquet", ".zip": "application/zip",
    ".json": "application/json",
}  # fmt: skip


def publish(
    files: Mapping[str, bytes],
    *,
    version: str = "1.0.0",
    season: Season | None = None,
    published_at: datetime = PUBLISHED,
) -> Release:
    """Write files and their manifest into the folder of releases, and the row that publishes them."""
    folder = Path(settings.RELEASES_FOLDER) / version
    folder.mkdir(parents=True, exist_ok=True)
    rows = []
    for name, content in files.items():
        (folder / name).write_bytes(content)
        rows.append({
            "path": name, "bytes": len(content), "sha256": hashlib.sha256(content).hexdigest(),
            "media_type": MEDIA_TYPES[Path(name).suffix],
        })  # fmt: skip
    manifest = {"version": version, "files": rows}
    text = json.dumps(manifest, indent=2).encode()
    (folder / "manifest.json").write_bytes(text)
    major, minor, patch = (int(part) for part in version.split("."))
    return Release.objects.create(
        season=season or Season.objects.first() or make_season(), version=version,
        number=(major * 10_000 + minor) * 10_000 + patch, manifest=manifest, sha256=hashlib.sha256(text).hexdigest(),
        frozen_at=published_at, published_at=published_at,
    )  # fmt: skip


def withdraw(release: Release, because: str = "The count of a garden was sent twice.") -> None:
    """Withdraw a release, as the service does."""
    release.state = "withdrawn"
    release.withdrawn_at = datetime(2026, 8, 3, 9, 0, tzinfo=UTC)
    release.withdrawn_because = because
    release.save(update_fields=["state", "withdrawn_at", "withdrawn_because"])
