"""Files that were made to hurt, or that went wrong: each one ends in a sentence, and none of them is opened far."""

from __future__ import annotations

import io
import random
import struct
import tracemalloc
import warnings
import zipfile
import zlib

import pytest

from surveys.sheets.container import MOST_UNPACKED
from surveys.sheets.dry_run import read_file
from tests.surveys.sheets.making import GOOD, HEAD, as_csv, as_xlsx, in_sheet, lists, read_csv_text, repacked, row

MEND = "Open it in your spreadsheet program and save it as .xlsx or .csv."
OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504)


def refusal(content: bytes, name: str = "nights.xlsx") -> str:
    """Return the one sentence that a file as a whole gets."""
    found = read_file(content, name, lists())
    assert (found.rows, found.faults, found.ready, found.marked) == (0, (), (), None)
    return found.refusal


def test_a_sheet_of_55_mb_in_an_archive_of_a_few_hundred_kb_is_never_unpacked() -> None:
    cells = b'<row r="9"><c r="A9"><v>1</v></c></row>' * 1_450_000
    bomb = in_sheet(as_xlsx(row()), b"</sheetData>", cells[: 55 << 20] + b"</sheetData>")
    assert len(bomb) < 600_000
    assert refusal(bomb).startswith("The file grows too big when it is opened.")


def test_a_part_whose_size_is_told_too_small_is_found_out() -> None:
    content = bytearray(in_sheet(as_xlsx(row()), b"</sheetData>", b" " * (12 << 20) + b"</sheetData>"))
    for sign, place in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):
        at = content.find(sign)
        while at != -1:
            if struct.unpack_from("<I", content, at + place)[0] > 1 << 20:
                struct.pack_into("<I", content, at + place, 5000)
            at = content.find(sign, at + 4)
    assert refusal(bytes(content)) == f"The file is damaged: it cannot be unpacked. {MEND}"


def test_what_lies_behind_the_size_that_a_part_states_is_never_unpacked() -> None:
    """The sum is that of the first bytes, so the part looks whole; a reader that asks for all of it gets 40 MB."""
    content = as_xlsx(row())
    styles = zipfile.ZipFile(io.BytesIO(content)).read("xl/styles.xml")
    hidden = repacked(content, changed=lambda name, held: held + b" " * (40 << 20) if name == "xl/styles.xml" else held)
    patched = bytearray(hidden)
    for sign, sum_at, name_at in ((b"PK\x03\x04", 14, 30), (b"PK\x01\x02", 16, 46)):
        at = next(
            at for at in range(len(patched))
            if patched.startswith(sign, at) and patched.startswith(b"xl/styles.xml", at + name_at)
        )  # fmt: skip
        struct.pack_into("<I", patched, at + sum_at, zlib.crc32(styles))
        struct.pack_into("<I", patched, at + sum_at + 8, len(styles))
    tracemalloc.start()
    found = read_file(bytes(patched), "a.xlsx", lists())
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(found.ready) == 1
    assert peak < 20 << 20


