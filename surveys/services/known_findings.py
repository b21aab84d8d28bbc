"""Findings that are known: what a check can say is kept once, and a return holds the keys of what was found in it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from functools import lru_cache
from typing import NamedTuple

from django.db import connection

from surveys.methods import records
from surveys.vocabulary import Outcome

#: Findings that a process remembers with their keys. A protocol has some hundred; hours and widths make more of them.
MOST_REMEMBERED = 20_000

_keys: dict[StoredFinding, int] = {}


class StoredFinding(NamedTuple):
    """What one check found, as it is stored, named as in :class:`surveys.models.KnownFinding`."""

    check_id: str
    outcome: Outcome
    marks: tuple[str, ...]
    sentence: str


@lru_cache(maxsize=MOST_REMEMBERED)
def as_stored(finding: records.Finding) -> StoredFinding:
    """Return a finding of the protocol check as it is stored."""
    return StoredFinding(finding.check, finding.outcome, tuple(sorted(finding.marks)), finding.sentence)


def keys_of(findings: Iterable[StoredFinding]) -> dict[StoredFinding, int]:
    """Return the key of each finding; what was never found before becomes known. No query for what is remembered.

    A key that is remembered may be gone, where the database is older than this process: whoever stores keys asks
    :func:`are_known`, or the like within its own statement, and forgets them all where one is not.
    """
    wanted = set(findings)
    # Held here from now on: another thread may forget what is remembered at any moment.
    found = {one: key for one in wanted if (key := _keys.get(one)) is not None}
    if len(found) < len(wanted):
        read = _read([one for one in wanted if one not in found])
        new = [one for one in wanted if one not in found and one not in read]
        if new:
            _write(new)
            read |= _read(new)
        if len(_keys) > MOST_REMEMBERED:
            _keys.clear()
        _keys.update(read)
        found |= read
    return found


def are_known(keys: Collection[int]) -> bool:
    """Say whether there is a finding under each of some different keys. One query."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM surveys_knownfinding WHERE id = ANY(%s::int[])", [list(keys)])
        return bool(cursor.fetchone()[0] == len(keys))


def forget_keys() -> None:
    """Forget the keys that this process remembers."""
    _keys.clear()


def _columns(findings: Sequence[StoredFinding]) -> list[list[str]]:
    return [
        [one.check_id for one in findings],
        [one.outcome.value for one in findings],
        # Words of the vocabulary: letters and underscores only, as PostgreSQL writes an array.
        ["{" + ",".join(one.marks) + "}" for one in findings],
        [one.sentence for one in findings],
    ]


_TOLD = """
    SELECT check_id, outcome, marks::varchar[] AS marks, sentence
    FROM unnest(%s::varchar[], %s::varchar[], %s::text[], %s::varchar[]) AS told (check_id, outcome, marks, sentence)
"""


def _read(findings: Sequence[StoredFinding]) -> dict[StoredFinding, int]:
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT known.id, check_id, outcome, marks, sentence FROM ({_TOLD}) told"  # noqa: S608
            " JOIN surveys_knownfinding known USING (check_id, outcome, marks, sentence)",
            _columns(findings),
        )
        return {
            StoredFinding(check, Outcome(outcome), tuple(marks), sentence): key
            for key, check, outcome, marks, sentence in cursor.fetchall()
        }


def _write(findings: Sequence[StoredFinding]) -> None:
    with connection.cursor() as cursor:
        # In one order, so that of two who find the same at once neither waits for the other in turn.
        cursor.execute(
            f"INSERT INTO surveys_knownfinding (check_id, outcome, marks, sentence) {_TOLD}"
            " ORDER BY 1, 2, 3, 4 ON CONFLICT DO NOTHING",
            _columns(findings),
        )
