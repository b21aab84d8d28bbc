"""The facts of a release that no table holds: its number, when it was frozen, what changed since the last one.

They are frozen with the tables, as ``release.json``, so that every other file can be made again to the last byte.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

FACTS = "release.json"


@dataclass(frozen=True, slots=True)
class Facts:
    """What a release is, beside its tables.

    ``frozen_at`` is the instant of the snapshot, ISO 8601 in UTC with a Z; the date of publication is its date.
    ``home`` is the address of the service, without a slash at its end. ``replaces`` is the number of the release
    before, or empty; ``because`` says why this one was made. ``changes`` is what
    :mod:`surveys.release_files.changes` found since the last release. ``snapshot_event`` is the number of the last
    event seen. ``boundaries`` holds the GeoJSON geometry of each region by its code. ``review`` are the figures of
    the second looks of the season, or empty.
    """

    version: str
    season: str
    title: str
    organiser: str
    contact: str
    home: str
    frozen_at: str
    licence: str
    licence_url: str
    seed: int
    method_version: str
    code_version: str
    schema_version: str
    snapshot_event: int
    replaces: str = ""
    because: str = ""
    invented: bool = False
    changes: Mapping[str, Any] = field(default_factory=dict)
    review: Mapping[str, Any] = field(default_factory=dict)
    boundaries: Mapping[str, Any] = field(default_factory=dict)

    @property
    def day(self) -> str:
        """The date of publication: that of the snapshot, as YYYY-MM-DD."""
        return self.frozen_at[:10]

    @property
    def address(self) -> str:
        """The address of the release's page; its files stand below it."""
        return f"{self.home}/releases/{self.version}/"


def write_facts(facts: Facts, folder: Path) -> None:
    """Write the facts into a release's folder."""
    text = json.dumps(asdict(facts), indent=2, sort_keys=True, ensure_ascii=False)
    (folder / FACTS).write_text(text + "\n", encoding="utf-8", newline="\n")


def read_facts(folder: Path) -> Facts:
    """Read the facts of the release in a folder.

    Raises ValueError with a sentence where they are missing or of another shape.
    """
    path = folder / FACTS
    if not path.is_file():
        raise ValueError(f"There is no {FACTS} in {folder}. Give the folder into which a whole release was unpacked.")
    try:
        return Facts(**json.loads(path.read_text(encoding="utf-8")))
    except (ValueError, TypeError) as fault:
        raise ValueError(f"{path} does not hold the facts of a release: {fault}.") from fault
