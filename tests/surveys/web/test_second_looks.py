"""The pages of second looks: blind to the last byte, one after the other, refused in words; and the panel's sentences."""

from __future__ import annotations

import re

import pytest
from django.test import Client
from django.utils import timezone, translation

from surveys.models import Account, Query, Return, SecondLook, TrayPhoto
from surveys.services.review import give_verdict
from surveys.vocabulary import Decision, VerdictReason
from surveys.web.review_quality import quality_shown
from tests.factories import client_of, make_coordinator, make_researcher, make_season, make_trap, send_return
from tests.reading import grade_of, sentences_of
from tests.surveys.web.sending import summary_links, title_of

pytestmark = pytest.mark.django_db(transaction=True)

LIST = "/desk/second-looks/"
NOTE = "a note that nobody may see"


@pytest.fixture
def coordinator() -> Account:
    make_season()
    return make_coordinator("eastmark")


@pytest.fixture
def desk(coordinator: Account) -> Client:
    return client_of(coordinator)


def drawn(**changes: object) -> Return:
    report = send_return(make_trap(), screened=True, **changes)
    SecondLook.objects.create(report=report, season=report.season, state=report.state)
    return report


def address(report: Return) -> str:
    return f"{LIST}{report.uuid}/"


def without_token(page: str) -> str:
    return re.sub(r'name="csrfmiddlewaretoken" value="[^"]+"', "", page)


def test_the_page_is_the_same_to_the_last_byte_whatever_was_decided_before(coordinator: Account) -> None:
    """One return as it stands, and the same after a query, a verdict with a note, and a verdict taken to be upheld."""
    report = drawn()
    desk = client_of(coordinator)
    before = {path: without_token(desk.get(path).content.decode()) for path in (address(report), LIST)}
    first = make_coordinator("eastmark")
    Query.objects.create(
        report=report, kind="statistical", reason="unusually_many", position=0, probability=0.9,
        sentence="Far more woodlice than such a trap catches.", gentle_sentence="That is a lot of woodlice.",
    )  # fmt: skip
    Return.objects.filter(pk=report.pk).update(state="queried", version=3, reason="unusually_many", probability=0.9)
    give_verdict(
        by=first, uuid=report.uuid, version=3, decision=Decision.UPHELD, reason=VerdictReason.TRAY_PHOTO_AGREES,
        note=NOTE,
    )  # fmt: skip
    SecondLook.objects.update(state="upheld")
    report.refresh_from_db()
    assert report.state == "upheld"
    page = without_token(desk.get(address(report)).content.decode())
    assert page == before[address(report)]
    for words in (NOTE, "Far more woodlice", "That is a lot", 'class="label">upheld'):
        assert words not in page
    # The list tells how many of each state there are, and of no return which.
    assert NOTE not in desk.get(LIST).content.decode()
    assert str(report.uuid) in before[LIST], "where one begins"


def test_the_page_shows_what_was_sent_and_what_the_protocol_found(desk: Client) -> None:
    report = drawn(note="It rained at dawn.", mouth_mm=90)
    page = desk.get(address(report)).content.decode()
    for words in ("Woodlice", "4 to 7", "It rained at dawn.", "Eastmark", "2 May 2026", "Short lawn"):
        assert words in page
    finding = report.findings.exclude(outcome__in=["fine", "note"]).get()
    assert finding.sentence in page
    assert report.trap.site.household.keeper.email not in page
    assert f'/queue/{report.uuid}/"' not in page, "no way to where the verdict stands"


def test_the_tray_photo_is_there_to_look_at_and_nothing_that_was_done_to_it(desk: Client) -> None:
    report = drawn()
    assert "<img" not in desk.get(address(report)).content.decode()
    TrayPhoto.objects.create(report=report, picture=b"jpeg", width=4, height=3, cropped_at=timezone.now())
    page = desk.get(address(report)).content.decode()
    assert f'src="/queue/{report.uuid}/photo"' in page
    assert "cut" not in page.split("<main")[1].lower()


