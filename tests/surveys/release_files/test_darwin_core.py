"""The archive as a whole: a library of others reads it, it keeps the text guide's rules, and it is made the same twice."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree
from zipfile import ZipFile

import pytest
from dwca.read import DwCAReader

from surveys.release_files import darwin_columns, darwin_places, reading
from surveys.release_files.darwin_core import write_archive
from surveys.release_files.tables import COUNTS, RETURNS
from tests.darwin import Made, make_random, one_count, one_return
from tests.released import write_small_release, write_table
from tests.text_guide import faults_of, read_members

EVENT, OCCURRENCE = "http://rs.tdwg.org/dwc/terms/Event", "http://rs.tdwg.org/dwc/terms/Occurrence"
HUMBOLDT = "http://rs.tdwg.org/eco/terms/Event"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return make_random(tmp_path_factory.mktemp("release"), seed=11)


# --- python-dwca-reader reads back what was written ------------------------------------------------------------------


def test_a_library_of_others_finds_the_core_both_extensions_and_the_metadata(made: Made) -> None:
    with DwCAReader(str(made.folder / "darwin-core.zip")) as archive:
        assert archive.descriptor.core.type == EVENT
        assert {one.type for one in archive.descriptor.extensions} == {OCCURRENCE, HUMBOLDT}
        assert archive.metadata is not None
        assert archive.metadata.find("dataset/title") is not None


def test_it_reads_every_row_of_every_file(made: Made) -> None:
    with DwCAReader(str(made.folder / "darwin-core.zip")) as archive:
        rows = archive.rows
        extensions = Counter(one.rowtype for row in rows for one in row.extensions)
    assert len(rows) == len(made.events)
    assert extensions == {OCCURRENCE: len(made.occurrences), HUMBOLDT: len(made.humboldt)}


def test_each_extension_row_hangs_on_the_core_row_that_it_belongs_to(made: Made) -> None:
    with DwCAReader(str(made.folder / "darwin-core.zip")) as archive:
        hung = {
            row.id: sorted(
                one.data["http://rs.tdwg.org/dwc/terms/occurrenceID"]
                for one in row.extensions
                if one.rowtype == OCCURRENCE
            )
            for row in archive
        }
    # The return's own id leads that of each of its occurrences.
    assert all(name.startswith(f"{event}:") for event, names in hung.items() for name in names)
    assert sorted(name for names in hung.values() for name in names) == sorted(made.occurrence)


def test_it_finds_the_values_under_the_addresses_of_their_terms(made: Made) -> None:
    with DwCAReader(str(made.folder / "darwin-core.zip")) as archive:
        for row in archive:
            ours = made.event[row.id]
            assert row.data["http://rs.tdwg.org/dwc/terms/eventDate"] == ours["eventDate"]
            assert row.data["http://purl.org/dc/terms/license"] == "https://creativecommons.org/licenses/by/4.0/"
            (inventory,) = [one for one in row.extensions if one.rowtype == HUMBOLDT]
            scope = inventory.data["http://rs.tdwg.org/eco/terms/targetTaxonomicScope"]
            assert scope == "Oniscidea | Araneae | Carabidae | Collembola"


# --- the text guide ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_a_random_archive_keeps_every_rule_of_the_text_guide(tmp_path: Path, seed: int) -> None:
    assert faults_of(make_random(tmp_path, seed).members) == []


def test_encoding_separators_and_header_are_stated(made: Made) -> None:
    root = ElementTree.fromstring(made.members["meta.xml"])
    for entity in list(root):
        assert entity.attrib == {
            "rowType": entity.get("rowType"), "encoding": "UTF-8", "fieldsTerminatedBy": ",", "linesTerminatedBy": "\\n",
            "fieldsEnclosedBy": '"', "ignoreHeaderLines": "1",
        }  # fmt: skip


def test_the_header_of_each_file_bears_the_local_names_of_its_terms(made: Made) -> None:
    for entity in list(ElementTree.fromstring(made.members["meta.xml"])):
        name = entity.findtext("{*}files/{*}location") or ""
        terms = [str(field.get("term")).rsplit("/", 1)[1] for field in entity.findall("{*}field")]
        header = made.members[name].decode().split("\n", 1)[0]
        assert header == ",".join(f'"{term}"' for term in terms)


def _meta(old: str, new: str, count: int = 1) -> Callable[[dict[str, bytes]], None]:
    def spoil(members: dict[str, bytes]) -> None:
        before = members["meta.xml"].decode()
        assert old in before, old
        members["meta.xml"] = before.replace(old, new, count).encode()

    return spoil


def _drop(name: str) -> Callable[[dict[str, bytes]], None]:
    def spoil(members: dict[str, bytes]) -> None:
        del members[name]

    return spoil


def _second_core(members: dict[str, bytes]) -> None:
    root = ElementTree.fromstring(members["meta.xml"])
    root.insert(1, root[0])
    members["meta.xml"] = ElementTree.tostring(root)


def _no_core(members: dict[str, bytes]) -> None:
    root = ElementTree.fromstring(members["meta.xml"])
    root.remove(root[0])
    members["meta.xml"] = ElementTree.tostring(root)


def _short_row(members: dict[str, bytes]) -> None:
    members["occurrence.csv"] += b'"r1","r1:spiders"\n'


def _lost_row(members: dict[str, bytes]) -> None:
    lines = members["event.csv"].splitlines(keepends=True)
    members["event.csv"] = b"".join(lines[:-1])


def _twice(members: dict[str, bytes]) -> None:
    members["event.csv"] += members["event.csv"].splitlines(keepends=True)[-1]


FAULTS = {
    "the id stands in another column": (_meta('<id index="0" />', '<id index="2" />'), "not unique"),
    "the coreid stands in another column": (_meta('<coreid index="0" />', '<coreid index="1" />'), "is the id of no core row"),
    "there is no id": (_meta('<id index="0" />', ""), "has no id"),
    "there is no coreid": (_meta('<coreid index="0" />', ""), "has no coreid"),
    "the rowType is missing": (_meta(f'rowType="{OCCURRENCE}"', ""), "rowType is None"),
    "the rowType is no URI": (_meta(f'rowType="{HUMBOLDT}"', 'rowType="Humboldt"'), "rowType is 'Humboldt'"),
    "a file is missing": (_drop("humboldt.csv"), "humboldt.csv is not in the archive"),
    "the description is missing": (_drop("eml.xml"), "eml.xml is not in the archive"),
    "the metafile is missing": (_drop("meta.xml"), "not named meta.xml"),
    "there are two cores": (_second_core, "2 cores"),
    "there is no core": (_no_core, "0 cores"),
    "a field is described that no column holds": (
        _meta("</extension>", '<field index="99" term="http://rs.tdwg.org/dwc/terms/sex" /></extension>'), "describes 100"),
    "two fields share a column": (_meta('index="2"', 'index="1"'), "two fields have the index 1"),
    "a term stands twice": (_meta("terms/parentEventID", "terms/eventID"), "has two fields"),
    "a term is no URI": (_meta("http://rs.tdwg.org/dwc/terms/eventType", "eventType"), "is not a URI"),
    "a field has neither index nor default": (_meta('index="3" ', ""), "neither index nor default"),
    "the files element is missing": (_meta("<files>", "<filez>"), "is not XML"),
    "a location is missing": (_meta("<location>occurrence.csv</location>", ""), "0 locations"),
    "a row is short": (_short_row, "has 2 columns"),
    "a core row is lost": (_lost_row, "is the id of no core row"),
    "a core row stands twice": (_twice, "not unique"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_the_checker_sees_a_planted_fault(made: Made, fault: str) -> None:
    spoil, says = FAULTS[fault]
    members = dict(made.members)
    spoil(members)
    assert any(says in found for found in faults_of(members)), faults_of(members)


# --- the same bytes, and nothing left behind --------------------------------------------------------------------------


def test_the_same_release_gives_the_same_bytes(tmp_path: Path) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    for folder in (first, second):
        folder.mkdir()
        write_small_release(folder, seed=5)
        write_archive(folder)
    again = (first / "darwin-core.zip").read_bytes()
    write_archive(first)
    assert (first / "darwin-core.zip").read_bytes() == again == (second / "darwin-core.zip").read_bytes()


def test_it_does_not_matter_in_how_many_pieces_the_tables_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = make_random(tmp_path, seed=6, sites=40)
    monkeypatch.setattr(darwin_columns, "ROWS_AT_A_TIME", 7)
    monkeypatch.setattr(darwin_places, "_ROWS_BEFORE_FOLDING", 11)
    monkeypatch.setattr(reading, "BLOCK_BYTES", 4096)
    assert read_members(write_archive(tmp_path)) == whole.members


def test_members_are_sorted_and_bear_no_time_of_their_own(made: Made) -> None:
    with ZipFile(made.folder / "darwin-core.zip") as archive:
        members = archive.infolist()
    assert [one.filename for one in members] == ["eml.xml", "event.csv", "humboldt.csv", "meta.xml", "occurrence.csv"]
    assert {one.date_time for one in members} == {(1980, 1, 1, 0, 0, 0)}
    assert {(one.create_system, one.external_attr >> 16) for one in members} == {(3, 0o644)}


def test_lines_end_in_lf_and_there_is_no_mark_at_the_beginning(made: Made) -> None:
    for content in made.members.values():
        assert b"\r" not in content
        assert content.endswith(b"\n")
        assert not content.startswith(b"\xef\xbb\xbf")


def test_a_line_break_in_a_name_does_not_break_a_row(tmp_path: Path) -> None:
    made = make_random(tmp_path, 3, title='Merrow\nNight, "Count"', invented=False)
    assert faults_of(made.members) == []
    assert made.events[0]["datasetName"] == 'Merrow Night, "Count", release 1.0.0'


SPOILED = {
    "a count of an unknown return": (
        [one_return()], [one_count("spiders", "number", 3, 3), one_count("spiders", "number", 3, 3, return_id="r9")],
        "counts.csv speaks of the return r9",
    ),
    "a count of a return before the first": (
        [one_return()], [one_count("spiders", "number", 3, 3, return_id="a0")], "counts.csv speaks of the return a0",
    ),
    "a group that the season does not ask for": (
        [one_return()], [one_count("scorpions", "number", 1, 1)], "groups.csv does not list",
    ),
    "a class that no class has": (
        [one_return()], [one_count("spiders", "class", 5, 9)], "a class from 5 to 9",
    ),
    "a cell in two places": (
        [one_return(), one_return(return_id="r2", cell_latitude=51.55)], [], "A cell has one centre",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", SPOILED)
def test_tables_that_do_not_fit_are_refused_in_words_and_nothing_is_left_behind(tmp_path: Path, case: str) -> None:
    returns, counts, says = SPOILED[case]
    write_small_release(tmp_path, sites=1, seasons=(2026,))
    write_table(tmp_path, RETURNS, returns)
    write_table(tmp_path, COUNTS, counts)
    with pytest.raises(ValueError, match=says):
        write_archive(tmp_path)
    assert not list(tmp_path.glob("darwin-core*"))


def test_a_release_without_returns_is_an_archive_of_its_seasons(tmp_path: Path) -> None:
    write_small_release(tmp_path, sites=1)
    write_table(tmp_path, RETURNS, [])
    write_table(tmp_path, COUNTS, [])
    members = read_members(write_archive(tmp_path))
    assert faults_of(members) == []
    assert len(members["event.csv"].splitlines()) == 1 + 2


def test_the_writer_never_reaches_django() -> None:
    code = "import sys, surveys.release_files.darwin_core; print('django' in sys.modules)"
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert answer.stdout.strip() == "False"
