"""The sheet for the classroom wall or the fridge: a night's catch by group, the traps side by side, on one page.

It names no place. Few traps have a column each; more are added up by habitat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext, ngettext

from surveys.methods.level_records import OPEN_ABOVE
from surveys.queries.feedback import counts_of
from surveys.queries.seasons import SeasonLists
from surveys.vocabulary import Release
from surveys.web.beside import caught_words
from surveys.web.drawings import drawing_of
from surveys.web.words import say

#: So many columns and rows fit on a sheet of A4 with drawings that can be seen from a desk away. Tried in the browser.
MOST_COLUMNS, MOST_ROWS = 6, 12
#: Only then does the sheet say that the animals were let go.
_LET_GO = (Release.WITHIN_THE_HOUR, Release.LATER)


@dataclass(frozen=True, slots=True)
class Column:
    """One column: the words above it, and its counts by group: lowest and highest, ``high`` -1 where it is open."""

    title: str
    below: str
    counts: dict[str, tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Line:
    """One row: a group, its drawing, and what stands in each column."""

    name: str
    drawing: str | None
    cells: tuple[str, ...]


def wall_shown(night: Sequence[Any], lists: SeasonLists) -> dict[str, Any]:
    """Return what the sheet shows of the returns of one night. No query."""
    columns = _columns(night)
    caught = [group for group in lists.groups if any(column.counts.get(group.code, (0, 0))[1] for column in columns)]
    caught.sort(key=lambda group: -sum(column.counts.get(group.code, (0, 0))[0] for column in columns))
    return {
        "columns": columns,
        "lines": [_line(group, columns) for group in caught[:MOST_ROWS]],
        "also": ", ".join(say(group.name) for group in caught[MOST_ROWS:]),
        "kinds": len(caught),
        "looked": any(column.counts for column in columns),
        "let_go": all(report.release in _LET_GO for report in night),
        "look_for": _to_look_for(caught, lists, night),
    }


def _columns(night: Sequence[Any]) -> list[Column]:
    """Return a column for each trap, or for each habitat where there are many traps."""
    if len(night) <= MOST_COLUMNS:
        return [_of_trap(report) for report in night]
    by_habitat: dict[str, list[Any]] = {}
    for report in night:
        by_habitat.setdefault(_habitat(report), []).append(report)
    return [_of_habitat(habitat, reports) for habitat, reports in by_habitat.items()]


def _of_trap(report: Any) -> Column:
    title = gettext("Trap %(number)s") % {"number": report.trap.number}
    return Column(title, _habitat(report), counts_of(report))


def _of_habitat(habitat: str, reports: Sequence[Any]) -> Column:
    counts: dict[str, tuple[int, int]] = {}
    for report in reports:
        for code, (low, high) in counts_of(report).items():
            before = counts.get(code, (0, 0))
            is_open = OPEN_ABOVE in (high, before[1])
            counts[code] = (before[0] + low, OPEN_ABOVE if is_open else before[1] + high)
    below = ngettext("%(n)s trap", "%(n)s traps", len(reports)) % {"n": len(reports)}
    return Column(habitat, below, counts)


def _habitat(report: Any) -> str:
    return say(report.habitat.label) if report.habitat else gettext("place not told")


def _line(group: Any, columns: Sequence[Column]) -> Line:
    cells = tuple(
        caught_words(*column.counts[group.code]) if group.code in column.counts else "?" for column in columns
    )
    return Line(say(group.name), drawing_of(group.code), cells)


def _to_look_for(caught: Sequence[Any], lists: SeasonLists, night: Sequence[Any]) -> Any:
    """Return a kind that was not caught, another one each night; None where all were."""
    missing = [group for group in lists.groups if group not in caught]
    return missing[night[0].night.toordinal() % len(missing)] if missing else None
