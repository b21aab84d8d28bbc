"""Reading an archive and a release in tests, with the csv module alone: nothing of the code under test."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from surveys.release_files.darwin_core import write_archive
from surveys.release_files.tables import COUNTS, RETURNS
from tests.released import GROUPS_ASKED, write_small_release, write_table
from tests.text_guide import read_members

Row = dict[str, str]

#: A season's list with parts of taxa in it: rove beetles lie in Coleoptera, and so do the "other" ones.
NESTED_GROUPS = [
    ("ground_beetles", "Ground beetles", "Carabidae", "family"),
    ("other_beetles", "Other beetles", "Coleoptera without the groups above", "order"),
    ("beetle_grubs", "Beetle grubs", "Coleoptera (larvae)", "order"),
    ("bristletails", "Bristletails and silverfish", "Archaeognatha, Zygentoma, Diplura", "mixed"),
    ("woodlice", "Woodlice", "Oniscidea", "suborder"),
]


@dataclass(frozen=True)
class Made:
    """A release with its archive: the rows of both, by file."""

    folder: Path
    members: dict[str, bytes]
    events: list[Row]
    occurrences: list[Row]
    humboldt: list[Row]
    returns: list[Row]
    counts: list[Row]

    @property
    def event(self) -> dict[str, Row]:
        """Each event by its id."""
        return {row["eventID"]: row for row in self.events}

    @property
    def inventory(self) -> dict[str, Row]:
        """Each row of the Humboldt extension by the id of its event."""
        return {row["eventID"]: row for row in self.humboldt}

    @property
    def occurrence(self) -> dict[str, Row]:
        """Each occurrence by its id."""
        return {row["occurrenceID"]: row for row in self.occurrences}

    def level(self, event_type: str) -> list[Row]:
        """Return the events of one level."""
        return [row for row in self.events if row["eventType"] == event_type]


def make(folder: Path) -> Made:
    """Write the archive of the release in a folder, and read both."""
    members = read_members(write_archive(folder))
    return Made(
        folder=folder,
        members=members,
        events=rows_of(members["event.csv"]),
        occurrences=rows_of(members["occurrence.csv"]),
        humboldt=rows_of(members["humboldt.csv"]),
        returns=rows_of((folder / "returns.csv").read_bytes()),
        counts=rows_of((folder / "counts.csv").read_bytes()),
    )


def rows_of(content: bytes) -> list[Row]:
    """Return the rows of a CSV file."""
    return list(csv.DictReader(io.StringIO(content.decode("utf-8"), newline="")))


def one_return(**changes: Any) -> dict[str, Any]:
    """Return a row of returns.csv: one garden of season merrow-2026, one night, all as asked."""
    set_at = changes.pop("set_at", datetime(2026, 5, 2, 18))
    hours = changes.get("exposure_hours", 24.0)
    return {
        "return_id": "r1", "season": "merrow-2026", "region": "cawder", "cell": "n51.40w17.90", "cell_latitude": 51.45,
        "cell_longitude": -17.85, "cell_uncertainty_m": 6572, "site_id": "s1", "trap_number": 2, "habitat": "hedge_base",
        "window": "spring", "night": set_at.date(), "set_at": set_at, "emptied_at": set_at + timedelta(hours=hours),
        "exposure_hours": hours, "traps_pooled": 1, "trap_nights": hours / 24, "school": False, "first_return": True,
        "looked_for_all": "yes", "standing": "to_protocol", "state": "standing", **changes,
    }  # fmt: skip


def one_count(
    group: str, answer: str, low: int | None = None, high: int | None = None, **changes: Any
) -> dict[str, Any]:
    """Return a row of counts.csv of the return r1."""
    detected = None if low is None else low > 0
    return {"return_id": "r1", "group": group, "answer": answer, "count_min": low, "count_max": high,
            "detected": detected, "corrected": False, **changes}  # fmt: skip


def make_by_hand(folder: Path, returns: list[dict[str, Any]], counts: list[dict[str, Any]], **facts: Any) -> Made:
    """Make an archive of these rows, with the short tables of the small release."""
    write_small_release(folder, sites=1, seasons=(2026,), **facts)
    write_table(folder, RETURNS, returns)
    write_table(folder, COUNTS, counts)
    return make(folder)


def make_random(folder: Path, seed: int, groups: list[tuple[str, str, str, str]] | None = None, **sizes: Any) -> Made:
    """Make an archive of a random release; ``groups`` take the place of the ones that it asks for."""
    before = list(GROUPS_ASKED)
    try:
        GROUPS_ASKED[:] = groups or before
        write_small_release(folder, seed=seed, **sizes)
    finally:
        GROUPS_ASKED[:] = before
    return make(folder)


def interval_of(event: Mapping[str, str]) -> tuple[datetime, datetime]:
    """Return the two instants of an event's ISO 8601 interval; both must bear their zone."""
    first, last = (datetime.fromisoformat(word) for word in event["eventDate"].split("/"))
    assert first.tzinfo is not None
    assert last.tzinfo is not None
    return first, last
