"""The zip of a release: whole, readable, and the same to the last byte."""

from __future__ import annotations

import os
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

from surveys.release_files.archive import write_release_zip, write_zip
from tests.made_release import make_release


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    make_release(tmp_path, seed=6)
    return tmp_path


def test_it_holds_all_tables_documents_and_descriptors(folder: Path) -> None:
    left_out = {path.name for path in folder.glob("*.parquet")} | {"trapnight-1.0.0.zip", "manifest.json"}
    with zipfile.ZipFile(folder / "trapnight-1.0.0.zip") as archive:
        assert archive.testzip() is None
        names = archive.namelist()
        assert names == sorted(path.name for path in folder.iterdir() if path.name not in left_out)
        for name in names:
            assert archive.read(name) == (folder / name).read_bytes()
    assert {"returns.csv", "words.csv", "datapackage.json", "release.json", "LICENSE.txt", "METHODS.md"} <= set(names)


def test_nothing_in_it_tells_of_a_day_or_a_machine(folder: Path) -> None:
    with zipfile.ZipFile(folder / "trapnight-1.0.0.zip") as archive:
        for member in archive.infolist():
            assert member.date_time == (1980, 1, 1, 0, 0, 0)
            assert (member.create_system, member.external_attr >> 16, member.extra) == (3, 0o100644, b"")
            assert member.compress_type == zipfile.ZIP_DEFLATED


def test_times_and_rights_of_the_files_do_not_matter(folder: Path) -> None:
    first = (folder / "trapnight-1.0.0.zip").read_bytes()
    for path in folder.iterdir():
        path.chmod(0o600)
        os.utime(path, (time.time() - 1e6, time.time() - 1e6))
    write_release_zip(folder)
    assert (folder / "trapnight-1.0.0.zip").read_bytes() == first


def test_a_large_member_is_written_a_piece_at_a_time(tmp_path: Path) -> None:
    """A file of 300 MB goes in while the process may hold 200 MB beyond what it began with."""
    with (tmp_path / "counts.csv").open("wb") as file:
        file.truncate(300 * 2**20)
    program = (
        "import resource; from pathlib import Path; from surveys.release_files.archive import write_zip; "
        "begun = int(open('/proc/self/statm').read().split()[0]) * resource.getpagesize(); "
        "resource.setrlimit(resource.RLIMIT_AS, (begun + 200 * 2**20,) * 2); "
        f"folder = Path({str(tmp_path)!r}); write_zip(folder / 'a.zip', folder, ['counts.csv'])"
    )
    subprocess.run([sys.executable, "-c", program], check=True, env={**os.environ, "PYTHONPATH": "."})
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        assert archive.getinfo("counts.csv").file_size == 300 * 2**20


def test_members_stand_in_the_order_of_their_names(tmp_path: Path) -> None:
    for name in ("b.csv", "A.md", "a.csv"):
        (tmp_path / name).write_text(name)
    write_zip(tmp_path / "x.zip", tmp_path, ["b.csv", "a.csv", "A.md"])
    with zipfile.ZipFile(tmp_path / "x.zip") as archive:
        assert archive.namelist() == ["A.md", "a.csv", "b.csv"]
