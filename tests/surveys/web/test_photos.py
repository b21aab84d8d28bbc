"""Tray photos on pages: a household sends and deletes its own, a coordinator of the region looks, cuts and deletes."""

from __future__ import annotations

import re
import uuid
from html import unescape
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from surveys.models import Account, Return, Season, Trap, TrayPhoto
from surveys.services.intake import withdraw_return
from surveys.web import photos, tries
from tests.factories import (
    NOBODYS,
    client_of,
    make_coordinator,
    make_household,
    make_operator,
    make_researcher,
    make_season,
    make_trap,
    send_return,
)
from tests.pictures import (
    MARKERS,
    assert_nothing_but_dots,
    corners_of,
    flat_png,
    laden_jpeg,
    laden_png,
    laden_webp,
    plain_jpeg,
    saved,
)
from tests.reading import grade_of, sentences_of
from tests.surveys.web.sending import summary_links, title_of

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def season() -> Season:
    return make_season(tray_photos=True)


@pytest.fixture
def report(season: Season) -> Return:
    return send_return(make_trap(), liquid="soap", screened=True)


def sender_of(report: Return) -> Account:
    keeper = report.trap.site.household.keeper
    assert keeper is not None
    return keeper


def own(report: Return, end: str = "") -> str:
    return f"/my/returns/{report.uuid}/{end}"


def desk(report: Return, end: str = "photo") -> str:
    return f"/queue/{report.uuid}/{end}"


def send(client: Client, report: Return, content: bytes, name: str = "tray.jpg") -> Any:
    return client.post(own(report, "photo/send"), {"photo": SimpleUploadedFile(name, content)})


def keep_photo(report: Return, content: bytes = b"") -> TrayPhoto:
    """Keep a photo as if it had been painted."""
    return TrayPhoto.objects.create(report=report, picture=content or plain_jpeg(), width=400, height=300)


def words_of(answer: Any) -> str:
    """Return the words of a page without its tags, in one line."""
    page = answer.content.decode()
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page.split("<main")[1].split("</main>")[0])).split())


# --- the household ------------------------------------------------------------------------------


def test_a_household_sends_a_photo_and_sees_it_with_what_was_sent(report: Return) -> None:
    client = client_of(sender_of(report))
    page = client.get(own(report))
    assert "Only the animals in the tray. No people, no faces, no house." in words_of(page)
    assert 'enctype="multipart/form-data"' in page.content.decode()
    answer = send(client, report, laden_jpeg(orientation=6), "IMG_0815.JPG")
    assert (answer.status_code, answer["Location"]) == (302, own(report))
    page = client.get(own(report))
    assert "Thank you. Your photo has arrived." in words_of(page)
    assert f'src="{own(report, "photo")}"' in page.content.decode()
    assert "Only the coordinator sees it." in words_of(page)


@pytest.mark.parametrize(
    ("content", "name"),
    [(laden_jpeg(), "tray.jpg"), (laden_png(), "tray.png"), (laden_webp(), "tray.webp")],
)
def test_what_is_served_holds_nothing_but_dots(report: Return, content: bytes, name: str) -> None:
    assert sum(mark in content for mark in MARKERS.values()) >= 5
    sender = client_of(sender_of(report))
    assert send(sender, report, content, name).status_code == 302
    coordinator = client_of(make_coordinator("eastmark"))
    for client, address in ((sender, own(report, "photo")), (coordinator, desk(report))):
        answer = client.get(address)
        assert answer.status_code == 200
        assert_nothing_but_dots(answer.content)
        assert corners_of(answer.content) == ["red", "green", "blue", "white"]


def test_a_picture_is_served_so_that_it_can_do_nothing_and_stays_nowhere(report: Return) -> None:
    """ASVS 5.0.0, 3.2.1, 3.4.4 and 14.3.2; Content Security Policy Level 3, 6.3.2; Fetch, 3.7."""
    keep_photo(report)
    for account, address in ((sender_of(report), own(report, "photo")), (make_coordinator(), desk(report))):
        answer = client_of(account).get(address)
        assert answer["Content-Type"] == "image/jpeg"
        assert answer["Content-Disposition"] == 'inline; filename="tray.jpg"'
        assert answer["X-Content-Type-Options"] == "nosniff"
        assert answer["Cache-Control"] == "no-store"
        assert answer["Content-Security-Policy"] == "default-src 'none'; sandbox"
        assert answer["Cross-Origin-Resource-Policy"] == "same-origin"
        assert client_of(account).post(address).status_code == 405


