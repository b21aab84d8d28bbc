"""What a release says about itself: nothing a reader must know is missing, and its citation passes an outside judge."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
import yaml

from surveys.release_files.documents import write_documents
from tests.made_release import make_release
from tests.released import write_small_release

CC0 = {"licence": "CC0-1.0", "licence_url": "https://creativecommons.org/publicdomain/zero/1.0/"}


def read(folder: Path, name: str) -> str:
    return (folder / name).read_text(encoding="utf-8")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    make_release(tmp_path, seed=2)
    return tmp_path


def test_invented_data_say_so_in_the_first_sentence(folder: Path) -> None:
    head, first, *_ = read(folder, "README.md").split("\n\n")
    assert head == "# Merrow Night Count 2026, release 1.0.0"
    assert first.startswith("**Every return in this release is invented")


def test_real_data_do_not(tmp_path: Path) -> None:
    write_small_release(tmp_path, invented=False)
    write_documents(tmp_path)
    for name in ("README.md", "CITATION.cff", "LICENSE.txt"):
        assert "invented" not in read(tmp_path, name).lower(), name


@pytest.mark.parametrize(
    "needed",
    [
        "activity-density", "not a number of animals", "Volunteers choose themselves", "no interval covers it",
        "95 % interval", "square of 0.1 degrees", "fewer than five gardens", "None of these is a zero",
        "trapnight-recompute FOLDER", "CC-BY-4.0", "https://creativecommons.org/licenses/by/4.0/",
        "Frozen at 2026-07-01T02:00:00Z", "The first release of the season.", "CHANGES.md", "without Parquet",
        "field-office@merrow.example", "Do not try to find out who sent a return", "count_max is open above",
    ],
)  # fmt: skip
def test_the_readme_says_what_a_reader_must_know(folder: Path, needed: str) -> None:
    assert needed in read(folder, "README.md")


def test_the_readme_names_every_file_and_no_other(folder: Path) -> None:
    text = read(folder, "README.md")
    listed = set(re.findall(r"^- `([^`]+)`:", text, re.MULTILINE)) | {
        f"{name}.csv" for name in re.findall(r"^\| `([a-z_]+)` \|", text, re.MULTILINE)
    }
    there = {path.name for path in folder.iterdir() if path.suffix != ".parquet"}
    assert listed - {"darwin-core.zip"} == there


def test_the_readme_tells_how_many_rows_there_are(folder: Path) -> None:
    rows = read(folder, "counts.csv").count("\n") - 1
    assert f"| `counts` | {rows:,} |" in read(folder, "README.md")


def test_no_word_promises_more_than_a_catch_can_say(folder: Path) -> None:
    text = (read(folder, "README.md") + read(folder, "CITATION.cff")).lower()
    assert not re.search(r"abundance|population|per m²|density of animals", text)


def test_a_release_that_replaces_another_says_which_and_why(tmp_path: Path) -> None:
    write_small_release(tmp_path, version="1.0.1", replaces="1.0.0", because="Two gardens asked to leave.")
    write_documents(tmp_path)
    text = read(tmp_path, "README.md")
    assert "This one replaces release 1.0.0; `CHANGES.md` says what changed." in text
    assert "Two gardens asked to leave." in text
    assert "`trapnight-1.0.1.zip`" in text


def test_methods_are_those_of_the_code(folder: Path) -> None:
    source = Path(__file__).parents[3] / "surveys" / "methods" / "METHODS.md"
    assert (folder / "METHODS.md").read_bytes() == source.read_bytes()


def test_one_licence_is_told_once(folder: Path) -> None:
    text = read(folder, "LICENSE.txt")
    assert text.count("SPDX-License-Identifier: ") == 1
    assert "SPDX-License-Identifier: CC-BY-4.0\nhttps://creativecommons.org/licenses/by/4.0/\n" in text
    assert "All rows" in text


def test_licences_that_differ_are_told_for_each_season(tmp_path: Path) -> None:
    write_small_release(tmp_path, **CC0)
    path = tmp_path / "seasons.csv"
    lines = path.read_text().splitlines()
    path.write_text("\n".join([*lines[:2], lines[2].replace("CC-BY-4.0", "CC0-1.0")]) + "\n")
    write_documents(tmp_path)
    text = read(tmp_path, "LICENSE.txt")
    zero, by = text.index("Rows of merrow-2026: Creative Commons Zero"), text.index("Rows of merrow-2025: Creative")
    assert zero < text.index("SPDX-License-Identifier: CC0-1.0") < by < text.index("SPDX-License-Identifier: CC-BY-4.0")
    assert yaml.safe_load(read(tmp_path, "CITATION.cff"))["license"] == ["CC0-1.0", "CC-BY-4.0"]


def test_the_citation_is_the_same_wherever_it_stands(folder: Path) -> None:
    cited = (
        "Merrow Field Office (2026): Merrow Night Count 2026, release 1.0.0. Invented data. "
        "https://trapnight.example/releases/1.0.0/"
    )
    for name in ("README.md", "CITATION.cff", "dataset.jsonld"):
        assert cited in read(folder, name), name


AWKWARD = "Night count: \"moths & co\" # 1 — Überall\\n, - yes\t{a} [b] % @ `x` 'y'"


@pytest.mark.parametrize("title", ["Merrow Night Count 2026", AWKWARD, "null", "2026-01-01", "*"])
def test_the_citation_file_says_what_was_meant(tmp_path: Path, title: str) -> None:
    """Reader: PyYAML."""
    write_small_release(tmp_path, title=title, organiser=title)
    write_documents(tmp_path)
    found = yaml.safe_load(read(tmp_path, "CITATION.cff"))
    assert found["title"] == f"{title} (invented data)"
    assert found["authors"] == [{"name": title, "email": "field-office@merrow.example"}]
    assert (found["type"], found["version"], found["date-released"]) == ("dataset", "1.0.0", "2026-07-01")
    assert found["url"] == "https://trapnight.example/releases/1.0.0/"
    assert found["license"] == "CC-BY-4.0"
    assert len(found["keywords"]) > 3


@pytest.mark.parametrize("changes", [{}, CC0, {"title": AWKWARD}, {"contact": "Room 3"}, {"invented": False}])
def test_an_outside_judge_passes_the_citation_file(
    tmp_path: Path, changes: dict[str, str], is_valid_citation: Callable[[Path], bool]
) -> None:
    """Judge: cffconvert 2.0.0, Citation File Format 1.2.0."""
    write_small_release(tmp_path, **changes)
    write_documents(tmp_path)
    assert is_valid_citation(tmp_path / "CITATION.cff")


@pytest.mark.parametrize(
    ("what", "instead"),
    [
        ('type: "dataset"', 'type: "data"'),
        ('date-released: "2026-07-01"', 'date-released: "2026-7-1"'),
        ('license: "CC-BY-4.0"', 'license: "CC-BY-4"'),
        ("authors:", "writers:"),
        ('url: "https', 'url: "www'),
        ('cff-version: "1.2.0"', 'cff-version: "9"'),
        ("keywords:", "keyword:"),
    ],
)
def test_the_judge_finds_a_fault_that_was_planted(
    tmp_path: Path, what: str, instead: str, is_valid_citation: Callable[[Path], bool]
) -> None:
    write_small_release(tmp_path)
    write_documents(tmp_path)
    text = read(tmp_path, "CITATION.cff")
    assert what in text
    (tmp_path / "CITATION.cff").write_text(text.replace(what, instead), encoding="utf-8")
    assert not is_valid_citation(tmp_path / "CITATION.cff")