def test_comparable_traps_stand_beside_the_catch_from_ten_on(desk: Client) -> None:
    """Nine others with 1 to 9 woodlice, then a tenth with 10; half of ten have up to 5, nine up to 9: by hand."""
    report = drawn(catch=[{"group": "woodlice", "answer": "number", "count": 12}])
    Return.objects.filter(pk=report.pk).update(state="standing")
    for count in range(1, 10):
        send_return(make_trap(), screened=True, catch=[{"group": "woodlice", "answer": "number", "count": count}])
    assert "Fewer than 10 like traps: nothing to compare with yet." in desk.get(address(report)).content.decode()
    send_return(make_trap(), screened=True, catch=[{"group": "woodlice", "answer": "number", "count": 10}])
    page = re.sub(r"\s+", " ", desk.get(address(report)).content.decode())
    row = page.split('<th scope="row"> Woodlice')[1].split("</tr>")[0]
    assert re.findall(r'<td class="number"> ?(\d+) ?</td>', row) == ["5", "9"]
    assert "more than most" in row


def test_one_look_leads_to_the_next_and_the_last_one_back(desk: Client, coordinator: Account) -> None:
    reports = [drawn() for _ in range(3)]
    assert "3 returns wait for your second look." in re.sub(r"\s+", " ", desk.get(LIST).content.decode())
    path, seen = desk.get(LIST).content.decode().split('class="button" href="')[1].split('"')[0], []
    while path != LIST:
        seen.append(path)
        path = desk.post(path, {"opinion": "upheld", "reason": ""})["Location"]
    assert sorted(seen) == sorted(address(report) for report in reports)
    assert set(SecondLook.objects.values_list("by", "opinion", "reason")) == {
        (coordinator.pk, "upheld", "plausible_night")
    }
    assert "Your second look is on record." in desk.get(LIST).content.decode()


def test_each_button_says_what_it_does_and_has_its_number_key(desk: Client) -> None:
    page = desk.get(address(drawn())).content.decode()
    buttons = re.findall(r'<button[^>]*name="opinion"[^>]*value="(\w+)"[^>]*data-key="(\d)"', page)
    assert buttons == [("upheld", "1"), ("corrected", "2"), ("discounted", "3")]
    assert "data-keys-on" in page, "the keys can be switched off (WCAG 2.2, 2.1.4)"


def test_the_next_one_can_be_asked_for_without_an_opinion(desk: Client) -> None:
    reports = {address(drawn()) for _ in range(2)}
    here = reports.pop()
    assert f'href="{reports.pop()}"' in desk.get(here).content.decode()
    SecondLook.objects.exclude(report__uuid=here.split("/")[-2]).delete()
    assert "show me the next one" not in desk.get(here).content.decode()


def test_an_opinion_that_it_is_wrong_goes_to_the_queue(desk: Client) -> None:
    report = drawn()
    answer = desk.post(address(report), {"opinion": "discounted", "reason": "liquid_used"})
    assert (answer.status_code, answer["Location"]) == (302, LIST)
    report.refresh_from_db()
    assert (report.state, report.reason) == ("queried", "second_look")


@pytest.mark.parametrize(
    ("given", "target"),
    [
        ({"opinion": "corrected"}, "reason"),
        ({"opinion": "discounted", "reason": ""}, "reason"),
        ({"opinion": "upheld", "reason": "because"}, "reason"),
        ({"reason": "count_slip"}, "opinion-first"),
        ({"opinion": "maybe", "reason": "count_slip"}, "opinion-first"),
        ({"opinion": "\x00", "reason": "count_slip"}, "opinion-first"),
    ],
)
def test_each_wrong_input_gets_its_sentence_and_nothing_is_lost(
    desk: Client, given: dict[str, str], target: str
) -> None:
    report = drawn()
    answer = desk.post(address(report), given)
    page = answer.content.decode()
    assert (answer.status_code, summary_links(page), title_of(page)[:6]) == (422, [target], "Error:")
    if given.get("reason") == "count_slip":
        assert re.search(r'<option value="count_slip"\s+selected', page)
    assert SecondLook.objects.get().looked_at is None


def test_who_decided_is_told_so_and_gives_no_second_look() -> None:
    make_season()
    first = make_coordinator("eastmark")
    report = send_return(make_trap(), screened=True, liquid="soap")
    give_verdict(
        by=first, uuid=report.uuid, version=report.version, decision=Decision.UPHELD,
        reason=VerdictReason.PLAUSIBLE_NIGHT,
    )  # fmt: skip
    SecondLook.objects.create(report=report, season=report.season, state="upheld")
    desk = client_of(first)
    assert "Nothing waits." in desk.get(LIST).content.decode()
    for answer in (
        desk.get(address(report), follow=True),
        desk.post(address(report), {"opinion": "upheld"}, follow=True),
        desk.post(address(report), {"opinion": "corrected"}, follow=True),
    ):
        assert "Somebody else must give the second look." in answer.content.decode()
    assert SecondLook.objects.get().looked_at is None


