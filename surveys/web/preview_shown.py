"""What trying a protocol has found, as its page shows it: numbers in a table, and said in a sentence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from surveys.methods.protocol import TITLES
from surveys.vocabulary import Outcome, Standing


def result_shown(result: Mapping[str, Any]) -> dict[str, Any]:
    """Return the tables of a preview: standings before and after, and the checks that would say something else."""
    moves = {(before, after): n for before, after, n in result["moves"]}
    rows = [
        (
            before,
            [(moves.get((before.value, after.value), 0), before == after) for after in Standing],
            _total(moves, before),
        )
        for before in Standing
    ]
    return {
        "result": result,
        "standings": list(Standing),
        "rows": rows,
        "sums": [sum(n for (_, after), n in moves.items() if after == word.value) for word in Standing],
        "changed": [
            (TITLES[check], Outcome(before), Outcome(after), n) for check, before, after, n in result["changed"]
        ],
        "is_sample": result["returns"] < result["of"],
        "moved": sum(n for (before, after), n in moves.items() if before != after),
        "inside_after": result["inside"] - result["leaving"] + result["entering"],
    }


def _total(moves: Mapping[tuple[str, str], int], before: Standing) -> int:
    return sum(n for (was, _), n in moves.items() if was == before.value)
