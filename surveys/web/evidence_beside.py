"""The evidence beside a waiting return: comparable traps, its site's other traps and nights, and its place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from surveys.queries.evidence import OfSite, comparable_counts, returns_of_site
from surveys.queries.seasons import lists_of
from surveys.web.maps import PlaceMap, draw_place
from surveys.web.svg_charts import Chart, Counted, NightCount, count_among_comparable, site_history
from surveys.web.words import say

#: Groups that are drawn at most: those in question first, then the most numerous. Own choice.
MOST_DRAWN = 2
#: Comparable traps without which nothing is drawn: a few say nothing of what is usual. Own choice.
FEWEST_COMPARABLE = 5
#: Groups of the table of the same night.
MOST_LISTED = 8


@dataclass(frozen=True, slots=True)
class OfNight:
    """One trap of the site in the same night: its number, its place, whether it is this one, a cell for each group."""

    words: str
    habitat: str
    is_this: bool
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Beside:
    """What is drawn and listed beside a return."""

    charts: tuple[Chart, ...]
    groups: tuple[str, ...]
    night: tuple[OfNight, ...]
    place: PlaceMap | None


def beside(report: Any) -> Beside:
    """Return the evidence beside a return that was read with everything. Eight queries at most."""
    of_site = returns_of_site(report)
    names = {one.group.code: say(one.group.name) for one in report.catches.all()}
    counts = {one.group.code: _sent(one) for one in report.catches.all()}
    drawn = _groups_in_question(report, counts)[:MOST_DRAWN]
    comparable = comparable_counts(report, lists_of(report.season), drawn) if drawn else {}
    charts: list[Chart] = []
    for group in drawn:
        sent = counts[group]
        if sent is None:
            continue
        if sum(comparable.get(group, {}).values()) >= FEWEST_COMPARABLE:
            charts.append(
                count_among_comparable(group=names[group], traps_by_count=comparable[group], sent=Counted(*sent))
            )
        if nights := _nights(of_site, group, report):
            charts.append(site_history(group=names[group], nights=nights))
    listed = [code for code in names if any(one.of(code) for one in of_site if one.report.night == report.night)]
    listed = [*drawn, *(code for code in listed if code not in drawn)][:MOST_LISTED]
    return Beside(
        charts=tuple(charts),
        groups=tuple(names[code] for code in listed),
        night=_same_night(of_site, listed, report),
        place=_place(report),
    )


def _sent(catch: Any) -> tuple[int, int | None] | None:
    return None if catch.low is None else (catch.low, catch.high)


def _groups_in_question(report: Any, counts: dict[str, tuple[int, int | None] | None]) -> list[str]:
    """Return the groups that the reasons speak of, the strangest count first; without any, the most numerous one."""
    strange: dict[str, float] = {}
    for row in (row for one in report.queries.all() for row in one.evidence.get("numbers", ())):
        usual = row.get("quantiles", {}).get("0.9") or row.get("ceiling") or 1.0
        if counts.get(code := row.get("group", "")):
            strange[code] = max(strange.get(code, 0.0), abs(float(row.get("low") or 0) - usual) / max(usual, 1.0))
    if strange:
        return sorted(strange, key=lambda code: -strange[code])
    seen = {code: sent[0] for code, sent in counts.items() if sent and sent[0] > 0}
    return sorted(seen, key=lambda code: -seen[code])[:1]


def _nights(of_site: Sequence[OfSite], group: str, report: Any) -> list[NightCount]:
    """Return the counts of a group night by night; empty where there is nothing but this return."""
    found = [
        NightCount(one.report.night, one.report.trap.number, Counted(*count), marked=one.report.pk == report.pk)
        for one in of_site
        if (count := one.of(group))
    ]
    return found if any(not one.marked for one in found) else []


def _same_night(of_site: Sequence[OfSite], listed: Sequence[str], report: Any) -> tuple[OfNight, ...]:
    rows = [one for one in of_site if one.report.night == report.night]
    if len(rows) < 2:
        return ()
    return tuple(
        OfNight(
            words=str(one.report.trap.number),
            habitat=say(one.report.habitat.label) if one.report.habitat else "",
            is_this=one.report.pk == report.pk,
            cells=tuple("" if (count := one.of(code)) is None else Counted(*count).words for code in listed),
        )
        for one in rows
    )


def _place(report: Any) -> PlaceMap | None:
    point = getattr(report.trap.site, "point", None)
    return draw_place(report.region.boundary, point.latitude, point.longitude) if point else None
