"""Spreadsheets through the service: received, read by a child process, taken in once."""

from __future__ import annotations

import csv
import io
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone
from django.utils.translation import override

from surveys.errors import Conflict, Faulty, NotFound
from surveys.models import Catch, Event, Household, Job, Return, Sheet, Trap
from surveys.queries.sheets import sheet_lists
from surveys.services import sheets, sheets_child
from surveys.services.intake import withdraw_return
from surveys.services.sheets import display_name, read_sheet, receive_sheet, take_sheet
from surveys.services.sheets_child import read_in_child
from surveys.sheets.records import in_english
from surveys.sheets.template import make_csv
from surveys.vocabulary import JobState, SheetState
from tests.factories import make_account, make_household, make_season, make_site, make_trap
from tests.surveys.sheets.making import read_here

pytestmark = pytest.mark.django_db(transaction=True)

GOOD = {
    "set_day": "2 May 2026", "set_time": "17:30", "emptied_day": "3 May 2026", "emptied_time": "17:00",
    "mouth_mm": "75", "rim": "flush", "cover": "present", "liquid": "nothing", "trap_state": "intact",
    "woodlice": "3", "millipedes": "none", "centipedes": "-", "spiders": "?", "springtails": "16-31",
}  # fmt: skip


#: These tests start the child process; the others are about what is done with what it finds.
WITH_CHILD = (
    "test_a_good_sheet_is_read_and_nothing_is_saved_until_it_is_taken",
    "test_a_child_that_comes_to_its_limits_is_a_sentence_and_not_a_loop",
    "test_a_child_that_takes_too_long_is_ended",
    "test_a_child_that_falls_over_is_a_fault_of_ours_and_is_tried_again",
    "test_a_lost_lease_leaves_the_sheet_to_the_next_worker",
    "test_the_sentences_of_a_dry_run_are_in_the_language_of_who_sent_it",
)


