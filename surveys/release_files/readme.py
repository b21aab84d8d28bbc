"""``README.md`` of a release: what is in it, what it can and cannot say, how to cite it and compute it again."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from surveys.release_files.about import INVENTED, citation, licences, summary
from surveys.release_files.codebook import EXPLAINING
from surveys.release_files.codes import warnings_about_codes
from surveys.release_files.facts import Facts
from surveys.release_files.listing import FILES, looked_at, zip_name
from surveys.release_files.reading import csv_path
from surveys.release_files.tables import TABLES, Table

#: What a reader must know before a figure is used. Sources: METHODS.md, sections 1, 3, 12 and 16.
CANNOT_SAY: tuple[tuple[str, str], ...] = (
    (
        "Activity-density, not a number of animals.",
        "A catch is what walks, meets the rim, falls in and stays. A warmer night gives more without one more animal "
        "in the garden. Compare the same group, in the same survey window, between places or years. Never compare "
        "groups with each other, and never turn an index into animals for a piece of ground.",
    ),
    (
        "Volunteers choose themselves.",
        "Gardens are those of families and schools who wanted to take part. Habitats are weighted; nothing here mends "
        "the rest, and no interval covers it.",
    ),
    (
        "Intervals cover luck, not habits.",
        "A 95 % interval covers the luck of gardens and nights. It does not cover who counts, how a trap differs from "
        "the textbook, or who takes part. Where few gardens stand behind a figure, it is not shown, and the table "
        "says how many more would be needed.",
    ),
    (
        "Places are coarse.",
        "A garden is somewhere in a square of 0.1 degrees (about 10 km), and cell_uncertainty_m says how far from its "
        "centre at most. The square is empty where it would stand for fewer than five gardens. Times are rounded to a "
        "quarter of an hour. Do not try to find out who sent a return.",
    ),
    (
        "A zero was looked for.",
        "A row with answer none_seen means that somebody looked and there were none. did_not_look and could_not_tell "
        "have empty counts, and a group that was not answered has no row. None of these is a zero.",
    ),
    (
        "Some counts are ranges.",
        "answer class gives count_min and count_max; an empty count_max is open above. Do not use the middle as if it "
        "had been counted.",
    ),
    (
        "Effort differs.",
        "Divide by trap_nights, or use them as an offset. They are empty where nothing could be caught. left_out says "
        "why a return enters no index.",
    ),
)

READING = """\
All CSV files are UTF-8, with commas, LF, and a header. An empty cell is missing, and nothing else is. Booleans are
`true` and `false`; instants are UTC. Whole numbers with empty cells want a nullable type: `dtype_backend="pyarrow"` in
pandas. Parquet files hold the same rows and columns with their types; `cells.parquet` is GeoParquet."""

RECOMPUTING = """\
Unpack the zip, or put the CSV files and `release.json` into a folder, then:

    trapnight-recompute FOLDER

It computes `index_level.csv` and `index_change.csv` again from the other tables, and compares every digit. It comes
with Trapnight and needs no database. `METHODS.md` says what is computed; `index_settings.json` with which settings."""


def readme(folder: Path, facts: Facts) -> str:
    """Return the README of the release whose tables stand in a folder."""
    return "\n\n".join(part for part in _parts(folder, facts) if part)


def _parts(folder: Path, facts: Facts) -> Iterator[str]:
    yield f"# {facts.title}, release {facts.version}"
    yield f"**{INVENTED}**" if facts.invented else ""
    yield summary(facts).removeprefix(INVENTED).strip()
    yield _history(facts)
    yield f"Organiser: {facts.organiser}. Contact: {facts.contact}. Page: <{facts.address}>."
    yield f"## What is in it\n\n{_table_list(folder)}\n\n{_file_list(facts)}"
    yield "## What it can say, and what it cannot"
    yield "\n".join(f"- **{title}** {text}" for title, text in CANNOT_SAY)
    yield f"## Reading it\n\n{READING}"
    yield "\n".join(f"- {sentence}" for sentence in warnings_about_codes(folder))
    yield f"## Computing the index again\n\n{RECOMPUTING}"
    yield f"## Citing it\n\n{citation(facts)}\n\nThe same stands in `CITATION.cff`."
    yield f"## Licence\n\n{_licence_list(folder, facts)}"


def _history(facts: Facts) -> str:
    told = f"Frozen at {facts.frozen_at}. A release is never edited: a correction is a new release."
    if facts.replaces:
        told += f" This one replaces release {facts.replaces}; `CHANGES.md` says what changed."
    return f"{told} Why it was made: {facts.because}" if facts.because else told


def _table_list(folder: Path) -> str:
    head = "| table | rows | what it holds |\n| --- | ---: | --- |\n"
    return head + "\n".join(_table_line(folder, table) for table in (*TABLES, *EXPLAINING))


def _table_line(folder: Path, table: Table) -> str:
    path = csv_path(folder, table)
    rows = f"{looked_at(path).lines - 1:,}" if path.is_file() else ""
    return f"| `{table.name}` | {rows} | {table.meaning} |"


def _file_list(facts: Facts) -> str:
    others = {path: kind for path, kind in FILES.items() if not path.endswith((".csv", ".parquet"))}
    lines = [f"- `{path}`: {kind.description}" for path, kind in others.items()]
    tables = f"Each table is a CSV file, and but for the last {len(EXPLAINING)} also a Parquet file. Beside them:"
    zipped = f"- `{zip_name(facts.version)}`: all of this in one file, without Parquet and `darwin-core.zip`."
    return "\n".join([tables, "", *lines, zipped, "- `manifest.json`: size and SHA-256 of every file."])


def _licence_list(folder: Path, facts: Facts) -> str:
    found = licences(folder, facts)
    lines = [f"- {one.label} (SPDX `{one.spdx}`, <{one.url}>): {', '.join(one.seasons)}" for one in found]
    return "\n".join(lines) + "\n\n`LICENSE.txt` says what that asks of you."
