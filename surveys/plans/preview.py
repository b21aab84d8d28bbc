"""What a protocol version would have done to returns that were checked against another: counted, not shown."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from surveys.methods.protocol import TITLES, Limits, check_protocol
from surveys.methods.records import ProtocolResult, Report
from surveys.vocabulary import Outcome, Standing


@dataclass
class Tally:
    """Counts over returns: standing before and after, checks with another outcome, and who leaves or enters.

    ``moves`` counts by (standing before, standing after); ``changed`` by (check, outcome before, outcome after), each
    return once. A return is *in* when it is usable, not off protocol, and has an effort.
    """

    returns: int = 0
    moves: Counter[tuple[str, str]] = field(default_factory=Counter)
    changed: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    inside: int = 0
    leaving: int = 0
    entering: int = 0
    held_before: int = 0
    held_after: int = 0

    def add(self, report: Report, before: Limits, after: Limits, *, usable: bool) -> None:
        """Count one return, checked against both versions."""
        old, new = check_protocol(report, before), check_protocol(report, after)
        self.returns += 1
        self.moves[old.standing.value, new.standing.value] += 1
        self.held_before += old.held
        self.held_after += new.held
        was, will = usable and counts(old), usable and counts(new)
        self.inside += was
        self.leaving += was and not will
        self.entering += will and not was
        then, now = _heaviest(old), _heaviest(new)
        for check in TITLES:
            if then[check] != now[check]:
                self.changed[check, then[check].value, now[check].value] += 1

    def as_plain(self) -> dict[str, Any]:
        """Return the counts as plain data."""
        return {
            "returns": self.returns,
            "moves": [[*key, n] for key, n in sorted(self.moves.items())],
            "changed": [[*key, n] for key, n in self.changed.most_common()],
            "inside": self.inside,
            "leaving": self.leaving,
            "entering": self.entering,
            "held_before": self.held_before,
            "held_after": self.held_after,
        }


def counts(result: ProtocolResult) -> bool:
    """Say whether a usable return with this result enters the indices."""
    return result.standing != Standing.OFF_PROTOCOL and result.trap_nights is not None


#: From nothing at all to "not in the indices", as in :class:`surveys.vocabulary.Outcome`.
_WEIGHT = {outcome: place for place, outcome in enumerate(Outcome)}


def _heaviest(result: ProtocolResult) -> dict[str, Outcome]:
    """Return the heaviest outcome of each check."""
    found: dict[str, Outcome] = {}
    for finding in result.findings:
        before = found.get(finding.check, finding.outcome)
        found[finding.check] = max(before, finding.outcome, key=_WEIGHT.__getitem__)
    return found