@pytest.fixture(autouse=True)
def in_this_process(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Spare most tests the child process."""
    if request.node.name not in WITH_CHILD:
        monkeypatch.setattr(sheets, "read_in_child", read_here)


@pytest.fixture
def trap() -> Trap:
    make_season()
    return make_trap()


def lists_of(household: Household, language: str = "en"):
    return sheet_lists(household, language=language, now=timezone.now())


def sheet_of(household: Household, *rows: dict[str, str]) -> bytes:
    """Fill in the template of a household: each row names its columns by code."""
    lists = lists_of(household)
    head = list(csv.reader(io.StringIO(make_csv(lists, in_english).decode("utf-8-sig"))))[:2]
    codes = [*lists.titles, *(group.code for group in lists.groups)]
    codes.remove("what_to_mend")
    into = io.StringIO()
    csv.writer(into).writerows([*head, *([row.get(code, "") for code in codes] for row in rows)])
    return into.getvalue().encode()


def send(household: Household, content: bytes, name: str = "nights.csv") -> Sheet:
    """Receive a file and read it, as the worker does."""
    sheet = receive_sheet(by=household.keeper, household=household, name=name, stream=io.BytesIO(content))
    read_sheet(job_id=sheet.job.pk)
    sheet.refresh_from_db()
    return sheet


def test_a_good_sheet_is_read_and_nothing_is_saved_until_it_is_taken(trap: Trap) -> None:
    household = trap.site.household
    sheet = send(household, sheet_of(household, {"trap": trap.code, **GOOD}))
    assert (sheet.state, sheet.refusal, sheet.faults) == (SheetState.READ, "", [])
    assert (sheet.rows, sheet.rows_read, len(sheet.ready), sheet.content) == (1, 1, 1, None)
    assert Return.objects.count() == 0
    taken = take_sheet(by=household.keeper, public_id=sheet.public_id, only_good=False)
    assert (taken.state, taken.taken) == (SheetState.TAKEN, 1)
    report = Return.objects.get()
    assert (report.trap, report.habitat, report.mouth_mm) == (trap, trap.habitat, 75)
    answers = {one.group.code: (one.answer, one.low, one.high) for one in Catch.objects.select_related("group")}
    assert answers == {
        "woodlice": ("number", 3, 3), "millipedes": ("none_seen", 0, 0), "centipedes": ("did_not_look", None, None),
        "spiders": ("could_not_tell", None, None), "springtails": ("class", 16, 31),
    }  # fmt: skip
    assert report.set_at.isoformat() == "2026-05-02T17:30:00+00:00"


def test_each_step_writes_one_event(trap: Trap) -> None:
    household = trap.site.household
    before = set(Event.objects.values_list("pk", flat=True))
    sheet = send(household, sheet_of(household, {"trap": trap.code, **GOOD}))
    take_sheet(by=household.keeper, public_id=sheet.public_id, only_good=False)
    verbs = [event.verb for event in Event.objects.exclude(pk__in=before).order_by("pk")]
    assert verbs == ["sheet received", "job begun", "sheet read", "job done", "returns received", "sheet taken in"]


def test_taking_twice_is_taking_once(trap: Trap) -> None:
    household = trap.site.household
    sheet = send(household, sheet_of(household, {"trap": trap.code, **GOOD}))
    for _ in range(2):
        assert take_sheet(by=household.keeper, public_id=sheet.public_id, only_good=False).taken == 1
    assert Return.objects.count() == 1


def test_the_same_file_sent_again_doubles_nothing(trap: Trap) -> None:
    household = trap.site.household
    content = sheet_of(household, {"trap": trap.code, **GOOD})
    for known in (False, True):
        sheet = send(household, content)
        assert [row["known"] for row in sheet.ready] == [known]
        assert sheet.job.result["known"] == int(known)
        take_sheet(by=household.keeper, public_id=sheet.public_id, only_good=False)
    assert Return.objects.count() == 1


def test_a_mended_file_adds_the_mended_row_only(trap: Trap) -> None:
    household = trap.site.household
    good = {"trap": trap.code, **GOOD}
    later = {**good, "set_day": "9 May 2026", "emptied_day": "10 May 2026"}
    sheet = send(household, sheet_of(household, good, {**later, "woodlice": "lots"}))
    assert [fault["row"] for fault in sheet.faults] == [4]
    with pytest.raises(Conflict, match="something to mend"):
        take_sheet(by=household.keeper, public_id=sheet.public_id, only_good=False)
    assert Return.objects.count() == 0
    assert take_sheet(by=household.keeper, public_id=sheet.public_id, only_good=True).taken == 1
    # The mended row comes first this time: the place of a row in the file means nothing.
    mended = send(household, sheet_of(household, {**later, "woodlice": "12"}, good))
    assert [row["known"] for row in mended.ready] == [False, True]
    take_sheet(by=household.keeper, public_id=mended.public_id, only_good=False)
    assert Return.objects.count() == 2


def test_a_night_that_has_another_return_is_a_fault_and_not_a_second_return(trap: Trap) -> None:
    household = trap.site.household
    good = {"trap": trap.code, **GOOD}
    sheet = send(household, sheet_of(household, good))
    take_sheet(by=household.keeper, public_id=sheet.public_id, only_good=False)
    changed = send(household, sheet_of(household, {**good, "set_time": "18:00", "woodlice": "4"}))
    assert [fault["what"] for fault in changed.faults] == [
        "This trap has a return for this night already, and it says something else."
    ]
    assert changed.ready == []


def test_a_return_that_was_taken_back_can_be_sent_anew(trap: Trap) -> None:
    household = trap.site.household
    content = sheet_of(household, {"trap": trap.code, **GOOD})
    for number in (1, 2):
        sheet = send(household, content)
        take_sheet(by=household.keeper, public_id=sheet.public_id, only_good=False)
        assert Return.objects.count() == number
        withdraw_return(by=household.keeper, uuid=Return.objects.latest("pk").uuid)


def test_traps_of_another_household_are_not_known(trap: Trap) -> None:
    household = trap.site.household
    foreign = make_trap(site=make_site(household=make_household(keeper=household.keeper)))
    sheet = send(household, sheet_of(household, {"trap": foreign.code, **GOOD}))
    assert sheet.faults[0]["what"] == f"This is not the code of a trap of {household.alias}."
    assert foreign.code not in sheet.faults[0]["how"]


def test_a_stranger_can_neither_send_for_a_household_nor_take_its_sheet(trap: Trap) -> None:
    household = trap.site.household
    stranger = make_account()
    with pytest.raises(NotFound):
        receive_sheet(by=stranger, household=household, name="a.csv", stream=io.BytesIO(b"x"))
    sheet = send(household, sheet_of(household, {"trap": trap.code, **GOOD}))
    with pytest.raises(NotFound):
        take_sheet(by=stranger, public_id=sheet.public_id, only_good=True)


def test_a_file_over_the_cap_is_refused_while_it_comes_in(trap: Trap) -> None:
    class Endless(io.RawIOBase):
        given = 0

        def read(self, size: int = -1) -> bytes:
            self.given += size
            return b"x" * size

    stream = Endless()
    with pytest.raises(Faulty) as refused:
        receive_sheet(by=trap.site.household.keeper, household=trap.site.household, name="a.csv", stream=stream)
    assert refused.value.faults[0].code == "too_big"
    assert stream.given < 6 * 1024 * 1024
    assert Sheet.objects.count() == 0


def test_an_empty_file_is_refused_at_once(trap: Trap) -> None:
    with pytest.raises(Faulty, match="empty"):
        receive_sheet(
            by=trap.site.household.keeper, household=trap.site.household, name="a.csv", stream=io.BytesIO(b"")
        )


def test_three_files_may_wait_and_a_fourth_is_asked_to(trap: Trap) -> None:
    household = trap.site.household
    for _ in range(3):
        receive_sheet(by=household.keeper, household=household, name="a.csv", stream=io.BytesIO(b"a,b"))
    with pytest.raises(Conflict, match="still being read"):
        receive_sheet(by=household.keeper, household=household, name="a.csv", stream=io.BytesIO(b"a,b"))


def test_without_an_open_season_the_file_stays_with_its_owner(trap: Trap) -> None:
    household = make_household()
    with pytest.raises(Conflict, match="No season is open"):
        receive_sheet(by=household.keeper, household=household, name="a.csv", stream=io.BytesIO(b"a,b"))


def test_a_sheet_that_cannot_be_read_says_why_and_ends_its_job(trap: Trap) -> None:
    sheet = send(trap.site.household, b"\x89PNG\r\n\x1a\n\0\0", "drawing.xlsx")
    assert sheet.state == SheetState.REFUSED
    assert sheet.refusal.startswith("The name ends in .xlsx, but this is not a spreadsheet.")
    assert sheet.job.state == JobState.DONE
    with pytest.raises(Conflict):
        take_sheet(by=trap.site.household.keeper, public_id=sheet.public_id, only_good=True)


def test_a_child_that_comes_to_its_limits_is_a_sentence_and_not_a_loop(
    trap: Trap, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheets, "read_in_child", lambda *a, **k: read_in_child(*a, **{**k, "memory_mb": 40}))
    sheet = send(trap.site.household, b"a,b,c,d\n" * 600_000)
    assert sheet.state == SheetState.REFUSED
    assert sheet.refusal.startswith("The file is too much for us to open.")
    assert sheet.job.state == JobState.DONE


def test_a_child_that_falls_over_is_a_fault_of_ours_and_is_tried_again(
    trap: Trap, monkeypatch: pytest.MonkeyPatch
) -> None:
    household = trap.site.household
    sheet = receive_sheet(by=household.keeper, household=household, name="a.csv", stream=io.BytesIO(b"a,b"))
    with monkeypatch.context() as broken:
        broken.setattr(sheets_child, "lists_as_json", lambda lists: "no lists at all")
        with pytest.raises(RuntimeError, match="JSONDecodeError"):
            read_sheet(job_id=sheet.job.pk)
    assert Job.objects.get(pk=sheet.job.pk).state == JobState.QUEUED
    read_sheet(job_id=sheet.job.pk)
    sheet.refresh_from_db()
    assert sheet.refusal.startswith("The row with the column titles was not found.")


def test_a_child_that_takes_too_long_is_ended(trap: Trap, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheets, "read_in_child", lambda *a, **k: read_in_child(*a, **{**k, "wall_s": 0.0}))
    sheet = send(trap.site.household, sheet_of(trap.site.household, {"trap": trap.code, **GOOD}))
    assert sheet.refusal.startswith("The file is too much for us to open.")


def test_a_lost_lease_leaves_the_sheet_to_the_next_worker(trap: Trap, monkeypatch: pytest.MonkeyPatch) -> None:
    household = trap.site.household
    sheet = receive_sheet(
        by=household.keeper, household=household, name="a.csv",
        stream=io.BytesIO(sheet_of(household, {"trap": trap.code, **GOOD})),
    )  # fmt: skip
    real = sheets.read_in_child

    def stolen(*given: object, **more: object) -> object:
        Job.objects.filter(pk=sheet.job.pk).update(fence=99)
        return real(*given, **more)

    monkeypatch.setattr(sheets, "read_in_child", stolen)
    assert read_sheet(job_id=sheet.job.pk) is None
    sheet.refresh_from_db()
    assert sheet.state == SheetState.WAITING
    assert sheet.content is not None
    monkeypatch.undo()
    Job.objects.filter(pk=sheet.job.pk).update(lease_until=timezone.now() - timedelta(seconds=1))
    read_sheet(job_id=sheet.job.pk)
    sheet.refresh_from_db()
    assert sheet.state == SheetState.READ


def test_a_job_that_is_done_is_not_done_again(trap: Trap) -> None:
    household = trap.site.household
    sheet = send(household, sheet_of(household, {"trap": trap.code, **GOOD}))
    assert read_sheet(job_id=sheet.job.pk) is None


def test_more_than_one_part_goes_in_and_a_refused_row_is_told(trap: Trap, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheets, "MOST_AT_ONCE", 2)
    household = trap.site.household
    rows = [
        {"trap": trap.code, **GOOD, "set_day": f"{day} May 2026", "emptied_day": f"{day + 1} May 2026"}
        for day in range(1, 6)
    ]
    sheet = send(household, sheet_of(household, *rows))
    # The list of groups loses one between the dry run and the taking.
    ready = [*sheet.ready]
    ready[3]["answers"] = {"dragons": 1}
    Sheet.objects.filter(pk=sheet.pk).update(ready=ready)
    taken = take_sheet(by=household.keeper, public_id=sheet.public_id, only_good=False)
    assert taken.taken == 4
    assert [(fault["row"], "dragons" in fault["what"]) for fault in taken.faults] == [(6, True)]
    assert Return.objects.count() == 4


def test_a_long_sheet_is_taken_in_by_as_many_taps_as_it_needs(trap: Trap, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheets, "MOST_AT_ONCE", 2)
    monkeypatch.setattr(sheets, "TAKING_S", -1.0)
    household = trap.site.household
    nights = ({"set_day": f"{day} May 2026", "emptied_day": f"{day + 1} May 2026"} for day in range(1, 6))
    sheet = send(household, sheet_of(household, *({"trap": trap.code, **GOOD, **night} for night in nights)))
    steps = []
    for _ in range(4):
        taken = take_sheet(by=household.keeper, public_id=sheet.public_id, only_good=False)
        steps.append((taken.state, taken.taken, len(taken.ready), Return.objects.count()))
    assert steps == [("read", 2, 3, 2), ("read", 4, 1, 4), ("taken", 5, 0, 5), ("taken", 5, 0, 5)]


def test_two_taps_beside_each_other_count_each_row_once(trap: Trap, monkeypatch: pytest.MonkeyPatch) -> None:
    household = trap.site.household
    sheet = send(household, sheet_of(household, {"trap": trap.code, **GOOD}))
    real = sheets.receive_returns
    inner: list[int] = []

    def overtaken(**given: Any) -> Any:
        if not inner:
            inner.append(0)
            inner[0] = take_sheet(by=household.keeper, public_id=sheet.public_id, only_good=False).taken
        return real(**given)

    monkeypatch.setattr(sheets, "receive_returns", overtaken)
    assert take_sheet(by=household.keeper, public_id=sheet.public_id, only_good=False).taken == 1
    assert inner == [1]
    assert Return.objects.count() == 1


def test_months_and_ranges_are_understood_in_every_language_of_the_pages(trap: Trap) -> None:
    household = trap.site.household
    german = {**GOOD, "trap": trap.code, "woodlice": "16 bis 31"}
    sheet = send(
        household,
        sheet_of(
            household,
            {**german, "set_day": "2. März 2026", "emptied_day": "3. Mrz 2026"},
            {**german, "set_day": "30. April 2026", "emptied_day": "1. Mai 26"},
            {**german, "set_day": "1 Mar 2026", "emptied_day": "March 2, 2026"},
        ),
    )
    assert [(row["set_at"][:10], row["answers"]["woodlice"]) for row in sheet.ready] == [
        ("2026-03-02", "c16to31"), ("2026-04-30", "c16to31"), ("2026-03-01", "c16to31"),
    ], sheet.faults  # fmt: skip


def test_the_sentences_of_a_dry_run_are_in_the_language_of_who_sent_it(
    trap: Trap, tmp_path: Path, settings: Any
) -> None:
    from babel.messages.catalog import Catalog
    from babel.messages.mofile import write_mo

    words = Catalog(locale="de")
    words.add("We cannot read this as a count.", "Das ist keine Anzahl.")
    folder = tmp_path / "de" / "LC_MESSAGES"
    folder.mkdir(parents=True)
    with (folder / "django.mo").open("wb") as into:
        write_mo(into, words)
    settings.LOCALE_PATHS = [tmp_path]
    with override("de"):
        sheet = send(trap.site.household, sheet_of(trap.site.household, {"trap": trap.code, **GOOD, "woodlice": "x"}))
    assert [fault["what"] for fault in sheet.faults] == ["Das ist keine Anzahl."]


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("nights.xlsx", "nights.xlsx"),
        ("../../etc/passwd", "passwd"),
        ("C:\\Users\\me\\nights.csv", "nights.csv"),
        ("a\r\nb\0.csv", "a b .csv"),
        ("", "sheet"),
        ("x" * 300 + ".xlsx", "x" * 115 + ".xlsx"),
    ],
)
def test_a_files_name_is_kept_as_a_name_to_show_only(given: str, shown: str) -> None:
    assert display_name(given) == shown


def test_the_lists_take_no_more_than_their_queries(trap: Trap, django_assert_max_num_queries) -> None:
    household = trap.site.household
    make_trap(site=trap.site)
    with django_assert_max_num_queries(8):
        found = lists_of(household)
    assert {one.code for one in found.traps} == set(trap.site.traps.values_list("code", flat=True))
