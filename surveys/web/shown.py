"""Faults as a page shows them: each with its sentence and the id of the field that it belongs to."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from surveys.errors import Fault
from surveys.web.words import say


class Shown(NamedTuple):
    """One fault as the page shows it."""

    sentence: str
    target: str


def shown(faults: Iterable[Fault]) -> list[Shown]:
    """Return faults with their fields' ids: ``/a/b`` becomes ``a-b``."""
    return [Shown(say(fault.sentence), fault.pointer.strip("/").replace("/", "-")) for fault in faults]


def by_field(faults: Iterable[Shown]) -> dict[str, list[str]]:
    """Return the sentences of each field, in the order in which they were found."""
    found: dict[str, list[str]] = {}
    for fault in faults:
        found.setdefault(fault.target, []).append(fault.sentence)
    return found
