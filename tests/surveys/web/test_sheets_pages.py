"""Sending a spreadsheet: template, upload, what was found, the marked copy, taking it in."""

from __future__ import annotations

import csv
import io
import re
import uuid
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from openpyxl import load_workbook

from surveys.models import Household, Job, Return, Sheet, Trap
from surveys.services import sheets
from surveys.services.retention import empty_old_sheets
from surveys.services.sheets import read_sheet
from surveys.vocabulary import HouseholdKind, JobState, SheetState
from surveys.web import sheets_pages
from tests.factories import make_coordinator, make_household, make_season, make_site, make_trap
from tests.surveys.sheets.making import read_here

pytestmark = pytest.mark.django_db(transaction=True)

NEW = "/my/sheets/new/"
CELLS = ["2 May 2026", "17:30", "3 May 2026", "17:00", "", "75", "flush", "present", "nothing", "intact", ""]
COUNTS = ["3", "none", "-", "?", "0", "16-31"]


@pytest.fixture
def trap() -> Trap:
    make_season()
    return make_trap(site=make_site(household=make_household(kind=HouseholdKind.SCHOOL)))


@pytest.fixture(autouse=True)
def in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read without a child process, which has tests of its own: these are about pages."""
    monkeypatch.setattr(sheets, "read_in_child", read_here)


@pytest.fixture
def client(trap: Trap) -> Client:
    return signed_in(trap.site.household.keeper)


def signed_in(account: Any) -> Client:
    found = Client(raise_request_exception=False)
    found.force_login(account)
    return found


def words_of(answer: Any) -> str:
    """Return the words of a page without its tags, in one line."""
    page = answer.content.decode()
    return " ".join(re.sub(r"<[^>]+>", " ", page.split("<main")[1].split("</main>")[0]).split())


def title_of(answer: Any) -> str:
    return " ".join(answer.content.decode().split("<title>")[1].split("</title>", maxsplit=1)[0].split())


def filled(client: Client, *rows: list[str]) -> bytes:
    """Fetch the template as a teacher does, and fill rows in below its example."""
    fetched = client.get("/my/sheets/template.csv").content.decode("utf-8-sig")
    head = list(csv.reader(io.StringIO(fetched)))[:3]
    into = io.StringIO()
    csv.writer(into).writerows([*head, *rows])
    return into.getvalue().encode()


def row(trap: Trap, **changes: str) -> list[str]:
    return [
        trap.code,
        *[changes.get(cell, cell) for cell in CELLS],
        *[changes.get(f"n{n}", cell) for n, cell in enumerate(COUNTS)],
    ]


def send(client: Client, content: bytes, name: str = "nights.csv", **more: str) -> Any:
    return client.post(NEW, {"file": SimpleUploadedFile(name, content), **more})


def read(answer: Any) -> Sheet:
    """Read the sheet that was just sent, as the worker does."""
    assert answer.status_code == 302, words_of(answer)
    sheet = Sheet.objects.get(public_id=answer["Location"].split("/")[-2])
    read_sheet(job_id=sheet.job.pk)
    return Sheet.objects.get(pk=sheet.pk)


def path_of(sheet: Sheet) -> str:
    return f"/my/sheets/{sheet.public_id}/"


def test_the_template_comes_as_a_file_with_ones_own_traps(client: Client, trap: Trap) -> None:
    foreign = make_trap()
    answer = client.get("/my/sheets/template.xlsx")
    assert answer["Content-Type"].startswith("application/vnd.openxmlformats")
    assert answer["Content-Disposition"] == 'attachment; filename="trapnight-nights.xlsx"'
    assert answer["X-Content-Type-Options"] == "nosniff"
    cells = [
        cell.value for cells in load_workbook(io.BytesIO(answer.content)).worksheets[0].iter_rows() for cell in cells
    ]
    assert trap.code in cells
    assert foreign.code not in cells
    assert "Ground beetles" in cells


def test_the_template_speaks_the_language_of_the_page(client: Client) -> None:
    from django.utils.dates import MONTHS
    from django.utils.translation import gettext, override

    with override("de"):
        expected = gettext("Trap code")
        assert str(MONTHS[5]) == "Mai"
    answer = client.get("/my/sheets/template.csv", headers={"Accept-Language": "de"})
    assert list(csv.reader(io.StringIO(answer.content.decode("utf-8-sig"))))[1][0] == expected


def test_a_template_of_another_kind_is_not_there(client: Client) -> None:
    assert client.get("/my/sheets/template.xlsm").status_code == 404
    assert client.get("/my/sheets/template.ods").status_code == 404


def test_a_template_for_somebody_elses_household_is_not_there(client: Client) -> None:
    assert client.get(f"/my/sheets/template.csv?household={make_household().public_id}").status_code == 404


def test_without_an_open_season_the_page_says_so(trap: Trap) -> None:
    client = signed_in(make_household().keeper)
    answer = client.get("/my/sheets/template.csv")
    assert answer.status_code == 409
    assert "No season is open where your traps are." in words_of(answer)


def test_somebody_without_a_household_is_told(trap: Trap) -> None:
    client = signed_in(make_coordinator())
    assert client.get("/my/sheets/template.csv").status_code == 404
    assert client.get(NEW).status_code == 200


def test_a_sheet_goes_all_the_way_from_the_template_to_returns(client: Client, trap: Trap) -> None:
    sheet = read(send(client, filled(client, row(trap))))
    page = words_of(client.get(path_of(sheet)))
    assert "Nothing of this file is sent yet" in page
    assert "We read your file and found no fault. 1 row is ready. Press the button to send it." in page
    assert "Send the 1 row that is ready" in page
    assert "read, but not all is sent" in words_of(client.get(NEW))
    assert Return.objects.count() == 0
    taken = client.post(f"{path_of(sheet)}take", {"rows": "all"}, follow=True)
    assert "Rows sent: 1." in words_of(taken)
    assert "Your rows are sent" in words_of(taken)
    assert "is sent yet" not in words_of(taken)
    assert re.search(r"nights\.csv .* UTC sent$", words_of(client.get(NEW)))
    assert Return.objects.get().trap == trap


def test_before_rows_are_sent_the_page_says_what_happens_to_each(client: Client, trap: Trap) -> None:
    one, two = row(trap), row(trap, **{"2 May 2026": "5 May 2026", "3 May 2026": "6 May 2026"})
    wrong = row(trap, **{"2 May 2026": "9 May 2026", "3 May 2026": "10 May 2026"}, n0="lots")
    blank = [trap.code, *[""] * (len(CELLS) + len(COUNTS))]
    client.post(f"{path_of(read(send(client, filled(client, one))))}take", {"rows": "all"})
    page = words_of(client.get(path_of(read(send(client, filled(client, one, two, wrong, blank))))))
    for words in (
        "Nothing of this file is sent yet. There is something to mend",
        "2 rows are ready. Press the button to send them.",
        "1 of the ready rows was sent before. It is not doubled.",
        "1 row has something to mend. It is not sent.",
        "1 row is not filled in. It is left out.",
        "Send the 2 rows that are ready",
    ):
        assert words in page


def test_without_a_row_that_is_ready_there_is_no_button_to_send(client: Client, trap: Trap) -> None:
    page = words_of(client.get(path_of(read(send(client, filled(client, row(trap, n0="lots")))))))
    assert "No row is ready to be sent." in page
    assert "Send the" not in page


def test_rows_that_wait_after_a_first_part_are_told(
    client: Client, trap: Trap, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheets, "MOST_AT_ONCE", 1)
    monkeypatch.setattr(sheets, "TAKING_S", -1)
    later = row(trap, **{"2 May 2026": "5 May 2026", "3 May 2026": "6 May 2026"})
    sheet = read(send(client, filled(client, row(trap), later)))
    page = words_of(client.post(f"{path_of(sheet)}take", {"rows": "all"}, follow=True))
    assert "Rows sent so far: 1. Press the button once more for the rest." in page
    assert "Some rows still wait to be sent" in page
    assert "1 row is sent." in page
    assert "Send the 1 row that is ready" in page


def test_two_taps_take_it_in_once(client: Client, trap: Trap) -> None:
    sheet = read(send(client, filled(client, row(trap))))
    for _ in range(2):
        assert client.post(f"{path_of(sheet)}take", {"rows": "all"}).status_code == 302
    assert Return.objects.count() == 1


def test_what_is_to_mend_is_told_by_row_and_cell(client: Client, trap: Trap) -> None:
    later = {"2 May 2026": "9 May 2026", "3 May 2026": "10 May 2026"}
    sheet = read(send(client, filled(client, row(trap), row(trap, **later, n3="=1+1"))))
    page = words_of(client.get(path_of(sheet)))
    assert "Row 5 P5 Spiders =1+1 A formula stands here. Put the number itself." in page
    assert "Send the 1 row that is ready" in page
    assert "1 row has something to mend. It is not sent." in page
    assert "Choose the mended file" in page


def test_all_rows_are_not_taken_where_there_is_something_to_mend(client: Client, trap: Trap) -> None:
    sheet = read(send(client, filled(client, row(trap), row(trap))))
    answer = client.post(f"{path_of(sheet)}take", {"rows": "all"}, follow=True)
    assert "There is something to mend in this file. Mend it, or send the good rows only." in words_of(answer)
    assert Return.objects.count() == 0
    client.post(f"{path_of(sheet)}take", {"rows": "good"})
    page = words_of(client.get(path_of(sheet)))
    assert Return.objects.count() == 1
    assert "Rows not sent 1" in page
    assert "A row that was sent is never doubled." in page


def test_the_marked_copy_comes_as_a_file_to_keep(client: Client, trap: Trap) -> None:
    sheet = read(send(client, filled(client, row(trap, n3="@SUM(1)")), name="../Käfer <b>.csv"))
    answer = client.get(f"{path_of(sheet)}marked")
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Content-Disposition"] == 'attachment; filename="K_fer _b_-to mend.csv"'
    assert "'@SUM(1)" in answer.content.decode()


def test_a_sheet_without_faults_has_no_marked_copy(client: Client, trap: Trap) -> None:
    sheet = read(send(client, filled(client, row(trap))))
    assert client.get(f"{path_of(sheet)}marked").status_code == 404


def test_a_waiting_sheet_shows_a_bar_and_looks_again_without_javascript_too(client: Client, trap: Trap) -> None:
    answer = send(client, filled(client, row(trap)))
    page = client.get(answer["Location"]).content.decode()
    assert '<progress id="progress" aria-labelledby="reading">' in page
    assert '<noscript><meta http-equiv="refresh" content="5"></noscript>' in " ".join(page.split())
    assert 'role="status"' in page
    Sheet.objects.update(rows=40, rows_read=10)
    page = client.get(answer["Location"])
    assert 'max="40" value="10"' in " ".join(page.content.decode().split())
    assert "Rows read: 10 of 40." in words_of(page)


def test_a_job_that_failed_for_good_is_told(client: Client, trap: Trap) -> None:
    answer = send(client, filled(client, row(trap)))
    Job.objects.update(state=JobState.FAILED)
    assert "We could not read it" in words_of(client.get(answer["Location"]))


def test_a_refused_file_says_why_and_the_title_says_error(client: Client, trap: Trap) -> None:
    sheet = read(send(client, b"\x89PNG\r\n\x1a\n", name="nights.xlsx"))
    assert sheet.state == SheetState.REFUSED
    page = client.get(path_of(sheet))
    assert title_of(page).startswith("Error: ")
    assert "The name ends in .xlsx, but this is not a spreadsheet." in words_of(page)


def test_no_file_is_a_fault_at_the_field(client: Client) -> None:
    answer = client.post(NEW, {})
    assert answer.status_code == 422
    assert title_of(answer).startswith("Error: ")
    assert 'href="#file"' in answer.content.decode()
    assert "Choose the file that you filled in." in words_of(answer)


def test_an_empty_file_is_a_fault_at_the_field(client: Client) -> None:
    assert "Choose the file that you filled in." in words_of(send(client, b""))


def test_a_file_over_the_cap_is_let_go_while_it_comes_in(client: Client) -> None:
    answer = send(client, b"a" * (5 * 1024 * 1024 + 1))
    assert answer.status_code == 422
    assert "The file is too big." in words_of(answer)
    assert Sheet.objects.count() == 0


def test_a_line_that_does_not_end_is_cut(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheets_pages, "_LISTENED_TO", 200_000)
    monkeypatch.setattr(sheets_pages, "MOST_BYTES", 100_000)
    assert "The file is too big." in words_of(send(client, b"a" * 400_000))


def test_only_the_first_of_many_files_is_taken(client: Client, trap: Trap) -> None:
    files = [SimpleUploadedFile("a.csv", filled(client, row(trap))), SimpleUploadedFile("b.csv", b"x" * 100)]
    read(client.post(NEW, {"file": files}))
    assert [sheet.name for sheet in Sheet.objects.all()] == ["a.csv"]


def test_a_post_without_its_token_is_refused(trap: Trap) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(trap.site.household.keeper)
    assert send(client, b"a,b").status_code == 403
    token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', client.get(NEW).content.decode())
    assert token is not None
    assert send(client, b"a,b", csrfmiddlewaretoken=token.group(1)).status_code == 302


def test_hostile_words_of_a_file_are_shown_as_words(client: Client, trap: Trap) -> None:
    nasty = "<script>alert(1)</script>"
    sheet = read(send(client, filled(client, row(trap, n0=nasty)), name=f"{nasty}.csv"))
    page = client.get(path_of(sheet)).content.decode()
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


def test_many_rows_to_mend_are_shown_page_by_page(client: Client, trap: Trap) -> None:
    sheet = read(send(client, filled(client, *(row(trap, n0="lots") for _ in range(60)))))
    first, last = words_of(client.get(path_of(sheet))), words_of(client.get(f"{path_of(sheet)}?page=3"))
    assert ("Page 1 of 3" in first, "Row 4 " in first, "Row 24 " in first) == (True, True, False)
    assert "Most often We cannot read this as a count. (60 cells)" in first
    assert ("Page 3 of 3" in last, "Row 63 " in last) == (True, True)
    for strange in ("0", "99", "x", "-1", "٣", "9" * 40):
        assert client.get(f"{path_of(sheet)}?page={strange}").status_code == 200


def test_strangers_find_nothing_and_the_anonymous_sign_in(client: Client, trap: Trap) -> None:
    sheet = read(send(client, filled(client, row(trap, n0="lots"))))
    stranger = signed_in(make_household().keeper)
    coordinator = signed_in(make_coordinator())
    for other, status in ((stranger, 404), (coordinator, 404), (Client(), 302)):
        assert other.get(path_of(sheet)).status_code == status
        assert other.get(f"{path_of(sheet)}marked").status_code == status
        assert other.post(f"{path_of(sheet)}take").status_code == status
    assert Client().get(NEW).status_code == 302
    assert Client().get("/my/sheets/template.csv").status_code == 302
    assert stranger.get(f"/my/sheets/{uuid.uuid4()}/").status_code == 404


def test_a_sheet_for_somebody_elses_household_is_not_taken(client: Client, trap: Trap) -> None:
    foreign = make_household()
    assert send(client, b"a,b", household=str(foreign.public_id)).status_code == 404
    assert Sheet.objects.count() == 0


def test_wrong_methods_are_refused(client: Client, trap: Trap) -> None:
    sheet = read(send(client, filled(client, row(trap))))
    assert client.get(f"{path_of(sheet)}take").status_code == 405
    assert client.put(NEW).status_code == 405


def test_whoever_keeps_two_households_chooses_whose_traps_are_in_it(client: Client, trap: Trap) -> None:
    second: Household = make_household(keeper=trap.site.household.keeper)
    other = make_trap(site=make_site(household=second))
    assert "Whose traps are in it?" in words_of(client.get(NEW))
    content = client.get(f"/my/sheets/template.csv?household={second.public_id}").content.decode("utf-8-sig")
    assert other.code in content
    sheet = read(send(client, filled(client, row(other)), household=str(second.public_id)))
    assert (sheet.household, sheet.faults) == (second, [])


def test_the_pages_take_a_fixed_number_of_queries(
    client: Client, trap: Trap, django_assert_max_num_queries: Any
) -> None:
    sheet = read(send(client, filled(client, *(row(trap, n0="lots") for _ in range(30)))))
    for _ in range(4):
        send(client, b"a,b")
    with django_assert_max_num_queries(6):
        client.get(path_of(sheet))
    with django_assert_max_num_queries(8):
        client.get(NEW)


def test_files_that_were_sent_are_listed_newest_first(client: Client, trap: Trap) -> None:
    for name in ("first.csv", "second.csv"):
        read(send(client, filled(client, row(trap)), name=name))
    page = client.get(NEW).content.decode()
    assert page.index("second.csv") < page.index("first.csv")


def test_a_sheet_that_was_emptied_after_its_day_says_so_and_is_not_listed(client: Client, trap: Trap) -> None:
    sheet = read(send(client, filled(client, row(trap))))
    Sheet.objects.update(received_at=sheet.received_at - timedelta(hours=25))
    empty_old_sheets(now=sheet.received_at)
    assert "This sheet is older than a day" in words_of(client.get(path_of(sheet)))
    assert "Files that we read for you" not in words_of(client.get(NEW))
