"""The section "Change since" of a season's page: one group in one window, as caught and on equally warm nights."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from surveys.methods.change_words import STATEMENT, change_sentence
from surveys.queries.changes import base_titles, change_values
from surveys.web.charts import words_of

#: At or below, a change is called clear. METHODS.md, section 6.8: false alarms among those named, 5 %.
CLEAR = 0.05


def changes_shown(run: Any, *, group: str, window: str) -> dict[str, Any] | None:
    """Return what the page says of the change of one group in one window, None where there is nothing. One query."""
    values = list(change_values(run).filter(group__code=group, window__code=window))
    if not values:
        return None
    by_region = {(value.region.code, value.adjusted): value for value in values}
    rows = [_row(by_region[region, False], by_region[region, True]) for region, adjusted in by_region if not adjusted]
    return {
        "since": joined(base_titles(run, group)),
        "rows": rows,
        "any_shown": any(row["shown"] for row in rows),
        "statement": STATEMENT,
    }


def joined(names: Sequence[str]) -> str:
    """Return names as a sentence lists them; several are a mean."""
    if len(names) < 2:
        return "".join(names)
    return f"the mean of {', '.join(names[:-1])} and {names[-1]}"


def verdict_of(ratio: float, p_adjusted: float) -> str:
    """Say in two or three words what a change amounts to once all tested changes are allowed for."""
    if p_adjusted > CLEAR:
        return "no clear change"
    return "clearly more" if ratio > 1 else "clearly fewer"


def times(value: Any) -> str:
    """Return a shown change as "2.0 times (1.5 to 2.7)"."""
    return f"{words_of(value.ratio)} times ({words_of(value.low)} to {words_of(value.high)})"


def _row(raw: Any, adjusted: Any) -> dict[str, Any]:
    shown = raw.ratio is not None
    return {
        "name": raw.region.name,
        "shown": shown,
        "caught": times(raw) if shown else "",
        "verdict": verdict_of(raw.ratio, raw.p_adjusted) if shown else "",
        "warmth": times(adjusted) if adjusted.ratio is not None else "",
        "gardens": raw.revisited_sites,
        "note": "" if shown else change_sentence(raw.code, raw.more_sites_needed),
    }
