"""Computing a release again, as somebody does who has its files and nothing else."""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest

from surveys.release_files.index_comparison import compare_table, say_comparison
from surveys.release_files.index_series import environment, write_index_series
from surveys.release_files.recompute import DIFFERS, NOT_DONE, SAME, main
from surveys.release_files.tables import INDEX_CHANGE, INDEX_LEVEL
from tests.released import write_small_release

ROOT = Path(__file__).resolve().parents[3]
FILES = ("index_level.csv", "index_change.csv", "index_settings.json")

#: Stands in for a computer on which none of these can be imported.
BLOCKER = """
import sys

class Blocker:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {"django", "rest_framework", "celery", "psycopg", "redis", "kombu", "allauth"}:
            raise ImportError(f"{name} is not there")

sys.meta_path.insert(0, Blocker())
"""


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("published")
    write_small_release(folder)
    write_index_series(folder)
    return folder


@pytest.fixture
def release(published: Path, tmp_path: Path) -> Path:
    """A copy of the release that a test may change."""
    return Path(shutil.copytree(published, tmp_path / "release"))


def contents(folder: Path) -> dict[str, bytes]:
    """Return the bytes of every file in a folder."""
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


# --- the whole way ----------------------------------------------------------------------------------


def test_a_release_is_computed_again_to_the_last_digit_without_django(release: Path, tmp_path: Path) -> None:
    """In a process, and in those that it starts, in which neither Django nor a database can be had."""
    (tmp_path / "sitecustomize.py").write_text(BLOCKER)
    before = contents(release)
    answer = subprocess.run(
        [sys.executable, "-m", "surveys.release_files.recompute", str(release)],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(tmp_path)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (answer.returncode, answer.stderr) == (SAME, "")
    assert "Release 1.0.0 of merrow-2026" in answer.stdout
    assert "index_level.csv: 32 figures computed again, all the same to the last digit." in answer.stdout
    assert "index_change.csv: 16 figures computed again, all the same to the last digit." in answer.stdout
    for part in (f"Python {platform.python_version()}", f"numpy {version('numpy')}", f"scipy {version('scipy')}"):
        assert part in answer.stdout
    assert contents(release) == before, "nothing is written into the folder"


def test_the_blocker_blocks(tmp_path: Path) -> None:
    (tmp_path / "sitecustomize.py").write_text(BLOCKER)
    answer = subprocess.run(
        [sys.executable, "-c", "import django"], env={**os.environ, "PYTHONPATH": str(tmp_path)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "django is not there" in answer.stderr


def test_the_number_of_threads_does_not_change_a_digit(published: Path, tmp_path: Path) -> None:
    """Two processes of their own, told to use one thread and four, by both ways of telling."""
    for threads in ("1", "4"):
        into = tmp_path / threads
        into.mkdir()
        told = {"OMP_NUM_THREADS": threads, "OPENBLAS_NUM_THREADS": threads}
        subprocess.run(
            [sys.executable, "-m", "surveys.release_files.index_child", str(published), str(into)],
            env={**environment(), **told}, cwd=tmp_path, check=True,
        )  # fmt: skip
        for name in FILES:
            assert (into / name).read_bytes() == (published / name).read_bytes()


def test_what_the_caller_set_for_another_processor_does_not_change_a_digit(
    published: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The oldest kernels of the matrix library give other last digits; the process is started with its own."""
    monkeypatch.setenv("OPENBLAS_CORETYPE", "Prescott")
    write_index_series(published, tmp_path)
    for name in FILES:
        assert (tmp_path / name).read_bytes() == (published / name).read_bytes()


def test_what_is_computed_can_be_kept_in_another_folder(
    release: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Also where the release comes without its index."""
    expected = {name: (release / name).read_bytes() for name in FILES}
    for name in FILES:
        (release / name).unlink()
    assert main([str(release), "--write", str(tmp_path / "new" / "folder")]) == SAME
    assert contents(tmp_path / "new" / "folder") == dict(sorted(expected.items()))
    assert not set(FILES) & set(contents(release))
    assert "differ" not in capsys.readouterr().out


def test_a_tampered_count_is_seen_in_the_figures(release: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = release / "counts.csv"
    lines = path.read_text().splitlines(keepends=True)
    entering = {line.split(",")[0] for line in (release / "returns.csv").read_text().splitlines() if line.endswith(",")}
    at = next(n for n, line in enumerate(lines) if line.split(",")[0] in entering and ",number," in line)
    cells = lines[at].split(",")
    cells[3] = cells[4] = "140"
    path.write_text("".join([*lines[:at], ",".join(cells), *lines[at + 1 :]]))
    assert main([str(release)]) == DIFFERS
    said = capsys.readouterr().out
    assert "differ:" in said
    assert f"group {cells[1]}" in said
    assert "in the file" in said
    assert "The release was computed by method 1, so figures may differ." in said


# --- what cannot be compared ------------------------------------------------------------------------


def test_no_folder_and_missing_files_are_told(
    release: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([str(tmp_path / "nowhere")]) == NOT_DONE
    assert "There is no folder" in capsys.readouterr().err
    (release / "counts.csv").unlink()
    assert main([str(release)]) == NOT_DONE
    assert f"There is no counts.csv in {release}" in capsys.readouterr().err
    (release / "index_change.csv").unlink()
    assert main([str(release)]) == NOT_DONE
    assert "There is no index_change.csv" in capsys.readouterr().err
    (release / "release.json").unlink()
    assert main([str(release), "--write", str(tmp_path / "new")]) == NOT_DONE
    assert "There is no release.json" in capsys.readouterr().err


def test_the_release_itself_is_never_written_to(release: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = contents(release)
    assert main([str(release), "--write", str(release / ".." / release.name)]) == NOT_DONE
    assert "Give another folder after --write" in capsys.readouterr().err
    assert contents(release) == before


def test_a_process_that_falls_over_is_told_and_is_no_difference(
    release: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", shutil.which("false"))
    assert main([str(release)]) == NOT_DONE
    assert "The process that computes the index ended with 1" in capsys.readouterr().err


# --- the comparison ---------------------------------------------------------------------------------


def said(published: Path, changed: Path) -> str:
    """Return what is said of the level table of a changed release, beside the one computed."""
    return "\n".join(say_comparison(compare_table(changed, published, INDEX_LEVEL)))


def test_the_same_files_are_the_same(published: Path) -> None:
    for table, figures in ((INDEX_LEVEL, 32), (INDEX_CHANGE, 16)):
        found = compare_table(published, published, table)
        assert (found.same, found.figures, found.differences) == (True, figures, ())


def replace_in(release: Path, old: str, new: str) -> None:
    """Put one text in the place of another in the level table."""
    path = release / "index_level.csv"
    text = path.read_text()
    assert old in text
    path.write_bytes(text.replace(old, new, 1).encode())


def test_a_tampered_figure_is_told_with_both_values(published: Path, release: Path) -> None:
    line = (release / "index_level.csv").read_text().splitlines()[1]
    replace_in(release, line, line.replace(line.split(",")[5], "wide", 1))
    place = "season merrow-2025, region alder-quay, window spring, group ground_beetles, rim_exponent 0"
    assert f"{place}: label is wide in the file, {line.split(',')[5]} computed again" in said(published, release)


def test_other_last_digits_are_told_as_such(published: Path, release: Path) -> None:
    effort = (release / "index_level.csv").read_text().splitlines()[1].split(",")[12]
    replace_in(release, effort, repr(float(effort) * (1 + 1e-14)))
    assert "1 of them differ, in their last digits only (by 1e-14 of themselves at most)" in said(published, release)


def test_a_missing_row_and_one_too_many_are_told(published: Path, release: Path) -> None:
    lines = (release / "index_level.csv").read_text().splitlines(keepends=True)
    (release / "index_level.csv").write_text("".join([*lines[:-1], lines[-1].replace("woodlice", "snails")]))
    told = said(published, release)
    assert "group woodlice, rim_exponent 1: there is no such row in the file; computed " in told
    assert "group snails, rim_exponent 1: the file has " in told


def test_another_way_of_writing_is_told_and_is_not_the_same(published: Path, release: Path) -> None:
    replaced = (release / "index_level.csv").read_bytes().replace(b"\n", b"\r\n")
    (release / "index_level.csv").write_bytes(replaced)
    assert "the file is written in another way" in said(published, release)
    assert not compare_table(release, published, INDEX_LEVEL).same


BROKEN = {
    "another header": ("season,region,window", "season,place,window", "begins with 'season,place,window"),
    "a cell too many": ("\nmerrow-2025,", "\nmerrow-2025,,", "has 15 cells in line 2; expected 14"),
    "a row twice": (
        ",rim_exponent,label,",
        ",rim_exponent,label,",
        "two rows for merrow-2026 cawder spring woodlice 1",
    ),
    "an open quote": ("\nmerrow-2025,", '\n"merrow-2025,', "cannot be read as CSV"),
}


@pytest.mark.parametrize("case", BROKEN)
def test_a_file_that_is_no_such_table_is_told(published: Path, release: Path, case: str) -> None:
    old, new, expected = BROKEN[case]
    replace_in(release, old, new)
    if case == "a row twice":
        path = release / "index_level.csv"
        path.write_text(path.read_text() + path.read_text().splitlines()[-1] + "\n")
    with pytest.raises(ValueError, match=expected):
        compare_table(release, published, INDEX_LEVEL)


def test_of_many_differences_the_first_are_told_and_the_others_counted(published: Path, release: Path) -> None:
    path = release / "index_level.csv"
    header, *lines = path.read_text().splitlines()
    path.write_text("\n".join([header, *(f"{line.rsplit(',', 1)[0]},77" for line in lines)]) + "\n")
    told = said(published, release).splitlines()
    assert len(told) == 1 + 20 + 1
    assert told[-1] == "  and 12 more values."