def test_where_the_season_takes_no_photos_there_is_no_form_and_a_sent_one_is_refused() -> None:
    make_season()
    report = send_return(make_trap())
    client = client_of(sender_of(report))
    assert f"{report.uuid}/photo" not in client.get(own(report)).content.decode()
    answer = send(client, report, plain_jpeg())
    assert answer.status_code == 422
    assert "This season takes no photos of the tray." in words_of(answer)
    assert TrayPhoto.objects.count() == 0


def test_a_return_that_was_taken_back_shows_no_form(report: Return) -> None:
    withdraw_return(by=sender_of(report), uuid=report.uuid)
    client = client_of(sender_of(report))
    assert f"{report.uuid}/photo" not in client.get(own(report)).content.decode()
    assert "This return is no longer in use, so it takes no photo." in words_of(send(client, report, plain_jpeg()))


@pytest.mark.parametrize(
    ("content", "name", "status", "sentence"),
    [
        (b"", "tray.jpg", 422, "There is nothing in this file. Choose the picture once more."),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "tray.svg", 422, "We take JPEG, PNG and WebP pictures."),
        (saved(Image.new("RGB", (90, 90)), "GIF"), "tray.gif", 422, "We take JPEG, PNG and WebP pictures."),
        (plain_jpeg(), "tray.png", 422, "The file's name says one kind of picture, and the file is not that."),
        (plain_jpeg()[:2000], "tray.jpg", 422, "The picture is damaged, or cut short."),
        (flat_png(8000, 5001), "tray.png", 422, "The picture has too many dots."),
        (plain_jpeg() + bytes(10 << 20), "tray.jpg", 413, "The picture is too big. One picture takes 10 MB."),
    ],
)
def test_what_cannot_be_taken_is_a_fault_at_the_field(
    report: Return, content: bytes, name: str, status: int, sentence: str
) -> None:
    answer = send(client_of(sender_of(report)), report, content, name)
    assert answer.status_code == status
    assert sentence in words_of(answer)
    assert summary_links(answer.content.decode()) == ["photo"]
    assert title_of(answer.content.decode()).startswith("Error: ")
    assert 'id="photo-fault"' in answer.content.decode()
    assert TrayPhoto.objects.count() == 0


def test_no_file_at_all_is_a_fault_at_the_field(report: Return) -> None:
    answer = client_of(sender_of(report)).post(own(report, "photo/send"), {})
    assert answer.status_code == 422
    assert "Choose a picture first." in words_of(answer)


def test_a_bad_photo_leaves_the_one_before(report: Return) -> None:
    keep_photo(report)
    answer = send(client_of(sender_of(report)), report, b"GIF89a")
    assert answer.status_code == 422
    assert re.search(r"<details open>\s*<summary>Send another photo", answer.content.decode())
    assert bytes(TrayPhoto.objects.get().picture) == plain_jpeg()


def test_a_line_that_does_not_end_is_cut(report: Return, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photos, "_LISTENED_TO", 200_000)
    monkeypatch.setattr(photos, "MOST_BYTES", 100_000)
    assert "The picture is too big." in words_of(send(client_of(sender_of(report)), report, bytes(400_000)))


def test_a_photo_without_its_token_is_refused(report: Return) -> None:
    """OWASP: cross-site request forgery. The cap is set first, and the token is looked for all the same."""
    client = Client(enforce_csrf_checks=True)
    client.force_login(sender_of(report))
    assert send(client, report, plain_jpeg()).status_code == 403
    assert client.post(own(report, "photo/delete")).status_code == 403
    token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', client.get(own(report)).content.decode())
    assert token is not None
    sent = {"photo": SimpleUploadedFile("tray.jpg", plain_jpeg()), "csrfmiddlewaretoken": token.group(1)}
    assert client.post(own(report, "photo/send"), sent).status_code == 302


def test_so_many_photos_in_an_hour_and_no_more(report: Return, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tries, "PHOTOS_AN_HOUR", 1)
    client = client_of(sender_of(report))
    assert send(client, report, plain_jpeg()).status_code == 302
    answer = send(client, report, plain_jpeg())
    assert answer.status_code == 429
    assert "You sent very many photos." in words_of(answer)


def test_a_household_deletes_its_photo_and_a_second_tap_says_the_same(report: Return) -> None:
    keep_photo(report)
    client = client_of(sender_of(report))
    assert "Delete this photo" in words_of(client.get(own(report)))
    for _ in range(2):
        answer = client.post(own(report, "photo/delete"), follow=True)
        assert "The photo is deleted." in words_of(answer)
    assert TrayPhoto.objects.count() == 0
    assert client.get(own(report, "photo")).status_code == 404


