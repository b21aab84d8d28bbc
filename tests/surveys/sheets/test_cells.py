"""What people write into cells: counts, words, measures, days and times, each wrong one alone."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest

from surveys.sheets.dry_run import read_file
from surveys.sheets.records import Named
from surveys.vocabulary import CLASS_BOUNDS
from tests.surveys.sheets.making import as_csv, as_xlsx, fault_of, lists, read_csv_text, read_rows, row

RANGES = "2-3, 4-7, 8-15, 16-31, 32-63, 64-127, 128+"


def read_one(**changes: Any) -> Any:
    """Return the one good row that a file becomes."""
    found = read_rows(row(**changes))
    assert (found.refusal, found.faults) == ("", ()), found
    return found.ready[0]


# --- counts -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cell", "answer"),
    [
        ("12", 12), (" 12 ", 12), ("12.0", 12), ("12,0", 12), ("1", 1), ("100000", 100_000),
        ("0", "none_seen"), ("none", "none_seen"), ("None", "none_seen"), ("NONE ", "none_seen"),
        ("none_seen", "none_seen"), ("0.0", "none_seen"), ("None.", "none_seen"), ("nil", "none_seen"),
        ("-", "did_not_look"), ("–", "did_not_look"), ("--", "did_not_look"), ("not looked", "did_not_look"),
        ("Did not look", "did_not_look"), ("did_not_look", "did_not_look"),
        ("?", "could_not_tell"), ("??", "could_not_tell"), ("could not tell", "could_not_tell"),
        ("16-31", "c16to31"), ("16–31", "c16to31"), ("16 - 31", "c16to31"), ("16 to 31", "c16to31"),
        ("16 bis 31", "c16to31"), ("c16to31", "c16to31"), ("2-3", "c2to3"), ("2 or 3", "c2to3"),
        ("128+", "c128up"), ("128 +", "c128up"), ("128 or more", "c128up"), (">=128", "c128up"), ("c128up", "c128up"),
    ],
)  # fmt: skip
def test_a_count_is_understood_in_every_way_it_is_written(cell: str, answer: int | str) -> None:
    assert read_one(woodlice=cell).answers["woodlice"] == answer


def test_every_class_is_understood_by_its_range() -> None:
    for word, (low, high) in CLASS_BOUNDS.items():
        assert read_one(woodlice=f"{low}-{high}" if high else f"{low}+").answers["woodlice"] == word.value


@pytest.mark.parametrize("cell", ["", " ", "\u200b", "\t"])
def test_a_blank_is_unknown_and_never_a_zero(cell: str) -> None:
    assert "woodlice" not in read_one(woodlice=cell).answers


@pytest.mark.parametrize(
    ("cell", "what"),
    [
        ("lots", "We cannot read this as a count."),
        ("none?", "We cannot read this as a count."),
        ("none or 1", "We cannot read this as a count."),
        ("~20", "We cannot read this as a count."),
        ("3 or so", "We cannot read this as a count."),
        ("1,200", "We cannot read this as a count."),
        ("2.5", "We cannot read this as a count."),
        ("3x", "We cannot read this as a count."),
        ("-3", "We cannot read this as a count."),
        ("+3", "We cannot read this as a count."),
        ("@SUM(1)", "We cannot read this as a count."),
        ("+", "We cannot read this as a count."),
        (">", "We cannot read this as a count."),
        ("٣", "We cannot read this as a count."),
        ("10-20", "This range is not one of ours."),
        ("31-16", "This range is not one of ours."),
        ("20+", "This range is not one of ours."),
        (">128", "We cannot read this as a count."),
        ("100001", "This is more than a cup can hold."),
        ("999999999", "This is more than a cup can hold."),
        ("=1+2", "A formula stands here."),
        ('=HYPERLINK("http://evil.example")', "A formula stands here."),
        ("\t=1+2", "A formula stands here."),
    ],
)
def test_a_count_that_cannot_be_read_is_a_fault_in_words(cell: str, what: str) -> None:
    found, how = fault_of("woodlice", cell)
    assert found == what
    assert how
    if "cannot read" in what:
        assert how == f"Write a number, none, -, ?, or one of these: {RANGES}."


@pytest.mark.parametrize("cell", ["2-Mar", "02. Mrz", "2/3/2026", "2026-03-02", "Mar-02", "03.02.2026"])
def test_a_range_that_a_program_took_for_a_date_is_explained(cell: str) -> None:
    assert fault_of("woodlice", cell) == (
        "A date stands here. Spreadsheets turn 2-3 into a date.",
        "Make the cell a text cell. Then write the range again, such as 2-3 or 2 to 3.",
    )


def test_cells_of_a_spreadsheet_that_are_no_text_are_understood_or_explained() -> None:
    found = read_file(
        as_xlsx(
            row(woodlice=3, spiders=0, springtails=12.0, set_day=date(2026, 5, 2), set_time=time(17, 30)),
            row(woodlice=date(2026, 3, 2), set_day=datetime(2026, 5, 4, 17, 30), set_time=None, emptied_day=date(2026, 5, 5)),
            row(woodlice=True, spiders=2.5, springtails=-1, set_day="6 May 2026", emptied_day="7 May 2026"),
            row(woodlice=time(2, 3), set_day="8 May 2026", emptied_day="9 May 2026", set_time=0.75, emptied_time=17),
        ),
        "nights.xlsx", lists(),
    )  # fmt: skip
    assert found.ready[0].answers == {"woodlice": 3, "spiders": "none_seen", "springtails": 12}
    assert found.ready[0].set_at == "2026-05-02T17:30:00+01:00"
    assert [(fault.row, fault.letter, fault.found, fault.what) for fault in found.faults] == [
        (4, "M", "2026-03-02", "A date stands here. Spreadsheets turn 2-3 into a date."),
        (5, "M", "True", "This cell holds an error or a tick, and not words."),
        (5, "N", "2.5", "A count is a whole number."),
        (5, "O", "-1", "A count cannot be below 0."),
        (6, "M", "02:03", "A date stands here. Spreadsheets turn 2-3 into a date."),
    ]


def test_a_formula_cell_is_named_by_row_and_column_and_never_worked_out() -> None:
    found = read_file(
        as_xlsx(row(), row(spiders="=1+2", set_day="9 May 2026", emptied_day="10 May 2026")), "a.xlsx", lists()
    )
    fault = found.faults[0]
    assert (fault.row, fault.letter, fault.title, fault.found) == (4, "N", "Spiders", "=1+2")
    assert f"{fault.what} {fault.how}" == "A formula stands here. Put the number itself."
    assert len(found.ready) == 1


@pytest.mark.parametrize("column", ["trap", "set_day", "set_time", "habitat", "mouth_mm", "rim", "trap_state", "note"])
def test_a_formula_is_a_fault_in_every_column(column: str) -> None:
    assert fault_of(column, "=A1")[0] in (
        "A formula stands here.",
        "This is not a day we can read.",
        "This is not a time we can read.",
    )


# --- words, measures, traps, notes ------------------------------------------------------------------


@pytest.mark.parametrize(
    "cell", ["slightly_below", "Slightly Below", "2 to 5 mm below the soil", "2 TO 5 MM BELOW THE SOIL "]
)
def test_a_closed_word_is_understood_by_code_and_label(cell: str) -> None:
    assert read_one(rim=cell).fields["rim"] == "slightly_below"


@pytest.mark.parametrize("column", ["rim", "cover", "liquid", "trap_state"])
def test_a_closed_word_must_be_there_and_on_the_list(column: str) -> None:
    what, how = fault_of(column, "")
    assert what == "This cell is blank, and every row needs it."
    assert how.startswith("Use one of these: ")
    assert fault_of(column, "sideways")[0] == "This word is not on the list."


def test_the_habitat_is_the_traps_own_where_nothing_is_written() -> None:
    assert read_one(habitat="").habitat == "short_lawn"
    assert read_one(habitat="hedge base").habitat == "hedge_base"
    assert read_one(habitat="KURZER RASEN").habitat == "short_lawn"
    assert fault_of("habitat", "the moon")[0] == "This word is not on the list."


@pytest.mark.parametrize(("cell", "mm"), [("75", 75.0), ("75,5", 75.5), ("75.5 mm", 75.5), ("", None)])
def test_a_measure_is_read_with_point_or_comma(cell: str, mm: float | None) -> None:
    assert read_one(mouth_mm=cell).fields.get("mouth_mm") == mm


@pytest.mark.parametrize(
    ("cell", "what"),
    [
        ("wide", "We cannot read this as a number."),
        ("0", "This is outside 1 to 1000."),
        ("1001", "This is outside 1 to 1000."),
        ("7 5", "We cannot read this as a number."),
        ("nan", "We cannot read this as a number."),
        ("1e3", "We cannot read this as a number."),
    ],
)
def test_a_measure_that_is_none_is_a_fault(cell: str, what: str) -> None:
    assert fault_of("mouth_mm", cell)[0] == what


@pytest.mark.parametrize(
    ("cell", "trap"),
    [
        ("k7q2m9", "trap-one"),
        (" K7Q2M9 ", "trap-one"),
        ("12345", "trap-two"),
        ("O1234S".replace("S", "5"), "trap-two"),
        ("OI2345", "trap-two"),
    ],
)
def test_a_trap_is_found_by_its_code_as_people_write_it(cell: str, trap: str) -> None:
    assert read_one(trap=cell).trap == trap


def test_a_foreign_and_a_missing_trap_name_ones_own() -> None:
    foreign = ("This is not the code of a trap of Mossy Lantern 1.", "Yours are: 012345, K7Q2M9.")
    assert fault_of("trap", "ZZZZZZ") == foreign
    assert fault_of("trap", "") == ("The trap code is missing.", foreign[1])


def test_a_note_is_kept_in_one_line_without_signs_that_nobody_sees() -> None:
    assert read_one(note=" rained\r\n at\x07 night ").fields["note"] == "rained at night"
    assert read_one(note="- wet").fields["note"] == "- wet"
    assert fault_of("note", "x" * 501) == ("The note has 501 letters.", "Keep it to 500 letters.")


# --- moments ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "cell",
    [
        "2026-05-02", "2026/05/02", "2 May 2026", "2. Mai 2026", "02 may 2026", "2nd May 2026", "May 2 2026", "May 2, 2026",
        "2 May 26", "2-May-2026", "2-May-26", "Sat 2 May 2026", "Saturday, 2 May 2026", "2.5.2026", "02.05.26", "2. 5. 2026",
        "2026-05-02T00:00:00",
    ],
)  # fmt: skip
def test_a_day_is_understood_in_many_ways(cell: str) -> None:
    months = (*lists().months[:4], ("May", "Mai"), *lists().months[5:])
    found = read_rows(row(set_day=cell, set_time="17:30"), months=months)
    assert found.faults == ()
    assert found.ready[0].set_at == "2026-05-02T17:30:00+01:00"


def test_a_day_and_a_time_may_stand_in_one_cell() -> None:
    found = read_one(set_day="2026-05-02 17:45", set_time="", emptied_day="3 May 2026, 5.30 pm", emptied_time="")
    assert (found.set_at, found.emptied_at) == ("2026-05-02T17:45:00+01:00", "2026-05-03T17:30:00+01:00")


def test_day_and_month_that_can_be_read_both_ways_are_asked_for() -> None:
    assert fault_of("set_day", "2/5/2026") == (
        "Day and month can be read both ways round here.",
        "Write the day with the name of the month, like 2 May 2026.",
    )
    assert read_one(set_day="5/5/2026", emptied_day="6 May 2026").set_at.startswith("2026-05-05")


def test_the_files_own_rows_prove_which_of_day_and_month_comes_first() -> None:
    day = read_rows(row(set_day="2/5/2026", emptied_day="3/5/2026"), row(set_day="30/5/2026", emptied_day="31/5/2026"))
    assert [one.set_at[:10] for one in day.ready] == ["2026-05-02", "2026-05-30"]
    month = read_rows(
        row(set_day="5/2/2026", emptied_day="5/3/2026"), row(set_day="5/30/2026", emptied_day="5/31/2026")
    )
    assert [one.set_at[:10] for one in month.ready] == ["2026-05-02", "2026-05-30"]


def test_rows_that_disagree_prove_nothing() -> None:
    found = read_rows(
        row(set_day="2/5/2026"), row(set_day="30/5/2026", emptied_day="31 May 2026"),
        row(set_day="6/15/2026", emptied_day="16 June 2026"),
    )  # fmt: skip
    assert [(fault.row, fault.what) for fault in found.faults] == [
        (3, "Day and month can be read both ways round here.")
    ]


@pytest.mark.parametrize(
    ("cell", "what"),
    [
        ("", "This cell is blank, and every row needs it."),
        ("yesterday", "This is not a day we can read."),
        ("2 Foo 2026", "This is not a day we can read."),
        ("31 June 2026", "There is no such day."),
        ("30/13/2026", "There is no such day."),
        ("2 May 1926", "The year reads 1926."),
        ("2 May", "This is not a day we can read."),
        ("46144", "This is not a day we can read."),
        ("2 May 2026 late", "This is not a time we can read."),
        ("2 December 2026", "This is still to come."),
    ],
)
def test_a_day_that_cannot_be_read_is_a_fault_in_words(cell: str, what: str) -> None:
    assert fault_of("set_day", cell)[0] == what


@pytest.mark.parametrize(
    ("cell", "clock"),
    [
        ("17:30", "17:30"), ("17.30", "17:30"), ("1730", "17:30"), ("5.30 pm", "17:30"), ("5:30pm", "17:30"),
        ("5 pm", "17:00"), ("5 p.m.", "17:00"), ("17h30", "17:30"), ("17", "17:00"), ("17 Uhr", "17:00"),
        ("17:30 Uhr", "17:30"), ("17:30:00", "17:30"), ("12 am", "00:00"), ("12.15 pm", "12:15"), ("930", "09:30"),
        ("0.729166667", "17:30"), ("0,75", "18:00"), ("00:00", "00:00"),
    ],
)  # fmt: skip
def test_a_time_is_understood_in_many_ways(cell: str, clock: str) -> None:
    assert read_one(set_time=cell).set_at == f"2026-05-02T{clock}:00+01:00"


@pytest.mark.parametrize(
    "value", [0.7291666666666666, time(17, 30), datetime(1899, 12, 30, 17, 30), timedelta(hours=17, minutes=30)]
)
def test_a_time_as_spreadsheets_keep_it_is_understood(value: object) -> None:
    found = read_file(as_xlsx(row(set_time=value)), "a.xlsx", lists())
    assert [one.set_at for one in found.ready] == ["2026-05-02T17:30:00+01:00"], found.faults


@pytest.mark.parametrize("cell", ["25:00", "17:60", "13 pm", "0 am", "dusk", "5:30 xm", "1.5", "::"])
def test_a_time_that_is_none_is_a_fault(cell: str) -> None:
    if cell == "1.5":  # a number cell of a spreadsheet: as text it reads 01:05 to nobody
        found = read_file(as_xlsx(row(set_time=17.3)), "a.xlsx", lists())
        assert found.faults[0].what == "This is a number, and not a time."
    assert fault_of("set_time", cell) == ("This is not a time we can read.", "Write the time like 17:30 or 5.30 pm.")


def test_an_hour_that_the_clocks_left_out_is_a_fault() -> None:
    found = read_rows(row(set_day="29 March 2026", set_time="01:30", emptied_day="30 March 2026"))
    assert [fault.what for fault in found.faults] == ["That hour was left out when the clocks went forward."]


def test_emptied_before_set_is_a_fault() -> None:
    assert fault_of("emptied_day", "1 May 2026") == (
        "The trap was emptied before it was set.", "Look at both days and times again.",
    )  # fmt: skip


# --- rows as a whole --------------------------------------------------------------------------------


def test_a_row_without_any_answer_is_a_fault_unless_the_trap_was_lost() -> None:
    blank = {"woodlice": "", "spiders": "", "springtails": ""}
    found = read_rows(row(**blank))
    assert [fault.what for fault in found.faults] == ["No kind of animal is answered in this row."]
    assert read_one(**blank, trap_state="dug_up").answers == {}


def test_all_faults_of_a_row_are_told_at_once() -> None:
    found = read_rows(row(trap="nope", set_day="?", rim="", woodlice="lots"))
    assert [fault.letter for fault in found.faults] == ["A", "B", "H", "M"]


def test_two_rows_about_one_night_are_a_fault_of_the_later_one() -> None:
    found = read_rows(row(), row(set_time="18:00"))
    assert [(fault.row, fault.what) for fault in found.faults] == [
        (4, "Row 3 is about the same trap and the same night.")
    ]
    assert [one.row for one in found.ready] == [3]


def test_the_example_row_is_not_read_in_any_language() -> None:
    for word in ("example", "EXAMPLE", "Beispiel"):
        found = read_rows(row(trap=word, woodlice="nonsense"), row())
        assert (found.rows, found.faults, len(found.ready)) == (1, (), 1)


def test_a_row_that_holds_only_what_the_template_wrote_waits() -> None:
    found = read_csv_text(as_csv(row(), ["K7Q2M9", "", "", "", "", "Short lawn"]))
    assert (found.rows, found.left, found.faults) == (1, 1, ())


def test_a_comma_in_a_number_that_splits_a_cell_is_explained() -> None:
    cells = row()
    found = read_csv_text(as_csv([*cells[:6], "75", "5", *cells[7:]]))
    assert found.faults[0].what == "This cell has no title above it."
    assert "write 75.5" in found.faults[0].how


def test_words_of_another_language_are_understood_in_cells_and_titles() -> None:
    german = lists(
        titles={**lists().titles, "rim": ("Rand", "Rim")}, answers=(Named("none_seen", ("keine", "none")),),
    )  # fmt: skip
    text = as_csv(row(woodlice="Keine", spiders="none")).replace("Rim", "RAND")
    found = read_file(text.encode(), "a.csv", german)
    assert found.ready[0].answers["woodlice"] == "none_seen"


def test_the_clock_of_the_reader_is_an_argument() -> None:
    early = read_rows(row(), now=datetime(2026, 5, 1, tzinfo=UTC))
    assert {fault.what for fault in early.faults} == {"This is still to come."}
