"""Changing a return on its page: the form as it was sent, nothing lost, the chain on both pages."""

from __future__ import annotations

import re
import uuid

import pytest
from django.test import Client

from surveys.models import Return, Trap
from surveys.services.review import give_verdict
from surveys.services.screening import screen_received
from surveys.vocabulary import REPORTED_MEASURES, REPORTED_NUMBERS, REPORTED_WORDS, Decision, VerdictReason
from surveys.web import returns
from tests.factories import (
    client_of,
    make_coordinator,
    make_season,
    make_site,
    make_trap,
    send_return,
)
from tests.reading import grade_of, sentences_of
from tests.surveys.web.sending import boxes, summary_links, title_of

pytestmark = pytest.mark.django_db(transaction=True)

CATCH = [
    {"group": "woodlice", "answer": "number", "count": 3},
    {"group": "spiders", "answer": "none_seen"},
    {"group": "centipedes", "answer": "could_not_tell"},
    {"group": "millipedes", "answer": "did_not_look"},
    {"group": "springtails", "answer": "class", "class": "c4to7"},  # a range that the form does not offer anew
    {"group": "ground_beetles", "answer": "class", "class": "c128up"},
]


@pytest.fixture
def trap() -> Trap:
    make_season()
    return make_trap()


@pytest.fixture
def client(trap: Trap) -> Client:
    client = Client()
    client.force_login(trap.site.household.keeper)
    return client


def send(trap: Trap, **changes: object) -> Return:
    return send_return(trap, **{"catch": CATCH, "note": "Two lines,\nand more.", **changes})


def change_of(report: Return) -> str:
    return f"/my/returns/{report.uuid}/change/"


def form_of(client: Client, report: Return) -> dict[str, str]:
    answer = client.get(change_of(report))
    assert answer.status_code == 200
    return boxes(answer.content.decode())


def answers_in(report: Return) -> list[tuple[object, ...]]:
    return sorted(report.catches.values_list("group__code", "answer", "low", "high"))


def test_the_form_sent_back_untouched_says_the_same_in_every_column(client: Client, trap: Trap) -> None:
    """Columns that the form does not ask for, such as the wall of the cup, go along as they were."""
    report = send(trap, mouth_mm=75.5, temp_min_c=-1.5)
    answer = client.post(change_of(report), form_of(client, report))
    new = Return.objects.get(amends=report)
    assert answer.headers["Location"] == f"/my/returns/{new.uuid}/"
    reported = (*REPORTED_WORDS, *REPORTED_MEASURES, *REPORTED_NUMBERS, "set_at", "emptied_at", "habitat_id", "note")
    assert {name: getattr(new, name) for name in reported} == {name: getattr(report, name) for name in reported}
    assert answers_in(new) == answers_in(report)
    report.refresh_from_db()
    assert (report.state, new.state) == ("withdrawn", "received")


def test_what_was_changed_is_changed_and_both_pages_tell_the_chain(client: Client, trap: Trap) -> None:
    report = send(trap)
    client.post(change_of(report), {**form_of(client, report), "n_woodlice": "8"})
    new = Return.objects.get(amends=report)
    assert ("woodlice", "number", 8, 8) in answers_in(new)
    old_page, new_page = (client.get(f"/my/returns/{one.uuid}/").content.decode() for one in (report, new))
    assert "A newer return took the place of this one." in old_page
    assert f'href="/my/returns/{new.uuid}/"' in old_page
    assert str(returns.CHANGED) in old_page
    assert change_of(report) not in old_page
    assert "This one took the place of a return that you sent before." in new_page
    assert f'href="/my/returns/{report.uuid}/"' in new_page
    assert str(returns.CHANGED) in client.get("/my/returns/").content.decode()


def test_faults_are_shown_with_every_answer_kept_and_nothing_is_taken_back(client: Client, trap: Trap) -> None:
    report = send(trap)
    wrong = {**form_of(client, report), "n_woodlice": "many", "set_time": "noon-ish"}
    answer = client.post(change_of(report), wrong)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert summary_links(page) == ["set_time", "n_woodlice"]
    kept = boxes(page)
    assert {name: kept[name] for name in wrong if name != "csrfmiddlewaretoken"} == {
        name: value for name, value in wrong.items() if name != "csrfmiddlewaretoken"
    }
    assert f'action="{change_of(report)}"' in page
    report.refresh_from_db()
    assert report.state == "received"