def test_a_household_is_told_that_something_was_cut_off(report: Return) -> None:
    photo = keep_photo(report)
    client = client_of(sender_of(report))
    assert "cut something off" not in words_of(client.get(own(report)))
    TrayPhoto.objects.update(cropped_at=photo.received_at)
    assert "A coordinator has cut something off." in words_of(client.get(own(report)))


def test_the_return_page_reads_at_grade_five_with_and_without_a_photo(report: Return) -> None:
    client = client_of(sender_of(report))
    grades = [grade_of(sentences_of(client.get(own(report)).content.decode())).grade]
    keep_photo(report)
    grades.append(grade_of(sentences_of(client.get(own(report)).content.decode())).grade)
    section = client.get(own(report)).content.decode().split('aria-labelledby="tray">')[1].split("</section>")[0]
    grades.append(grade_of(sentences_of(f"<main>{section}</main>")).grade)
    assert [grade for grade in grades if grade > 5] == []


# --- who may do what ----------------------------------------------------------------------------

SENDER, STRANGER, OF_REGION, OF_OTHER, OF_ALL, RESEARCHER, OPERATOR, NOBODY = range(8)


def people(report: Return) -> dict[int, Account | None]:
    return {
        SENDER: sender_of(report),
        STRANGER: make_household().keeper,
        OF_REGION: make_coordinator("eastmark"),
        OF_OTHER: make_coordinator("westmark"),
        OF_ALL: make_coordinator(),
        RESEARCHER: make_researcher(),
        OPERATOR: make_operator(),
        NOBODY: None,
    }


#: Written by hand from the brief: a photo is seen by its sender and by the coordinators of its region, and by no other.
#: Answers in the order of the people above. 302 is the way to the sign-in for nobody, and done for others.
MATRIX = {
    ("GET", "own", "photo"): [200, 404, 404, 404, 404, 404, 404, 302],
    ("POST", "own", "photo/send"): [422, 404, 404, 404, 404, 404, 404, 302],
    ("POST", "own", "photo/delete"): [302, 404, 404, 404, 404, 404, 404, 302],
    ("GET", "desk", "photo"): [403, 403, 200, 404, 200, 403, 403, 302],
    ("GET", "desk", "photo/edit/"): [403, 403, 200, 404, 200, 403, 403, 302],
    ("POST", "desk", "photo/edit/"): [403, 403, 302, 404, 302, 403, 403, 302],
}


@pytest.mark.parametrize("call", MATRIX, ids=" ".join)
def test_a_photo_is_there_for_its_sender_and_the_coordinators_of_its_region_only(
    report: Return, call: tuple[str, str, str]
) -> None:
    method, side, end = call
    address = own(report, end) if side == "own" else desk(report, end)
    got = []
    for account in people(report).values():
        TrayPhoto.objects.all().delete()
        photo = keep_photo(report)
        client = client_of(account) if account else Client()
        sent = {"do": "delete-it", "picture": str(photo.public_id)} if side == "desk" else {}
        if end.endswith("send"):
            sent = {"photo": SimpleUploadedFile("tray.jpg", b"GIF89a")}
        answer = client.get(address) if method == "GET" else client.post(address, sent)
        got.append(answer.status_code)
        done = answer.status_code == 302 and account is not None
        assert TrayPhoto.objects.count() == (0 if done else 1)
        assert plain_jpeg() != answer.content or answer.status_code == 200
    assert got == MATRIX[call]


def test_somebody_elses_photo_is_not_hinted_at(report: Return) -> None:
    """The same answer where there is a photo and where there is none, and where there is no such return."""
    other = client_of(make_coordinator("westmark"))
    answers = [other.get(desk(report))]
    keep_photo(report)
    answers += [other.get(desk(report)), other.get(f"/queue/{uuid.uuid4()}/photo")]
    assert {answer.status_code for answer in answers} == {404}
    assert len({words_of(answer) for answer in answers}) == 1


# --- the coordinator ----------------------------------------------------------------------------


@pytest.fixture
def client(report: Return) -> Client:
    return client_of(make_coordinator("eastmark"))


def edit(client: Client, report: Return, do: str, **sides: str) -> Any:
    photo = TrayPhoto.objects.get()
    return client.post(desk(report, "photo/edit/"), {"do": do, "picture": str(photo.public_id), **sides})


