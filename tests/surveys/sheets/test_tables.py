"""Tables as programs save them, titles, versions, template and marked copy."""

from __future__ import annotations

import csv
import io

import pandas as pd
import pytest
from openpyxl import Workbook, load_workbook

from surveys.sheets.columns import COLUMNS
from surveys.sheets.dry_run import read_file
from surveys.sheets.records import in_english
from surveys.sheets.template import make_csv, make_xlsx
from surveys.sheets.wire import lists_as_json, lists_from_json, reading_as_json, reading_from_json
from tests.surveys.sheets.making import (
    CODES,
    HEAD,
    TITLES,
    as_csv,
    as_xlsx,
    formulas_in,
    lists,
    read_csv_text,
    read_rows,
    row,
)

LATER = {"set_day": "9 May 2026", "emptied_day": "10 May 2026"}


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_every_separator_and_encoding_is_found_by_itself(separator: str, encoding: str) -> None:
    text = as_csv(row(note="Käfer, groß; naß", mouth_mm="75,5"), separator=separator)
    found = read_file(text.encode(encoding), "nights.csv", lists())
    assert found.faults == ()
    assert found.ready[0].fields["note"] == "Käfer, groß; naß"
    assert found.ready[0].fields["mouth_mm"] == 75.5


def test_a_file_as_a_german_program_saves_it_is_read() -> None:
    text = (
        "trapnight-sheet 1;;\r\n" + ";".join(TITLES) + "\r\n"
        "K7Q2M9;02.05.2026;17:30;03.05.2026;17:15;;75,5;flush;present;nothing;intact;"
        '"Käfer; groß";3;0;16-31\r\n'
    )
    found = read_file(text.encode("cp1252"), "Nächte.csv", lists())
    assert found.faults == ()
    assert found.ready[0].emptied_at == "2026-05-03T17:15:00+01:00"


def test_a_first_line_that_names_the_separator_is_understood() -> None:
    found = read_csv_text("sep=;\n" + as_csv(row(woodlice="lots"), separator=";"))
    assert [(fault.row, fault.letter) for fault in found.faults] == [(4, "M")]


def test_blank_lines_and_old_line_ends_do_not_shift_the_numbers_of_rows() -> None:
    text = as_csv(row(), row(**LATER, woodlice="lots")).replace("\r\n", "\n")
    lines = text.split("\n")
    lines.insert(3, ",,,")
    for end in ("\n", "\r\n", "\r"):
        assert [fault.row for fault in read_csv_text(end.join(lines)).faults] == [5]


def test_titles_are_known_by_code_and_by_name_in_any_case_and_order() -> None:
    by_code = read_csv_text(as_csv(row(), head=(HEAD[0], CODES)))
    shouted = read_csv_text(as_csv(row(), head=(HEAD[0], [f" {title.upper()} " for title in TITLES])))
    assert by_code.ready == shouted.ready != ()


def test_an_unknown_column_is_named_and_the_rows_are_read_all_the_same() -> None:
    found = read_csv_text(as_csv([*row(), "x"], head=(HEAD[0], [*TITLES, "Dragons"])))
    assert [(fault.row, fault.letter, fault.title, fault.what) for fault in found.faults] == [
        (2, "P", "Dragons", "This column is not one of the template.")
    ]
    assert len(found.ready) == 1


def test_a_missing_column_that_every_row_needs_leaves_no_row_ready() -> None:
    found = read_csv_text(as_csv(row()[1:], head=(HEAD[0], TITLES[1:])))
    assert [(fault.row, fault.what) for fault in found.faults] == [(2, "The column Trap code is missing.")]
    assert found.ready == ()


def test_a_missing_group_is_told_and_stays_unknown() -> None:
    found = read_csv_text(as_csv(row()[:-1], head=(HEAD[0], TITLES[:-1])))
    assert [fault.what for fault in found.faults] == ["The column Springtails is missing."]
    assert "springtails" not in found.ready[0].answers


@pytest.mark.parametrize("code", ["habitat", "mouth_mm", "note"])
def test_a_column_that_may_be_left_blank_may_be_left_out(code: str) -> None:
    place = CODES.index(code)
    cells = row()
    found = read_csv_text(
        as_csv([*cells[:place], *cells[place + 1 :]], head=(HEAD[0], [*TITLES[:place], *TITLES[place + 1 :]]))
    )
    assert found.faults == ()


def test_a_column_that_stands_twice_is_told_and_nothing_is_guessed() -> None:
    found = read_csv_text(as_csv([*row(), "9"], head=(HEAD[0], [*TITLES, "woodlice"])))
    assert [(fault.letter, fault.what) for fault in found.faults] == [
        ("P", "This column is there twice: column M has the same title.")
    ]
    assert found.ready == ()


def test_a_version_that_is_missing_is_told_and_the_rows_are_read() -> None:
    found = read_csv_text(as_csv(row(), head=(TITLES,)))
    assert [(fault.row, fault.how) for fault in found.faults] == [
        (1, "Write trapnight-sheet 1 into cell A1, above the titles.")
    ]
    assert [one.row for one in found.ready] == [2]