def test_a_double_tap_changes_once_and_ends_on_the_same_page(client: Client, trap: Trap) -> None:
    report = send(trap)
    form = form_of(client, report)
    first, second = (client.post(change_of(report), form) for _ in range(2))
    assert first.headers["Location"] == second.headers["Location"]
    assert Return.objects.count() == 2


def test_a_second_change_of_the_same_return_is_refused_with_a_way_on(client: Client, trap: Trap) -> None:
    report = send(trap)
    form, later = form_of(client, report), form_of(client, report)
    client.post(change_of(report), form)
    new = Return.objects.get(amends=report)
    for answer in (client.get(change_of(report)), client.post(change_of(report), later)):
        assert answer.status_code == 409
        assert str(returns.NOT_AMENDED["amended_before"]) in answer.content.decode()
        assert f'href="/my/returns/{new.uuid}/"' in answer.content.decode()
    assert Return.objects.count() == 2


def test_a_return_that_was_taken_back_is_not_changed(client: Client, trap: Trap) -> None:
    report = send(trap)
    form = form_of(client, report)
    client.post(f"/my/returns/{report.uuid}/withdraw")
    answer = client.post(change_of(report), form)
    assert answer.status_code == 409
    assert str(returns.NOT_AMENDED["withdrawn"]) in answer.content.decode()
    assert Return.objects.count() == 1


def test_the_form_of_another_return_is_told_and_gets_a_new_id(client: Client, trap: Trap) -> None:
    report, other = send(trap), send(make_trap(site=trap.site))
    form = {**form_of(client, report), "id": str(other.uuid)}
    answer = client.post(change_of(report), form)
    assert answer.status_code == 422
    assert boxes(answer.content.decode())["id"] != str(other.uuid)
    assert set(Return.objects.values_list("state", flat=True)) == {"received"}


@pytest.mark.parametrize("decision", list(Decision))
def test_the_form_says_that_a_coordinator_had_looked(client: Client, trap: Trap, decision: Decision) -> None:
    report = send(trap, liquid="soap")
    screen_received(most=10)
    report.refresh_from_db()
    assert "A coordinator has looked at this return." not in client.get(change_of(report)).content.decode()
    if decision != Decision.CORRECTED:
        give_verdict(
            by=make_coordinator(), uuid=report.uuid, version=report.version, decision=decision,
            reason=VerdictReason.LIQUID_USED,
        )  # fmt: skip
        assert "A coordinator has looked at this return." in client.get(change_of(report)).content.decode()


def test_the_queue_page_shows_the_chain_to_the_coordinator(client: Client, trap: Trap) -> None:
    report = send(trap, liquid="soap")
    client.post(change_of(report), form_of(client, report))
    screen_received(most=10)
    new = Return.objects.get(amends=report)
    desk = client_of(make_coordinator())
    assert f'href="/queue/{new.uuid}/"' in desk.get(f"/queue/{report.uuid}/").content.decode()
    assert f'href="/queue/{report.uuid}/"' in desk.get(f"/queue/{new.uuid}/").content.decode()


def test_a_stranger_can_neither_see_nor_send_the_form(trap: Trap) -> None:
    report = send(trap)
    stranger = make_trap(site=make_site()).site.household.keeper
    for by, status in ((stranger, 404), (make_coordinator(), 404), (None, 302)):
        client = Client()
        if by:
            client.force_login(by)
        assert client.get(change_of(report)).status_code == status
        assert client.post(change_of(report), {"id": str(uuid.uuid4())}).status_code == status
    report.refresh_from_db()
    assert report.state == "received"


def test_a_form_from_another_site_changes_nothing(trap: Trap) -> None:
    report = send(trap)
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(trap.site.household.keeper)
    assert strict.post(change_of(report), {}).status_code == 403


def test_what_was_noted_is_set_into_the_form_as_words(client: Client, trap: Trap) -> None:
    report = send(trap, note="</textarea><script>alert(1)</script>")
    page = client.get(change_of(report)).content.decode()
    assert "<script>alert(1)" not in page
    assert "&lt;/textarea&gt;" in page


def test_the_pages_read_at_grade_five_or_below(client: Client, trap: Trap) -> None:
    report = send(trap)
    screen_received(most=10)
    pages = [client.get(address).content.decode() for address in (change_of(report), f"/my/returns/{report.uuid}/")]
    client.post(change_of(report), form_of(client, report))
    pages += [client.get(address).content.decode() for address in (change_of(report), "/my/returns/")]
    for page in pages:
        grade = grade_of(sentences_of(page))
        assert grade.grade <= 5.0, (grade, re.findall(r"<h1>.*?</h1>", page, re.DOTALL))