def test_a_look_that_somebody_else_gave_meanwhile_is_told_of(desk: Client) -> None:
    report = drawn()
    client_of(make_coordinator("eastmark")).post(address(report), {"opinion": "upheld"})
    page = desk.post(address(report), {"opinion": "discounted", "reason": "count_slip"}, follow=True).content.decode()
    assert "Yours is not needed." in page
    assert SecondLook.objects.get().opinion == "upheld"


def test_a_return_that_is_taken_back_meanwhile_leaves_the_list(desk: Client) -> None:
    report = drawn()
    keeper = client_of(report.trap.site.household.keeper)
    assert keeper.post(f"/my/returns/{report.uuid}/withdraw").status_code == 302
    report.refresh_from_db()
    assert report.state == "withdrawn"
    assert "Nothing waits." in desk.get(LIST).content.decode()
    page = desk.post(address(report), {"opinion": "upheld"}, follow=True).content.decode()
    assert "It needs no second look." in page


def test_only_coordinators_of_the_region_come_to_a_look(desk: Client) -> None:
    report = drawn()
    assert Client().get(address(report))["Location"].startswith("/sign-in")
    for account, status in (
        (report.trap.site.household.keeper, 403), (make_researcher(), 403), (make_coordinator("westmark"), 404),
        (make_coordinator(), 200),
    ):  # fmt: skip
        assert client_of(account).get(address(report)).status_code == status
        answer = client_of(account).post(address(report), {"opinion": "corrected"})
        assert answer.status_code == (422 if status == 200 else status)
    other = client_of(make_coordinator("westmark")).get(LIST).content.decode()
    assert "0 returns wait for your second look." in re.sub(r"\s+", " ", other)
    assert "There are no standing or upheld returns yet" in other, "nor can anything of another region be counted"


def test_the_panel_says_what_the_looks_tell(coordinator: Account) -> None:
    """One wrong of ten: 0.25 % to 44.50 % in the Geigy Scientific Tables (Lentner 1982; from memory)."""
    reports = [drawn() for _ in range(10)]
    desk = client_of(coordinator)
    for report in reports[:-1]:
        desk.post(address(report), {"opinion": "upheld"})
    desk.post(address(reports[-1]), {"opinion": "discounted", "reason": "count_slip"})
    page = re.sub(r"\s+", " ", desk.get(LIST).content.decode())
    for words in (
        "Of 100 returns that were let through, about 10 are still wrong.",
        "between 0.3 and 44.5",
        "In 9 of 10 second looks, the second person let the return stand, too.",
        "Of 100 that makes 90, and may well be 55.5 to 99.7",
    ):
        assert words in page
    assert '<th scope="row">Standing</th> <td class="number">10</td> <td class="number">10</td>' in page


def test_the_panel_says_what_is_not_known(coordinator: Account) -> None:
    season = drawn().season
    with translation.override("en"):
        assert quality_shown(season, coordinator).wrong.startswith("Nobody has given a second look yet.")
    Return.objects.update(state="corrected")
    with translation.override("en"):
        shown = quality_shown(season, coordinator)
    assert shown.notes == ("1 corrected return is not in these figures: it is not looked at again.",)
    assert shown.wrong.startswith("There are no standing or upheld returns yet")


def test_a_state_that_nobody_looked_at_counts_as_unknown_in_words(desk: Client) -> None:
    for _ in range(2):
        desk.post(address(drawn()), {"opinion": "upheld"})
    Return.objects.filter(pk=send_return(make_trap(), screened=True).pk).update(state="upheld")
    assert "Nobody has looked at the upheld returns again yet." in desk.get(LIST).content.decode()


def test_both_pages_read_at_grade_8_or_below(desk: Client) -> None:
    report = drawn()
    desk.post(address(drawn()), {"opinion": "upheld"})
    for path in (LIST, address(report)):
        assert grade_of(sentences_of(desk.get(path).content.decode())).grade <= 8.0
