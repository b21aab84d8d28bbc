"""Computing the index series of a release again, and comparing every digit: ``trapnight-recompute FOLDER``.

Nothing is read but the files in the folder, and nothing is written into it. Ends with 0 where all figures are the
same, with 1 where some differ, and with 2 where the files could not be read.
"""

from __future__ import annotations

import argparse
import platform
import sys
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory

from surveys.methods import METHOD_VERSION
from surveys.release_files.facts import Facts, read_facts
from surveys.release_files.index_comparison import Comparison, compare_table, say_comparison
from surveys.release_files.index_series import same_on_all_processors, write_index_series
from surveys.release_files.reading import csv_path
from surveys.release_files.tables import INDEX_CHANGE, INDEX_LEVEL

SAME, DIFFERS, NOT_DONE = 0, 1, 2


def main(argv: Sequence[str] | None = None) -> int:
    """Compute again what the arguments name, and print what was found. Returns 0, 1 or 2."""
    asked = _parser().parse_args(argv)
    try:
        facts = _look_at(asked.folder, asked.write)
        print(
            f"Release {facts.version} of {facts.season}, frozen {facts.frozen_at}, seed {facts.seed}. Computing ...",
            flush=True,
        )
        found = _compare(asked.folder, asked.write)
    except (ValueError, RuntimeError, OSError) as fault:
        print(f"It could not be done. {fault}", file=sys.stderr)
        return NOT_DONE
    for comparison in found:
        print(*say_comparison(comparison), sep="\n")
    same = all(comparison.same for comparison in found)
    print(_conditions())
    if not same and facts.method_version != METHOD_VERSION:
        print(
            f"The release was computed by method {facts.method_version}, so figures may differ. Install the version of "
            "Trapnight that has that method."
        )
    return SAME if same else DIFFERS


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="trapnight-recompute",
        description="Computes index_level.csv and index_change.csv of a release again from its other files, and "
        "compares them to the last digit. Ends with 0: all the same, 1: some differ, 2: could not be done.",
    )
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="the folder into which the release was unpacked")
    parser.add_argument(
        "--write", type=Path, metavar="OTHER_FOLDER", help="keep what was computed in this folder, which is not FOLDER"
    )
    return parser


def _look_at(folder: Path, write: Path | None) -> Facts:
    """Return the facts of the release; raise ValueError before the long work where it would be in vain."""
    if not folder.is_dir():
        raise ValueError(f"There is no folder {folder}. Give the folder into which a whole release was unpacked.")
    if write is not None and write.resolve() == folder.resolve():
        raise ValueError(f"{write} is the release itself, which stays as it is. Give another folder after --write.")
    for table in (INDEX_LEVEL, INDEX_CHANGE):
        if write is None and not csv_path(folder, table).is_file():
            raise ValueError(
                f"There is no {table.name}.csv in {folder} to compare with. Give the folder into which a whole "
                "release was unpacked, or add --write OTHER_FOLDER to compute it there."
            )
    return read_facts(folder)


def _compare(folder: Path, write: Path | None) -> list[Comparison]:
    with TemporaryDirectory(prefix="trapnight-recompute-") as made:
        into = write or Path(made)
        into.mkdir(parents=True, exist_ok=True)
        write_index_series(folder, into)
        return [
            compare_table(folder, into, table)
            for table in (INDEX_LEVEL, INDEX_CHANGE)
            if csv_path(folder, table).is_file()
        ]


def _conditions() -> str:
    """Say what computed the figures."""
    alike = "as every x86-64 processor with AVX2 does" if same_on_all_processors() else "as this processor does"
    return (
        f"Computed with Python {platform.python_version()}, numpy {version('numpy')}, scipy {version('scipy')}, "
        f"{alike}; method {METHOD_VERSION}."
    )


if __name__ == "__main__":
    sys.exit(main())