def test_an_archive_that_unpacks_to_more_than_the_cap_in_many_parts_is_refused() -> None:
    grown = repacked(
        as_xlsx(row()), added={f"xl/media/{n}.bin": bytes(90_000) for n in range(1 + MOST_UNPACKED // 90_000)}
    )
    assert refusal(grown).startswith("The file grows too big when it is opened.")


ENTITIES = b'<!DOCTYPE x [<!ENTITY a "' + b"a" * 1000 + b'"><!ENTITY b "' + b"&a;" * 1000 + b'">]>'


@pytest.mark.parametrize(
    "part", ["xl/workbook.xml", "xl/worksheets/sheet1.xml", "xl/styles.xml", "[Content_Types].xml"]
)
def test_entities_that_multiply_are_refused_in_every_part(part: str) -> None:
    def changed(name: str, held: bytes) -> bytes:
        head, _, rest = held.partition(b">") if held.startswith(b"<?xml") else (b"", b"", held)
        return (head + b">" if head else b"") + ENTITIES + rest if name == part else held

    assert "defines signs of its own" in refusal(repacked(as_xlsx(row()), changed=changed))


def test_entities_in_another_encoding_are_refused_too() -> None:
    def changed(name: str, held: bytes) -> bytes:
        return (ENTITIES.decode() + "<workbook/>").encode("utf-16") if name == "xl/workbook.xml" else held

    assert "defines signs of its own" in refusal(repacked(as_xlsx(row()), changed=changed))


def test_a_file_with_macros_is_refused_by_its_part_and_by_its_type() -> None:
    by_part = repacked(as_xlsx(row()), added={"xl/vbaProject.bin": b"\xcc\x61"})
    by_type = repacked(
        as_xlsx(row()), changed=lambda name, held: held.replace(b"sheet.main+xml", b"sheet.macroEnabled.main+xml")
    )
    for content in (by_part, by_type):
        assert refusal(content) == "The file holds macros, which we do not take. Save it as .xlsx without macros."


def test_values_taken_from_other_files_are_refused() -> None:
    by_part = repacked(as_xlsx(row()), added={"xl/externalLinks/externalLink1.xml": b"<externalLink/>"})
    link = b'<Relationship Id="r9" Type="http://x/oleObject" Target="http://evil.example/x" TargetMode="External"/>'
    by_relation = repacked(
        as_xlsx(row()),
        changed=lambda name, held: held.replace(b"</Relationships>", link + b"</Relationships>"),
    )
    for content in (by_part, by_relation):
        assert refusal(content).startswith("The file takes values from other files.")


def test_a_mail_address_that_became_a_link_harms_nobody() -> None:
    link = b'<Relationship Id="r9" Type="http://x/hyperlink" Target="mailto:a@b.example" TargetMode="External"/>'
    rels = (
        b'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        + link
        + b"</Relationships>"
    )
    content = repacked(as_xlsx(row()), added={"xl/worksheets/_rels/sheet1.xml.rels": rels})
    assert len(read_file(content, "nights.xlsx", lists()).ready) == 1


def test_a_file_under_a_password_is_told_from_one_of_the_old_kind() -> None:
    locked = OLE + "EncryptedPackage".encode("utf-16-le")
    assert refusal(locked) == "The file is locked with a password. Save it without one, then send it again."
    assert refusal(OLE, "nights.xls") == f"This is a spreadsheet of the old kind (.xls). {MEND}"


def test_an_archive_with_locked_parts_is_refused() -> None:
    content = bytearray(as_xlsx(row()))
    at = content.find(b"PK\x01\x02")
    content[at + 8] |= 1
    assert refusal(bytes(content)).startswith("The file is locked with a password.")


def test_a_picture_under_a_false_name_is_refused() -> None:
    picture = b"\x89PNG\r\n\x1a\n" + bytes(100)
    assert refusal(picture) == f"The name ends in .xlsx, but this is not a spreadsheet. {MEND}"
    assert refusal(picture, "nights.csv").startswith("The file holds signs that no text has.")
    assert refusal(picture, "picture.png") == f"We read .xlsx and .csv files only. {MEND}"


def test_a_spreadsheet_named_csv_is_refused() -> None:
    assert refusal(as_xlsx(row()), "nights.csv") == f"The file is not what the end of its name says. {MEND}"


@pytest.mark.parametrize("name", ["nights.ods", "nights.xlsm", "nights.docx", "nights"])
def test_other_archives_are_refused_by_their_name(name: str) -> None:
    assert refusal(as_xlsx(row()), name) == f"We read .xlsx and .csv files only. {MEND}"


def test_an_archive_that_is_no_spreadsheet_is_refused() -> None:
    into = io.BytesIO()
    with zipfile.ZipFile(into, "w") as archive:
        archive.writestr("letter.txt", "hello")
    assert refusal(into.getvalue()) == f"The name ends in .xlsx, but this is not a spreadsheet. {MEND}"


def test_ten_thousand_parts_are_refused_by_their_number() -> None:
    content = repacked(as_xlsx(row()), added={f"xl/x{n}.xml": b"" for n in range(10_000)})
    assert refusal(content).startswith("The file holds 100")


@pytest.mark.parametrize("name", ["../../etc/passwd", "/etc/passwd", "xl\\..\\..\\x", "C:/x", "xl/../../x"])
def test_names_that_lead_out_of_the_archive_are_refused(name: str) -> None:
    assert refusal(repacked(as_xlsx(row()), added={name: b"x"})) == (
        f"The file has parts with names that no spreadsheet has. {MEND}"
    )


def test_two_parts_of_one_name_are_refused() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the archive's maker warns of what is meant here
        content = repacked(as_xlsx(row()), added={"xl/workbook.xml": b"<workbook/>"})
    assert "names that no spreadsheet has" in refusal(content)


def test_a_file_inside_the_file_is_refused_by_name_and_by_beginning() -> None:
    for name, held in (("xl/embeddings/a.bin", b"x"), ("xl/b.zip", b"x"), ("xl/media/c.png", b"PK\x03\x04more")):
        content = repacked(as_xlsx(row()), added={name: held})
        assert refusal(content).startswith("There is another file inside the file."), name


def test_a_file_cut_short_is_damaged() -> None:
    content = as_xlsx(row())
    assert refusal(content[: len(content) // 2]) == f"The file is damaged: it cannot be unpacked. {MEND}"


def test_parts_that_hold_no_xml_cannot_be_opened() -> None:
    def changed(name: str, held: bytes) -> bytes:
        return b"no xml at all" if name == "xl/worksheets/sheet1.xml" else held

    assert refusal(repacked(as_xlsx(row()), changed=changed)).startswith("The spreadsheet cannot be opened.")


def test_a_hundred_thousand_columns_are_refused_in_both_kinds() -> None:
    wide = in_sheet(as_xlsx(row()), b"</sheetData>", b'<row r="9"><c r="XFD9"><v>1</v></c></row></sheetData>')
    assert refusal(wide).startswith("Row 9 has 16384 columns. A sheet takes 120.")
    beyond = in_sheet(as_xlsx(row()), b"</sheetData>", b'<row r="9"><c r="EQXD9"><v>1</v></c></row></sheetData>')
    assert refusal(beyond).startswith("The spreadsheet cannot be opened.")
    found = read_csv_text(as_csv(row()) + "1," * 100_000 + "1\n")
    assert found.refusal.startswith("Row 4 has 100001 columns. A sheet takes 120.")


def test_a_row_far_below_is_refused_and_not_counted_up_to() -> None:
    far = in_sheet(as_xlsx(row()), b"</sheetData>", b'<row r="999999999999"><c><v>1</v></c></row></sheetData>')
    assert refusal(far).startswith("There are cells far below the table.")


def test_a_sheet_that_says_it_is_smaller_is_read_whole() -> None:
    content = in_sheet(
        as_xlsx(row(), row(set_day="9 May 2026", emptied_day="10 May 2026")), b'ref="A1:O4"', b'ref="A1:B2"'
    )
    assert len(read_file(content, "nights.xlsx", lists()).ready) == 2


def test_rows_out_of_order_are_read_and_a_row_that_stands_twice_is_refused() -> None:
    content = as_xlsx(row(), row(set_day="9 May 2026", emptied_day="10 May 2026"))
    swapped = in_sheet(content, b'<row r="3">', b'<row r="9">')
    swapped = in_sheet(swapped, b'r="A3"', b'r="A9"')
    found = read_file(swapped, "nights.xlsx", lists())
    assert sorted(one.row for one in found.ready) == [4, 9]
    twice = in_sheet(content, b'<row r="4">', b'<row r="3">')
    assert refusal(twice).startswith("The spreadsheet cannot be opened.")


def test_an_empty_file_and_a_file_of_titles_only_say_so() -> None:
    assert refusal(b"") == "The file is empty. Choose the file that you filled in."
    for content, name in ((as_csv().encode(), "a.csv"), (as_xlsx(), "a.xlsx")):
        assert refusal(content, name).startswith("No row is filled in yet.")


def test_a_file_without_titles_says_what_they_look_like() -> None:
    assert refusal(b"hello,world\n1,2\n", "a.csv") == (
        "The row with the column titles was not found. One of the first 20 rows must hold titles such as Trap code "
        "and Day set. Copy your rows into a new template."
    )


def test_2500_rows_are_read_and_2501_are_too_many() -> None:
    # What each row says is not looked at here: all but the first are about the same night.
    filled = [row(note=str(number)) for number in range(2501)]
    assert read_csv_text(as_csv(*filled[:2500])).rows == 2500
    assert read_csv_text(as_csv(*filled)).refusal == (
        "There are 2501 rows here. One file takes 2500. Share them out over more files."
    )


def test_a_nul_is_refused_in_text_and_a_quote_that_stays_open_is_found() -> None:
    assert refusal(as_csv(row()).replace("K7", "K\0").encode(), "a.csv").startswith("The file holds signs that no text")
    open_quote = as_csv(row()) + 'K7Q2M9,"2 May 2026,17:30\n'
    assert read_csv_text(open_quote).refusal.startswith("From line 4 on the file cannot be split into cells.")


def test_one_cell_of_a_megabyte_is_one_fault() -> None:
    digits = "".join(random.Random(1).choices("0123456789", k=1 << 20))
    long = repacked(as_xlsx(row(woodlice="LONG")), changed=lambda _, held: held.replace(b"LONG", digits.encode()))
    found = read_file(long, "a.xlsx", lists())
    assert [(fault.letter, fault.what) for fault in found.faults] == [
        ("M", "This cell holds 1048576 signs, more than any answer needs.")
    ]
    assert len(found.faults[0].found) <= 60
    assert found.marked is not None
    assert len(found.marked) < 20_000
    in_text = read_csv_text(as_csv(row(note="n" * (1 << 20))))
    assert [(fault.letter, fault.what) for fault in in_text.faults] == [
        ("L", "This cell holds 1048576 signs, more than any answer needs.")
    ]


def test_a_file_over_five_megabytes_is_refused_here_too() -> None:
    assert refusal(b"a" * (5 * 1024 * 1024 + 1), "a.csv").startswith("The file is too big.")


def test_a_utf_16_file_without_its_mark_is_refused_and_with_it_is_read() -> None:
    text = as_csv(row())
    assert refusal(text.encode("utf-16-le"), "a.csv").startswith("The file holds signs that no text has.")
    for encoding in ("utf-16", "utf-8-sig", "utf-8"):
        assert len(read_file(text.encode(encoding), "a.csv", lists()).ready) == 1, encoding
    big_endian = b"\xfe\xff" + text.encode("utf-16-be")
    assert len(read_file(big_endian, "a.csv", lists()).ready) == 1


def test_letters_of_no_encoding_are_refused() -> None:
    assert refusal(as_csv(row(note="x")).encode().replace(b",x,", b",\x81\x8d,"), "a.csv").startswith(
        "The letters of this file cannot be read."
    )


def test_every_byte_flipped_in_a_small_spreadsheet_ends_in_words() -> None:
    content = as_xlsx(row())
    for place in range(0, len(content), 97):
        broken = bytearray(content)
        broken[place] ^= 0xFF
        found = read_file(bytes(broken), "a.xlsx", lists())
        assert found.refusal or found.rows == 1


def test_nothing_of_the_head_is_taken_on_trust() -> None:
    assert GOOD["trap"] in as_csv(row())
    shuffled = [list(reversed(cells)) for cells in (HEAD[1], row())]
    found = read_csv_text(as_csv(shuffled[1], head=(HEAD[0], shuffled[0])))
    assert len(found.ready) == 1
