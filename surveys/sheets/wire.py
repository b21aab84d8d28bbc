"""The lists and the findings as JSON, between the service and the child process that opens the file."""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from surveys.sheets.records import ListedTrap, Named, ReadyRow, SheetFault, SheetLists, SheetReading
from surveys.vocabulary import SheetKind


def lists_as_json(lists: SheetLists) -> str:
    """Return the lists of a sheet in one line."""
    return json.dumps(asdict(lists), default=lambda moment: moment.isoformat())


def lists_from_json(line: str) -> SheetLists:
    """Return the lists that one line holds."""
    plain = json.loads(line)
    return SheetLists(
        household=plain["household"],
        alias=plain["alias"],
        traps=tuple(ListedTrap(**trap) for trap in plain["traps"]),
        groups=_named(plain["groups"]),
        habitats=_named(plain["habitats"]),
        words={column: _named(listed) for column, listed in plain["words"].items()},
        titles={column: tuple(names) for column, names in plain["titles"].items()},
        answers=_named(plain["answers"]),
        months=tuple(tuple(names) for names in plain["months"]),
        example=tuple(plain["example"]),
        zone=plain["zone"],
        first_year=plain["first_year"],
        last_year=plain["last_year"],
        now=datetime.fromisoformat(plain["now"]),
        standing={night: tuple(ids) for night, ids in plain["standing"].items()},
        withdrawn=plain["withdrawn"],
    )


def _named(plain: Sequence[dict[str, Any]]) -> tuple[Named, ...]:
    return tuple(Named(one["code"], tuple(one["names"])) for one in plain)


def reading_as_json(reading: SheetReading) -> str:
    """Return what was found in one line."""
    marked = base64.b64encode(reading.marked).decode() if reading.marked is not None else None
    return json.dumps({**asdict(reading), "marked": marked})


def reading_from_json(line: str) -> SheetReading:
    """Return what was found, from one line."""
    plain = json.loads(line)
    marked = plain["marked"]
    return SheetReading(
        kind=SheetKind(plain["kind"]),
        refusal=plain["refusal"],
        rows=plain["rows"],
        left=plain["left"],
        faults=tuple(SheetFault(**fault) for fault in plain["faults"]),
        ready=tuple(ReadyRow(**row) for row in plain["ready"]),
        marked=base64.b64decode(marked) if marked is not None else None,
    )
