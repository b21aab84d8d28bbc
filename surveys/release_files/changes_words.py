"""``CHANGES.md`` of a release in plain words: what came in, what went out, what changed, how far the index moved."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from surveys.release_files.facts import Facts

FIRST = "This is the first release: there is none before it to compare with."
WHY_ROWS_GO = (
    "A return goes out when its sender takes it back, when a coordinator discounts it or reads it again, or while its "
    "garden would stand for too few. A garden that comes in or goes out tells that somebody joined or left, never "
    "where. Do not try to find out who it was."
)
_FACTS = {
    "boundaries": "The boundaries of regions were drawn anew.",
    "licence": "The licence is another one.",
    "title": "The title is another one.",
    "organiser": "The organiser is another one.",
    "contact": "The contact is another one.",
    "season": "It is of another season.",
    "code_version": "The code that computed the index is another one, with the same version of the method.",
}


def changes_text(facts: Facts) -> str:
    """Return what ``CHANGES.md`` says of a release."""
    return "\n\n".join(part for part in _parts(facts) if part)


def _parts(facts: Facts) -> Iterator[str]:
    yield f"# What changed in release {facts.version}"
    yield f"Why it was made: {facts.because}" if facts.because else ""
    changes = facts.changes
    if not changes:
        yield FIRST
        return
    yield _which(facts, changes["before"])
    yield f"## Rows\n\n{_rows(changes['tables'])}\n\n{_gardens(changes['sites'])}\n\n{WHY_ROWS_GO}"
    yield f"## Columns and method\n\n{_list(_shape(changes))}"
    yield f"## How far the index moved\n\n{_index(changes['index'])}" if "index" in changes else ""


def _which(facts: Facts, before: Mapping[str, str]) -> str:
    told = f"It is compared with release {before['version']}, the one before."
    if before["season"] != facts.season:
        told += f" That one was of the season {before['season']}, this one is of {facts.season}."
    return told


def _rows(tables: Mapping[str, Mapping[str, int]]) -> str:
    head = "| table | rows before | rows now | came in | went out | changed |\n| --- " + "| ---: " * 5 + "|"
    order = ("rows_before", "rows_now", "came_in", "went_out", "changed")
    lines = (f"| `{name}` | " + " | ".join(f"{row[how]:,}" for how in order) + " |" for name, row in tables.items())
    return "\n".join([head, *lines])


def _gardens(sites: Mapping[str, int]) -> str:
    return (
        f"Gardens with returns: {sites['before']:,} before, {sites['now']:,} now; {sites['came_in']:,} came in, "
        f"{sites['went_out']:,} went out."
    )


def _list(sentences: Iterator[str]) -> str:
    return "\n".join(f"- {sentence}" for sentence in sentences)


def _shape(changes: Mapping[str, Any]) -> Iterator[str]:
    columns = changes["columns"]
    for how, words in (("came_in", "Came in"), ("went_out", "Went out")):
        if columns[how]:
            yield f"{words}: " + ", ".join(f"`{name}`" for name in columns[how]) + "."
    if not any(columns.values()):
        yield "The columns are the same."
    for name, words in (("schema", "version of the columns"), ("method", "version of the method")):
        old, now = changes[name]["before"], changes[name]["now"]
        yield f"The {words} is {now}, as before." if old == now else f"The {words} went from {old} to {now}."
    yield from (_FACTS.get(name, f"`{name}` in `release.json` is another one.") for name in changes["facts"])


def _index(index: Mapping[str, Any]) -> str:
    if not index["compared"]:
        return "No figure is shown in both releases."
    told = [f"Figures that both releases show: {index['compared']:,}. Of these, {index['moved']:,} moved."]
    if index["median"] is not None and index["moved"]:
        told.append(f"Half of all moved by no more than a factor of {_factor(index['median'])}.")
    if (far := index["largest"]) is not None:
        told.append(
            f"The largest move is that of `{far['group']}` in `{far['region']}`, window `{far['window']}` of "
            f"{far['season']}: from {far['before']:.3g} to {far['now']:.3g}, a factor of {_factor(far['log_ratio'])}."
        )
    if index["from_or_to_nought"]:
        told.append(f"From or to nought: {index['from_or_to_nought']:,}.")
    told.append(f"Shown now only: {index['shown_now_only']:,}. Shown before only: {index['shown_before_only']:,}.")
    return " ".join(told)


def _factor(log_ratio: float) -> str:
    return f"{math.exp(log_ratio):.3f}"
