"""What changed since the release before, in words: rows, gardens, columns, method, and how far the index moved."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from surveys.queries.release_shown import Listed, ListedWindow, ReleaseShown
from surveys.release_files.tables import COUNTS, RETURNS
from surveys.web.charts import words_of

#: Tables that are always told of, changed or not.
_ALWAYS = frozenset({RETURNS.name, COUNTS.name})
_FACTS: Mapping[str, Any] = {
    "boundaries": gettext_lazy("The boundaries of regions were drawn anew."),
    "licence": gettext_lazy("The licence is another one."),
    "title": gettext_lazy("The title is another one."),
    "organiser": gettext_lazy("The organiser is another one."),
    "contact": gettext_lazy("The contact is another one."),
    "season": gettext_lazy("It is of another season."),
    "code_version": gettext_lazy("The program that worked out the index is another one, by the same method."),
}


@dataclass(frozen=True, slots=True)
class RowsChanged:
    """How the rows of one table changed."""

    table: str
    before: int
    now: int
    came_in: int
    went_out: int
    changed: int


@dataclass(frozen=True, slots=True)
class ChangesShown:
    """What the page says of what changed: a table of rows, sentences, and which tables are as they were."""

    rows: tuple[RowsChanged, ...]
    same: tuple[str, ...]
    sentences: tuple[str, ...]


def changes_shown(shown: ReleaseShown) -> ChangesShown | None:
    """Return what changed since the release before; None for the first one."""
    changes = shown.facts.changes
    if not changes:
        return None
    rows = [_rows_of(name, counted) for name, counted in changes["tables"].items()]
    told = [row for row in rows if row.table in _ALWAYS or row.came_in or row.went_out or row.changed]
    same = tuple(row.table for row in rows if row not in told)
    return ChangesShown(tuple(told), same, tuple(_sentences(shown, changes)))


def _rows_of(name: str, counted: Mapping[str, int]) -> RowsChanged:
    return RowsChanged(
        name,
        counted["rows_before"],
        counted["rows_now"],
        counted["came_in"],
        counted["went_out"],
        counted["changed"],
    )


def _sentences(shown: ReleaseShown, changes: Mapping[str, Any]) -> Iterator[str]:
    yield _gardens(changes["sites"])
    yield from _columns(changes["columns"])
    yield from _versions(changes)
    yield from (str(_FACTS[name]) for name in changes["facts"] if name in _FACTS)
    if "index" in changes:
        yield from _index(shown, changes["index"])


def _gardens(sites: Mapping[str, int]) -> str:
    return _("Gardens: {before} before, {now} now. {came_in} came in, {went_out} went out.").format(
        **{name: number_format(n, force_grouping=True) for name, n in sites.items()}
    )


def _columns(columns: Mapping[str, list[str]]) -> Iterator[str]:
    if columns["came_in"]:
        yield _("New columns: {names}.").format(names=", ".join(columns["came_in"]))
    if columns["went_out"]:
        yield _("Columns that are gone: {names}.").format(names=", ".join(columns["went_out"]))
    if not any(columns.values()):
        yield _("The columns are the same.")


def _versions(changes: Mapping[str, Any]) -> Iterator[str]:
    method, schema = changes["method"], changes["schema"]
    if method["before"] == method["now"]:
        yield _("The method is the same, version {now}.").format(now=method["now"])
    else:
        yield _("The method went from version {before} to {now}.").format(**method)
    if schema["before"] != schema["now"]:
        yield _("The tables went from version {before} to {now}.").format(**schema)


def _index(shown: ReleaseShown, index: Mapping[str, Any]) -> Iterator[str]:
    if not index["compared"]:
        yield _("No figure is shown in both releases.")
        return
    moved = ngettext(
        "{compared} figure is shown in both releases, and {moved} of them moved.",
        "{compared} figures are shown in both releases, and {moved} of them moved.",
        index["compared"],
    )
    yield moved.format(compared=index["compared"], moved=index["moved"])
    if index["moved"] and index["median"] is not None:
        yield _("Half of them moved by no more than {percent} %.").format(percent=_percent(index["median"]))
    if index["largest"] is not None:
        yield _furthest(shown, index["largest"])
    if index["shown_now_only"] or index["shown_before_only"]:
        yield _("{now} figures are shown now and were not before; {before} are not any more.").format(
            now=index["shown_now_only"], before=index["shown_before_only"]
        )


def _furthest(shown: ReleaseShown, far: Mapping[str, Any]) -> str:
    names: dict[str, tuple[Listed | ListedWindow, ...]] = {
        "group": shown.groups,
        "region": shown.regions,
        "window": shown.windows,
    }
    said = {
        kind: next((each.name for each in listed if each.code == far[kind]), far[kind])
        for kind, listed in names.items()
    }
    return _("The furthest move: {group}, {region}, {window} of {season}, from {before} to {now}.").format(
        **said, season=far["season"], before=words_of(far["before"]), now=words_of(far["now"])
    )


def _percent(log_ratio: float) -> str:
    """Return how far a log ratio is from no change, in percent; a tenth where it is less than one."""
    percent = round(100 * math.expm1(log_ratio), 1)
    return number_format(percent, decimal_pos=1 if percent < 10 else 0)
