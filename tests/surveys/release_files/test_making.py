"""Making all files: in order, twice the same, whatever the machine's clock, words, rights or order of names."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import frictionless
import pytest

from surveys.release_files.listing import FILES
from surveys.release_files.making import STEPS, Difference, differences, make_files, other_versions, rebuild
from surveys.release_files.manifest import check_folder
from surveys.release_files.reading import csv_path
from surveys.release_files.tables import FROZEN
from tests.released import write_small_release

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("release")
    write_small_release(folder, seed=11)
    make_files(folder)
    return folder


def frozen_copy(folder: Path, into: Path, *, backwards: bool = False) -> Path:
    """Copy the frozen tables and the facts alone, in one order or the other."""
    into.mkdir(parents=True)
    names = ["release.json", *(csv_path(folder, table).name for table in FROZEN)]
    for name in sorted(names, reverse=backwards):
        shutil.copyfile(folder / name, into / name)
    return into


def test_every_file_of_a_release_is_made_and_holds(made: Path) -> None:
    names = {path.name for path in made.iterdir()}
    assert names == set(FILES) | {"manifest.json", "trapnight-1.0.0.zip"}
    assert check_folder(made) == []
    report = frictionless.validate(str(made / "datapackage.json"))
    assert report.valid, report.flatten(["title", "message"])


def test_made_again_from_the_frozen_tables_it_is_the_same_to_the_last_byte(made: Path, tmp_path: Path) -> None:
    assert rebuild(made, tmp_path / "again") == ()
    assert len(list((tmp_path / "again").iterdir())) == len(list(made.iterdir()))


def test_making_twice_in_one_folder_changes_nothing(made: Path, tmp_path: Path) -> None:
    folder = tmp_path / "copy"
    shutil.copytree(made, folder)
    make_files(folder)
    assert differences(made, folder) == ()


#: Two machines that could hardly differ more.
MACHINES = [
    {"LC_ALL": "C", "TZ": "UTC", "PYTHONHASHSEED": "1", "umask": "077"},
    {"LC_ALL": "C.UTF-8", "LANG": "de_DE.UTF-8", "TZ": "Pacific/Chatham", "PYTHONHASHSEED": "4242", "umask": "000"},
]


def test_two_machines_make_the_same_bytes(made: Path, tmp_path: Path) -> None:
    for number, machine in enumerate(MACHINES):
        folder = frozen_copy(made, tmp_path / str(number), backwards=bool(number))
        settings = {name: value for name, value in machine.items() if name != "umask"}
        program = (
            f"import os; os.umask(0o{machine['umask']}); from pathlib import Path; "
            f"from surveys.release_files.making import make_files; make_files(Path({str(folder)!r}))"
        )
        environment = {"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT), **settings}
        answer = subprocess.run(
            [sys.executable, "-c", program], env=environment, cwd=tmp_path, capture_output=True, text=True, check=False
        )
        assert answer.returncode == 0, answer.stderr
        assert differences(made, folder) == (), machine


def test_a_changed_row_and_another_version_are_told(made: Path, tmp_path: Path) -> None:
    folder = tmp_path / "changed"
    shutil.copytree(made, folder)
    manifest = json.loads((folder / "manifest.json").read_text())
    manifest["written_with"]["pyarrow"] = "1.0"
    (folder / "manifest.json").write_text(json.dumps(manifest))
    (folder / "cells.csv").write_text((folder / "cells.csv").read_text().replace(",6572,", ",6573,"))
    (folder / "CITATION.cff").unlink()
    missing, cells, of_manifest = rebuild(folder, tmp_path / "again")
    published = hashlib.sha256((made / "CITATION.cff").read_bytes()).hexdigest()
    assert missing == Difference("CITATION.cff", "", published)
    assert (cells.path, cells.after) == ("cells.csv", hashlib.sha256((made / "cells.csv").read_bytes()).hexdigest())
    assert of_manifest.path == "manifest.json"
    (version,) = other_versions(folder)
    assert version.startswith("The release was written with pyarrow 1.0; here is ")


def test_the_versions_here_are_those_that_wrote_it_here(made: Path) -> None:
    assert other_versions(made) == []


def test_steps_are_told_one_by_one(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "copy"
    shutil.copytree(made, folder)
    told: list[tuple[int, int]] = []
    make_files(folder, lambda done, of: told.append((done, of)), without=["index_series"])
    assert told == [(n, 13) for n in range(1, 14)]
    assert differences(made, folder) == (), "an index that is there already is left as it is"


def test_an_index_that_is_said_to_be_there_and_is_not_is_missed(tmp_path: Path) -> None:
    write_small_release(tmp_path, seed=11)
    with pytest.raises(ValueError, match=r"There is no index_level\.csv"):
        make_files(tmp_path, without=["index_series"])


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step[1])
def test_every_step_is_there(step: tuple[str, str]) -> None:
    module, function = step
    assert callable(getattr(import_module(f"surveys.release_files.{module}"), function))


def test_looking_at_what_is_made_loads_none_of_what_makes_it() -> None:
    program = (
        "import sys, surveys.release_files.making; "
        "sys.exit(', '.join(name for name in ('geopandas', 'pandas', 'scipy') if name in sys.modules) or 0)"
    )
    answer = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False)
    assert answer.returncode == 0, answer.stderr


def test_another_folder_must_be_empty(made: Path, tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(ValueError, match=r"is not empty\. Give an empty folder"):
        rebuild(made, tmp_path)
    assert (tmp_path / "mine.txt").read_text() == "mine"


@pytest.mark.parametrize("name", ["release.json", "counts.csv"])
def test_a_missing_table_is_told_in_words(made: Path, tmp_path: Path, name: str) -> None:
    folder = frozen_copy(made, tmp_path / "part")
    (folder / name).unlink()
    with pytest.raises(ValueError, match=f"There is no {name} in "):
        rebuild(folder, tmp_path / "again")


def test_a_strange_file_is_not_published(made: Path, tmp_path: Path) -> None:
    folder = frozen_copy(made, tmp_path / "strange")
    (folder / "accounts.csv").write_text("name\n")
    with pytest.raises(ValueError, match=r"holds accounts\.csv, which is no file of a release"):
        make_files(folder)
    assert not (folder / "manifest.json").exists()
