"""Making all files of a release from its frozen tables and its facts; and making them again, to compare."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Collection
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from surveys.release_files.facts import FACTS
from surveys.release_files.index_series import refuse_fall, run_apart
from surveys.release_files.listing import files_in, looked_at
from surveys.release_files.manifest import read_manifest, written_with
from surveys.release_files.reading import csv_path
from surveys.release_files.tables import FROZEN

#: What is made, in this order: each step reads what those above it wrote. A step is loaded when its turn comes, so
#: that whoever only looks at a release loads nothing of this.
STEPS: tuple[tuple[str, str], ...] = (
    ("cells", "write_cells"),
    ("cells", "write_cells_parquet"),
    ("cells", "write_cells_geojson"),
    ("geojson", "write_regions_geojson"),
    ("index_series", "write_index_series"),
    ("parquet", "write_parquet_files"),
    ("darwin_core", "write_archive"),
    ("changes", "write_changes_page"),
    ("codebook", "write_codebook"),
    ("documents", "write_documents"),
    ("data_package", "write_data_package"),
    ("json_ld", "write_dataset_json_ld"),
    ("archive", "write_release_zip"),
    ("manifest", "write_manifest"),
)


@dataclass(frozen=True, slots=True)
class Difference:
    """A file that is not the same where it was made again: its SHA-256 before and after, empty where it is missing."""

    path: str
    before: str
    after: str


def make_files(folder: Path, tell: Callable[[int, int], None] | None = None, *, without: Collection[str] = ()) -> None:
    """Make every file of a release from the frozen tables and ``release.json`` in a folder.

    ``tell`` hears after each step how many are done, and of how many. ``without`` names modules whose steps are left
    out, as their files were made from these very tables just now. Made twice, the bytes are the same.
    Raises ValueError with a sentence where a table is missing, is not what the codebook says, or a file stands in the
    folder that no release has.
    """
    steps = [step for step in STEPS if step[0] not in without]
    for done, (module, function) in enumerate(steps, start=1):
        getattr(import_module(f"surveys.release_files.{module}"), function)(folder)
        if tell is not None:
            tell(done, len(steps))


def make_files_apart(folder: Path, *, without: Collection[str] = ()) -> None:
    """Make the files in a process of its own, which takes its memory along when it ends.

    Raises RuntimeError with what that process said where it fell over.
    """
    done = run_apart("surveys.release_files.making", str(folder.resolve()), *without)
    refuse_fall(done, "The process that makes the files of the release")


def rebuild(folder: Path, into: Path) -> tuple[Difference, ...]:
    """Make a release's files again in another folder, from its frozen tables alone, and return what differs.

    Nothing differs where the same versions of the libraries do it: see :func:`other_versions`.
    Raises ValueError where ``into`` is not empty, where a frozen table is missing, and as :func:`make_files`.
    """
    into.mkdir(parents=True, exist_ok=True)
    if any(into.iterdir()):
        raise ValueError(f"{into} is not empty. Give an empty folder, so that nothing in it is overwritten.")
    for path in (folder / FACTS, *(csv_path(folder, table) for table in FROZEN)):
        if not path.is_file():
            raise ValueError(f"There is no {path.name} in {folder}. Give the folder of a whole release.")
        shutil.copyfile(path, into / path.name)
    make_files(into)
    return differences(folder, into)


def differences(folder: Path, again: Path) -> tuple[Difference, ...]:
    """Return each file that is not the same to the last byte in a release's folder and where it was made again."""
    before, after = _checksums(folder), _checksums(again)
    return tuple(
        Difference(path, before.get(path, ""), after.get(path, ""))
        for path in sorted(before.keys() | after.keys())
        if before.get(path) != after.get(path)
    )


def other_versions(folder: Path) -> list[str]:
    """Return a sentence for each library that is not here in the version that wrote the release in a folder."""
    here = written_with()
    return [
        f"The release was written with {name} {published}; here is {here.get(name, 'none')}."
        for name, published in read_manifest(folder).get("written_with", {}).items()
        if here.get(name) != published
    ]


def _checksums(folder: Path) -> dict[str, str]:
    return {path: looked_at(folder / path).sha256 for path in files_in(folder)}


if __name__ == "__main__":
    make_files(Path(sys.argv[1]), without=tuple(sys.argv[2:]))
