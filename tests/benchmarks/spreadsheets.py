"""How long a filled-in spreadsheet takes to be read, as a household waits for it: the child process and all.

``python -m tests.benchmarks.spreadsheets [--rows 2000] [--groups 30]``

Every tenth row has three cells to mend. The gate is 10 s of wall clock for 2,000 rows and 30 groups. Beside it stand
the most memory that a child held, and what becomes of two files that are made to hurt.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

from surveys.sheets.columns import COLUMNS
from surveys.sheets.records import ListedTrap, Named, SheetLists, SheetReading
from tests.surveys.sheets.making import GOOD, as_csv, as_xlsx, in_sheet, lists

GATE_S = 10.0
FIRST_DAY = date(2026, 1, 1)
NIGHTS_A_TRAP = 250
ANSWERS = ("3", "none", "16-31", "-", "?", "", "12")


def wide_lists(rows: int, groups: int) -> SheetLists:
    """Return lists with so many groups, and a trap for each 250 rows."""
    traps = range(-(-rows // NIGHTS_A_TRAP))
    return replace(
        lists(),
        traps=tuple(ListedTrap(f"{number:06}", f"trap-{number}", "short_lawn") for number in traps),
        groups=tuple(Named(f"group_{number}", (f"Group {number}",)) for number in range(groups)),
    )


def filled_rows(rows: int, groups: int) -> list[list[str]]:
    """Return rows of a season; every tenth has three cells to mend."""
    made = []
    for number in range(rows):
        day = FIRST_DAY + timedelta(days=number % NIGHTS_A_TRAP)
        own = {
            **GOOD,
            "trap": f"{number // NIGHTS_A_TRAP:06}",
            "set_day": day.isoformat(),
            "emptied_day": (day + timedelta(days=1)).isoformat(),
            "note": f"night {number}",
        }
        counts = [ANSWERS[(number + place) % len(ANSWERS)] for place in range(groups)]
        if number % 10 == 0:
            own["rim"], counts[0], counts[-1] = "sideways", "lots", "2-Mar"
        made.append([*(str(own.get(column.code, "")) for column in COLUMNS), *counts])
    return made


def measured(words: str, content: bytes, name: str, about: SheetLists) -> tuple[float, SheetReading | None]:
    """Read a file in a child process, print how long it took, and return that and what was found."""
    from surveys.services.sheets_child import TooMuch, read_in_child

    steps: list[int] = []

    def tell(read: int, _rows: int) -> None:
        steps.append(read)

    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_before = before.ru_utime + before.ru_stime
    begun = time.perf_counter()
    try:
        found: SheetReading | None = read_in_child(
            content, name, about, language="en", tell=tell, meanwhile=lambda: None
        )
    except TooMuch:
        found = None
    took = time.perf_counter() - begun
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = spent.ru_utime + spent.ru_stime - cpu_before
    memory = spent.ru_maxrss / 1024
    what = (
        "ended at its limits"
        if found is None
        else found.refusal or f"{len(found.ready)} rows good, {len(found.faults)} faults"
    )
    print(
        f"{words:<34} {len(content) / 1024:8.0f} kB  {took:6.2f} s wall  {cpu:6.2f} s cpu  {memory:5.0f} MB  {len(steps):3} steps  {what}",
        flush=True,
    )
    return took, found


def main() -> None:
    """Measure, print, and fail where the gate is missed."""
    given = argparse.ArgumentParser(description=__doc__)
    given.add_argument("--rows", type=int, default=2000)
    given.add_argument("--groups", type=int, default=30)
    asked = given.parse_args()
    about = wide_lists(asked.rows, asked.groups)
    titles = [*(column.title for column in COLUMNS), *(group.names[0] for group in about.groups)]
    head = (("trapnight-sheet 1",), titles)
    rows = filled_rows(asked.rows, asked.groups)
    as_text = as_csv(*rows, head=head, separator=";").encode("cp1252")
    files: list[tuple[str, Callable[[], bytes], str]] = [
        ("spreadsheet (xlsx)", lambda: as_xlsx(*rows, head=head), "a.xlsx"),
        ("text with semicolons (csv)", lambda: as_text, "a.csv"),
    ]
    missed = False
    for words, make, name in files:
        took, found = measured(words, make(), name, about)
        expected = 3 * -(-asked.rows // 10)
        right = found is not None and len(found.faults) == expected and len(found.ready) == asked.rows - expected // 3
        missed = missed or took >= GATE_S or not right
    cells = b'<row r="9"><c r="A9"><v>1</v></c></row>' * ((55 << 20) // 38)
    measured(
        "55 MB of XML in a small archive",
        in_sheet(as_xlsx(*rows[:1], head=head), b"</sheetData>", cells + b"</sheetData>"),
        "a.xlsx",
        about,
    )
    long = ",".join("x" * 900 for _ in range(len(titles)))
    measured("5 MB of long cells", (as_csv(head=head) + f"{long}\n" * 120).encode()[: 5 << 20], "a.csv", about)
    print(
        f"gate of {GATE_S:g} s of wall clock for {asked.rows} rows and {asked.groups} groups: {'MISSED' if missed else 'kept'}"
    )
    sys.exit(missed)


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "project.settings.test")
    os.environ.setdefault("DATABASE_URL", "postgresql:///none")
    main()
