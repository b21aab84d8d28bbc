"""Which part of the live data is asked for: read from what a program sends, and written as conditions in SQL."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import date

from surveys.errors import Fault
from surveys.methods.protocol import CHECKS
from surveys.queries.released_columns import LEFT_OUT
from surveys.queries.seasons import SeasonLists
from surveys.vocabulary import USABLE_STATES, LeftOut, ReturnState, Standing

_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
#: What ``left_out`` is asked for where a return enters the index.
NOT_LEFT_OUT = "no"


@dataclass(frozen=True, slots=True)
class LiveFilter:
    """Which returns are asked for; an empty text asks for all. Codes and words are those of the released table."""

    region: str = ""
    habitat: str = ""
    group: str = ""
    night_from: str = ""
    night_to: str = ""
    finding: str = ""
    standing: str = ""
    left_out: str = ""
    state: str = ""

    @property
    def given(self) -> dict[str, str]:
        """What is asked for, by name."""
        return {name: getattr(self, name) for name in FILTERS if getattr(self, name)}

    @property
    def conditions(self) -> str:
        """The conditions on a return, each led by AND, over the aliases of ``released_columns``."""
        return "".join(f" AND {self._condition(name)}" for name in self.given)

    @property
    def of_a_catch(self) -> str:
        """The condition on the answer of a group, led by AND, over the alias ``g``."""
        return " AND g.code = %(group)s" if self.group else ""

    def _condition(self, name: str) -> str:
        return f"({LEFT_OUT}) IS NULL" if (name, self.left_out) == ("left_out", NOT_LEFT_OUT) else _CONDITIONS[name]


#: The names under which each part is asked for.
FILTERS: tuple[str, ...] = tuple(field.name for field in fields(LiveFilter))

_CONDITIONS: dict[str, str] = {
    "region": "p.code = %(region)s",
    "habitat": "b.code = %(habitat)s",
    "group": """EXISTS (SELECT FROM surveys_catch c JOIN surveys_group g ON g.id = c.group_id
        WHERE c.report_id = r.id AND g.code = %(group)s)""",
    "night_from": "r.night >= %(night_from)s::date",
    "night_to": "r.night <= %(night_to)s::date",
    # Not by the view of both: PostgreSQL would take the keys of every return apart before it looks at the first.
    "finding": """(r.known_findings && ARRAY(SELECT k.id FROM surveys_knownfinding k WHERE k.check_id = %(finding)s)
        OR r.known_findings IS NULL
        AND EXISTS (SELECT FROM surveys_finding f WHERE f.report_id = r.id AND f.check_id = %(finding)s))""",
    "standing": "r.standing = %(standing)s",
    "left_out": f"({LEFT_OUT}) = %(left_out)s",
    "state": "r.state = %(state)s",
}


def read_filter(lists: SeasonLists, given: Mapping[str, str]) -> tuple[LiveFilter, list[Fault]]:
    """Read what is asked for of a season; return it with a fault for each part that there is not. No query."""
    wanted = {name: str(value) for name, value in given.items() if name in FILTERS and value != ""}
    known = _known_words(lists)
    faults = [
        _unknown(name, value, known[name])
        for name, value in wanted.items()
        if name in known and value not in known[name]
    ]
    days = {name: _day(wanted[name]) for name in ("night_from", "night_to") if name in wanted}
    faults += [_no_day(name, wanted[name]) for name, day in days.items() if day is None]
    first, last = days.get("night_from"), days.get("night_to")
    if first and last and first > last:
        sentence = f"The first night, {first}, lies after the last one, {last}. Swap them."
        faults.append(Fault("/night_from", "nights_swapped", sentence))
    return LiveFilter(**wanted), faults


def _known_words(lists: SeasonLists) -> dict[str, tuple[str, ...]]:
    return {
        "region": tuple(row.code for row in lists.regions),
        "habitat": tuple(row.code for row in lists.habitats),
        "group": tuple(row.code for row in lists.groups),
        "finding": CHECKS,
        "standing": tuple(Standing.values()),
        "left_out": (*LeftOut.values(), NOT_LEFT_OUT),
        "state": tuple(one for one in ReturnState.values() if one in USABLE_STATES),
    }


def _unknown(name: str, value: str, known: tuple[str, ...]) -> Fault:
    sentence = f"{value[:40]!r} is not known here. There are: {', '.join(known)}."
    return Fault(f"/{name}", "unknown_word", sentence)


def _day(given: str) -> date | None:
    try:
        # Of the forms of ISO 8601 only this one: 20260502 and 2026-W18-6 are read by few programs.
        return date.fromisoformat(given) if _DAY.fullmatch(given) else None
    except ValueError:
        return None


def _no_day(name: str, given: str) -> Fault:
    return Fault(f"/{name}", "not_a_day", f"{given[:40]!r} is not a day such as 2026-05-02.")