def test_another_version_is_explained_and_no_row_is_read() -> None:
    found = read_csv_text(as_csv(row(), head=(("Trapnight-Sheet 7",), TITLES)))
    assert [fault.what for fault in found.faults] == ["This sheet is version 7 of the template. We read version 1."]
    assert found.ready == ()


def test_merged_cells_in_the_table_are_a_fault_and_above_it_they_are_not() -> None:
    book = load_workbook(io.BytesIO(as_xlsx(row())))
    book.active.merge_cells("B1:F1")
    book.active.merge_cells("M3:N3")
    into = io.BytesIO()
    book.save(into)
    found = read_file(into.getvalue(), "a.xlsx", lists())
    assert [(fault.row, fault.letter, fault.what) for fault in found.faults] == [
        (3, "M", "The cells M3:N3 are merged into one.")
    ]


def test_the_table_is_found_on_whichever_sheet_it_stands() -> None:
    book = load_workbook(io.BytesIO(as_xlsx(row())))
    book.create_sheet("Plan", 0).append(["nothing", "here"])
    into = io.BytesIO()
    book.save(into)
    assert len(read_file(into.getvalue(), "a.xlsx", lists()).ready) == 1


# --- template ---------------------------------------------------------------------------------------


def test_the_template_reads_back_with_pandas_as_it_was_made() -> None:
    frame = pd.read_excel(io.BytesIO(make_xlsx(lists(), in_english)), header=1, dtype=str)
    assert list(frame.columns) == list(TITLES)
    assert list(frame["Trap code"])[:3] == ["example", "K7Q2M9", "012345"]
    assert frame["Springtails"].iloc[0] == "16-31"
    as_text = pd.read_csv(io.BytesIO(make_csv(lists(), in_english)), header=1, dtype=str)
    assert list(as_text.columns) == list(TITLES)


def test_the_template_is_text_throughout_with_lists_and_without_formulas_or_macros() -> None:
    content = make_xlsx(lists(), in_english)
    book = load_workbook(io.BytesIO(content))
    nights, how = book.worksheets
    assert (nights.title, how.title) == ("Nights", "How to fill it in")
    assert nights["A1"].value == "trapnight-sheet 1"
    assert {cell.number_format for cells in nights.iter_rows(min_row=3) for cell in cells} == {"@"}
    assert formulas_in(content) == []
    ranges = {str(one.sqref).split(":")[0][:-1]: one.formula1 for one in nights.data_validations.dataValidation}
    assert set(ranges) == {"F", "H", "I", "J", "K"}
    for letter, where in ranges.items():
        sheet, cells = where.split("!")
        listed = [cell.value for (cell,) in book[sheet.strip("'")][cells.replace("$", "")]]
        example = nights[f"{letter}3"].value
        assert listed[0] == example, letter


def test_a_template_that_was_filled_in_and_saved_by_another_program_is_read() -> None:
    for make, name in ((make_xlsx, "a.xlsx"), (make_csv, "a.csv")):
        content = make(lists(), in_english)
        if name.endswith("csv"):
            rows = list(csv.reader(io.StringIO(content.decode("utf-8-sig"))))
            rows[3] = row(note="=naughty"[1:])
            into = io.StringIO()
            csv.writer(into, delimiter=";").writerows(rows)
            filled = into.getvalue().encode()
        else:
            book = load_workbook(io.BytesIO(content))
            for place, cell in enumerate(row(), start=1):
                book.active.cell(row=4, column=place, value=cell or None)
            held = io.BytesIO()
            book.save(held)
            filled = held.getvalue()
        found = read_file(filled, name, lists())
        assert (found.refusal, found.faults, len(found.ready), found.left) == ("", (), 1, 1), name


def test_a_fresh_template_says_that_nothing_is_filled_in() -> None:
    assert read_file(make_xlsx(lists(), in_english), "a.xlsx", lists()).refusal.startswith("No row is filled in yet.")


def test_every_column_of_ours_says_how_to_fill_it_in() -> None:
    book = load_workbook(io.BytesIO(make_xlsx(lists(), in_english)))
    text = {cell.value for cells in book.worksheets[1].iter_rows() for cell in cells}
    assert {column.hint for column in COLUMNS} <= text


# --- the marked copy --------------------------------------------------------------------------------


def marked(kind: str, *rows: list[object]) -> bytes:
    """Return the marked copy of rows sent as a file of a kind."""
    content = as_xlsx(*rows) if kind == "xlsx" else as_csv(*rows).encode()
    found = read_file(content, f"a.{kind}", lists())
    assert found.marked is not None
    return found.marked


NASTY = ('=HYPERLINK("http://evil.example")', "@SUM(1+1)", "+1", "=1+2|cmd", "\t=1+1")


