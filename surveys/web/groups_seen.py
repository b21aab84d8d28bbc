"""The section "Groups seen" of a season's page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from surveys.methods.groups_seen_records import Figure, RegionGroupsSeen
from surveys.queries.groups_seen import shown_groups_seen
from surveys.web.charts import words_of


def groups_seen_shown(run: Any, names: Mapping[str, str]) -> dict[str, Any] | None:
    """Return what the page says of the groups seen, None where the run has none; ``names`` of regions. One query."""
    shown = shown_groups_seen(run)
    if shown is None:
        return None
    rows = [
        _row(names.get(region.region, region.region), region, sentences)
        for region, sentences in zip(shown.found.regions, shown.sentences, strict=True)
    ]
    coverage = shown.found.base_coverage
    return {
        "rows": rows,
        "listed": len(shown.found.groups),
        "left_out": len(shown.found.groups_left_out),
        "nights": shown.found.base_effort,
        "percent": share_words(coverage) if coverage is not None else "",
        "caution": shown.caution,
    }


def likely(figure: Figure) -> str:
    """Return a figure with its interval in words; one of no length to two digits says so."""
    value, low, high = (words_of(each) for each in (figure.value, figure.low, figure.high))
    return f"about {value}, no spread seen" if low == high else f"about {value}, likely {low} to {high}"


def share_words(share: float) -> str:
    """Return a share as a percentage that never rounds up to all of it."""
    percent = 100 * share
    return f"{percent:.0f}" if percent < 99 or percent == 100 else f"{min(percent, 99.9):.1f}"


def _row(name: str, region: RegionGroupsSeen, sentences: tuple[str, ...]) -> dict[str, Any]:
    figures = region.figures
    return {
        "name": name,
        "seen": region.groups_seen,
        "shown": figures is not None,
        "at_effort": likely(figures.at_effort.hill[0]) if figures else "",
        "at_coverage": likely(figures.at_coverage.hill[0]) if figures else "",
        "gardens": region.sites,
        "nights": region.site_nights,
        "reason": "" if figures else sentences[0],
        "notes": sentences if figures else sentences[1:],
    }
