"""How far the activity index moved between two releases: figures that both show, as ratios on the log scale."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from statistics import median
from typing import Any

#: The published index; 0 is the sensitivity run.
PUBLISHED_EXPONENT = "1"
PLACE = ("season", "region", "window", "group")


def index_moves(before: Path, now: Path) -> dict[str, Any]:
    """Compare the published index of two files ``index_level.csv``. Plain JSON.

    ``compared`` figures are shown in both; ``moved`` of them are not the same; ``median`` is that of their absolute log
    ratios, those that stayed included. A figure of nought has no ratio: ``from_or_to_nought`` counts those that moved,
    and neither median nor ``largest`` looks at them. ``shown_now_only`` and ``shown_before_only`` are not compared.
    """
    old, new = _shown(before), _shown(now)
    both = sorted(old.keys() & new.keys())
    ratios = {place: _log_ratio(old[place], new[place]) for place in both}
    finite = {place: ratio for place, ratio in ratios.items() if math.isfinite(ratio)}
    far = max(finite, key=lambda place: abs(finite[place]), default=None)
    return {
        "compared": len(both),
        "moved": sum(1 for ratio in ratios.values() if ratio),
        "median": median(abs(ratio) for ratio in finite.values()) if finite else None,
        "from_or_to_nought": len(ratios) - len(finite),
        "largest": None
        if far is None or not finite[far]
        else {
            **dict(zip(PLACE, far, strict=True)),
            "before": old[far],
            "now": new[far],
            "log_ratio": finite[far],
        },
        "shown_now_only": len(new.keys() - old.keys()),
        "shown_before_only": len(old.keys() - new.keys()),
    }


def _shown(path: Path) -> dict[tuple[str, ...], float]:
    """Return the figures that a file shows; none where it is not there."""
    if not path.is_file():
        return {}
    with path.open(encoding="utf-8", newline="") as file:
        return {
            tuple(row[name] for name in PLACE): float(row["estimate"])
            for row in csv.DictReader(file)
            if row["rim_exponent"] == PUBLISHED_EXPONENT and row["estimate"]
        }


def _log_ratio(before: float, now: float) -> float:
    if before == now:
        return 0.0
    return math.log(now / before) if before > 0 and now > 0 else math.inf