def test_a_look_shows_what_would_go_and_cuts_nothing(client: Client, report: Return) -> None:
    """By hand, on 400 x 300 dots: 25 per cent from the left are 100, 10 from below are 30; 300 by 270 stay."""
    keep_photo(report)
    answer = edit(client, report, "look", left="25", bottom="10")
    assert answer.status_code == 200
    page = answer.content.decode()
    assert "The bright part stays: 300 by 270 dots. Nothing is cut yet." in words_of(answer)
    assert 'class="goes" x="0" y="0" width="100" height="270"' in page
    assert 'class="goes" x="0" y="270" width="400" height="30"' in page
    assert page.count('class="goes"') == 2
    assert 'class="frame" x="100" y="0" width="300" height="270"' in page
    assert 'value="25"' in page, "what was typed stays in its box"
    assert bytes(TrayPhoto.objects.get().picture) == plain_jpeg()


def test_a_cut_is_made_and_said(client: Client, report: Return) -> None:
    keep_photo(report)
    answer = edit(client, report, "cut", left="50 %", right="", top=" 0 ")
    assert (answer.status_code, answer["Location"]) == (302, f"/queue/{report.uuid}/")
    assert corners_of(client.get(desk(report)).content) == ["green", "green", "white", "white"]


@pytest.mark.parametrize(
    ("sides", "at", "sentence"),
    [
        ({"left": "x"}, "left", "Write a whole number from 0 to 90."),
        ({"right": "91"}, "right", "Write a whole number from 0 to 90."),
        ({"top": "-1"}, "top", "Write a whole number from 0 to 90."),
        ({"bottom": "1.5"}, "bottom", "Write a whole number from 0 to 90."),
        ({"left": "٣"}, "left", "Write a whole number from 0 to 90."),
        ({"left": "9" * 400}, "left", "Write a whole number from 0 to 90."),
        ({"left": "50", "right": "50"}, "left", "That leaves too little of the picture. Cut less off."),
    ],
)
def test_a_cut_that_cannot_be_is_a_fault_at_its_box(
    client: Client, report: Return, sides: dict[str, str], at: str, sentence: str
) -> None:
    keep_photo(report)
    for do in ("look", "cut"):
        answer = edit(client, report, do, **sides)
        assert answer.status_code == 422
        assert sentence in words_of(answer)
        assert summary_links(answer.content.decode()) == [at]
    assert bytes(TrayPhoto.objects.get().picture) == plain_jpeg()


def test_a_cut_of_nothing_is_a_fault(client: Client, report: Return) -> None:
    keep_photo(report)
    answer = edit(client, report, "cut")
    assert answer.status_code == 422
    assert "Say how much to cut off, on one side at least." in words_of(answer)


@pytest.mark.parametrize("do", ["cut", "delete-it"])
@pytest.mark.parametrize("picture", ["", "x", str(NOBODYS)])
def test_a_picture_that_was_not_the_one_on_the_page_is_left_alone(
    client: Client, report: Return, do: str, picture: str
) -> None:
    keep_photo(report)
    answer = client.post(desk(report, "photo/edit/"), {"do": do, "picture": picture, "left": "10"})
    assert answer.status_code == 409
    assert "The picture has changed since you looked at it." in words_of(answer)
    assert bytes(TrayPhoto.objects.get().picture) == plain_jpeg()


def test_deleting_asks_once_more(client: Client, report: Return) -> None:
    keep_photo(report)
    asked = edit(client, report, "delete")
    assert "Delete this photo?" in words_of(asked)
    assert "No, keep it" in words_of(asked)
    assert TrayPhoto.objects.count() == 1
    done = edit(client, report, "delete-it")
    assert (done.status_code, done["Location"]) == (302, f"/queue/{report.uuid}/")
    assert TrayPhoto.objects.count() == 0


def test_where_there_is_no_photo_there_is_nothing_to_edit(client: Client, report: Return) -> None:
    assert client.get(desk(report)).status_code == 404
    assert client.get(desk(report, "photo/edit/")).status_code == 404
    gone = {"do": "delete-it", "picture": str(uuid.uuid4())}
    assert client.post(desk(report, "photo/edit/"), gone).status_code == 302, "it is gone already, as was asked"


def test_the_pages_of_a_coordinator_read_at_grade_eight_or_below(client: Client, report: Return) -> None:
    keep_photo(report)
    for answer in (
        client.get(desk(report, "photo/edit/")),
        edit(client, report, "look", left="10"),
        edit(client, report, "delete"),
    ):
        assert grade_of(sentences_of(answer.content.decode())).grade <= 8


def test_a_return_of_another_trap_shows_no_foreign_photo(report: Return, client: Client) -> None:
    keep_photo(report)
    trap: Trap = report.trap
    other = send_return(trap, set_at="2026-05-09T17:00:00+00:00", emptied_at="2026-05-10T17:00:00+00:00")
    assert client.get(desk(other)).status_code == 404
    assert f"/my/returns/{report.uuid}/photo" not in client_of(sender_of(report)).get(own(other)).content.decode()