def test_the_marked_spreadsheet_names_what_to_mend_tints_the_cell_and_holds_no_formula() -> None:
    content = marked(
        "xlsx", row(), *(row(woodlice=nasty, set_day=f"{n} May 2026") for n, nasty in enumerate(NASTY, start=9))
    )
    sheet = load_workbook(io.BytesIO(content)).active
    assert formulas_in(content) == []
    assert {cell.data_type for cells in sheet.iter_rows() for cell in cells if cell.value is not None} == {"s"}
    assert sheet["P2"].value == "What to mend"
    assert sheet["P1"].value.startswith("A copy to read")
    assert sheet["P3"].value is None
    assert sheet["P4"].value.startswith("Day emptied (column D): The trap was emptied before it was set.")
    assert "Woodlice (column M): A formula stands here. Put the number itself." in sheet["P4"].value
    assert sheet["M4"].value == NASTY[0]
    assert sheet["M4"].fill.fgColor.rgb == "00FFF2C4"
    assert sheet["N4"].fill.fill_type is None


def test_the_marked_text_gives_dangerous_beginnings_the_sign_that_makes_them_text() -> None:
    content = marked("csv", row(), *(row(woodlice=nasty, note="-1", set_day="x") for nasty in NASTY))
    rows = list(csv.reader(io.StringIO(content.decode("utf-8-sig"))))
    cells = [cell for cells in rows for cell in cells]
    assert [cell for cell in cells if cell[:1] in "=+-@\t\r" and cell] == []
    assert "'" + NASTY[0] in cells
    assert rows[1][-1] == "What to mend"
    assert rows[0][-1].startswith("A copy to read")


@pytest.mark.parametrize("kind", ["xlsx", "csv"])
def test_a_marked_copy_that_was_mended_can_be_sent_and_gives_the_same_rows(kind: str) -> None:
    bad = row(**LATER, woodlice="lots", spiders="-")
    content = marked(kind, row(spiders="-"), bad)
    mended = content
    if kind == "csv":
        mended = content.replace(b"lots", b"12")
    else:
        book = load_workbook(io.BytesIO(content))
        book.active["M4"].value = "12"
        into = io.BytesIO()
        book.save(into)
        mended = into.getvalue()
    found = read_file(mended, f"b.{kind}", lists())
    assert found.faults == ()
    straight = read_rows(row(spiders="-"), row(**LATER, woodlice="12", spiders="-"))
    assert [one.uuid for one in found.ready] == [one.uuid for one in straight.ready]
    again = read_file(content, f"b.{kind}", lists())
    assert again.marked is not None
    head = (
        pd.read_excel(io.BytesIO(again.marked), header=1)
        if kind == "xlsx"
        else pd.read_csv(io.BytesIO(again.marked), header=1)
    )
    assert list(head.columns) == [*TITLES, "What to mend"]


def test_what_concerns_the_titles_stands_beside_them() -> None:
    sent = as_csv(row(), head=(("trapnight-sheet 1",), [*TITLES[:-1], "Dragons"]))
    found = read_csv_text(sent)
    rows = list(csv.reader(io.StringIO((found.marked or b"").decode("utf-8-sig"))))
    assert "Dragons (column O): This column is not one of the template." in rows[0][-1]
    assert rows[1][-1] == "What to mend"


def test_dates_of_a_spreadsheet_stand_in_the_copy_as_text_that_is_read_again() -> None:
    from datetime import date, time

    content = marked("xlsx", row(set_day=date(2026, 5, 2), set_time=time(17, 30), woodlice="lots"))
    sheet = load_workbook(io.BytesIO(content)).active
    assert (sheet["B3"].value, sheet["C3"].value) == ("2026-05-02", "17:30")


# --- identity, and the border -----------------------------------------------------------------------


def test_a_row_is_the_same_return_wherever_it_stands_and_however_it_is_written() -> None:
    plain = read_rows(row()).ready[0].uuid
    other = read_file(
        as_xlsx(row(**LATER), row(set_day="2.5.2026", set_time="5.30 pm", rim="Flush", woodlice=3, spiders="0")),
        "b.xlsx", lists(),
    )  # fmt: skip
    assert other.ready[1].uuid == plain


@pytest.mark.parametrize(
    "change",
    [
        {"woodlice": "4"},
        {"rim": "deep"},
        {"set_time": "17:31"},
        {"mouth_mm": "76"},
        {"habitat": "hedge_base"},
        {"trap": "012345"},
        {"note": "x"},
        {"spiders": ""},
    ],
)
def test_a_row_that_says_something_else_is_another_return(change: dict[str, str]) -> None:
    assert read_rows(row(**change)).ready[0].uuid != read_rows(row()).ready[0].uuid


def test_the_same_row_of_another_household_is_another_return() -> None:
    assert read_rows(row(), household="0000").ready[0].uuid != read_rows(row()).ready[0].uuid


def test_lists_and_findings_cross_the_border_unchanged() -> None:
    found = lists(standing={"trap-one/2026-05-02": ("a", "b")}, withdrawn={"trap-one/2026-05-02": 1})
    assert lists_from_json(lists_as_json(found)) == found
    reading = read_rows(row(), row(**LATER, woodlice="lots"))
    assert reading_from_json(reading_as_json(reading)) == reading


def test_a_workbook_without_cells_is_refused_in_words() -> None:
    into = io.BytesIO()
    Workbook().save(into)
    assert read_file(into.getvalue(), "a.xlsx", lists()).refusal.startswith("The row with the column titles was not")
