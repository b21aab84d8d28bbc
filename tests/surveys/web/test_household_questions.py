"""Questions to a household on the pages: asked from the record, answered on the night's own page, without JavaScript."""

from __future__ import annotations

import pytest
from django.test import Client

from surveys.models import Account, Question, Return
from surveys.services.screening import screen_received
from surveys.web.starters import STARTERS
from tests.factories import ApiClient, client_of, make_coordinator, make_season, make_trap, return_payload, stored
from tests.surveys.web.sending import summary_links, title_of

pytestmark = pytest.mark.django_db(transaction=True)


def signed_in(account: Account) -> Client:
    return client_of(account)


@pytest.fixture
def report() -> Return:
    make_season()
    trap = make_trap()
    payload = return_payload(trap, liquid="soap")
    assert ApiClient(trap.site.household.keeper).send("returns", payload).status_code == 201
    screen_received(most=10)
    return stored(payload)


@pytest.fixture
def desk(report: Return) -> Client:
    return signed_in(make_coordinator("eastmark"))


@pytest.fixture
def family(report: Return) -> Client:
    return signed_in(report.trap.site.household.keeper)


def ask(desk: Client, report: Return, **given: str):
    return desk.post(f"/queue/{report.uuid}/ask", given)


def answer(family: Client, report: Return, text: str, question: int | None = None):
    number = question or Question.objects.get().pk
    return family.post(f"/my/returns/{report.uuid}/questions/{number}/answer", {"answer": text})


def test_a_question_goes_from_the_desk_to_the_family_and_its_answer_comes_back(
    desk: Client, family: Client, report: Return
) -> None:
    assert "Ask the household" in desk.get(f"/queue/{report.uuid}/").content.decode()
    assert ask(desk, report, starter="cup", question="What was it?").status_code == 302
    assert Question.objects.get().text == f"{STARTERS['cup']}\nWhat was it?"
    record = desk.get(f"/queue/{report.uuid}/").content.decode()
    assert "No answer yet." in record
    assert 'id="question"' not in record, "one question waits at a time"
    assert "The household has not answered yet" in desk.get("/queue/").content.decode()

    assert "Answer the question about 2 May 2026, trap 1" in family.get("/my/returns/").content.decode()
    page = family.get(f"/my/returns/{report.uuid}/").content.decode()
    assert "What was it?" in page
    assert answer(family, report, "A drop of soap.").headers["Location"] == f"/my/returns/{report.uuid}/"
    page = family.get(f"/my/returns/{report.uuid}/").content.decode()
    assert "A drop of soap." in page
    assert "Send my answer" not in page
    assert "Answer the question about" not in family.get("/my/returns/").content.decode()

    record = desk.get(f"/queue/{report.uuid}/").content.decode()
    assert "A drop of soap." in record
    assert 'id="question"' in record, "it still waits, so another one may be asked"
    assert "The household has answered" in desk.get("/queue/").content.decode()


@pytest.mark.parametrize(
    ("given", "target"),
    [
        ({}, "question"), ({"question": " \0 "}, "question"), ({"question": "x" * 501}, "question"),
        ({"starter": "cup", "question": "x" * 480}, "question"), ({"starter": "nothing of ours"}, "starter"),
    ],
)  # fmt: skip
def test_a_question_that_cannot_be_asked_is_shown_again_with_its_words(
    desk: Client, report: Return, given: dict[str, str], target: str
) -> None:
    found = ask(desk, report, **given)
    page = found.content.decode()
    assert found.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert summary_links(page) == [target]
    assert given.get("question", "").strip("\0 ") in page
    assert Question.objects.count() == 0


@pytest.mark.parametrize("text", ["", "  ", "\0", "x" * 501])
def test_an_answer_that_cannot_be_taken_is_shown_again(desk: Client, family: Client, report: Return, text: str) -> None:
    ask(desk, report, starter="cup")
    found = answer(family, report, text)
    page = found.content.decode()
    assert found.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert summary_links(page) == [f"answer-{Question.objects.get().pk}"]
    assert Question.objects.get().answered_at is None


def test_two_taps_ask_once_and_answer_once(desk: Client, family: Client, report: Return) -> None:
    assert [ask(desk, report, starter="cup").status_code for _ in range(2)] == [302, 302]
    assert [answer(family, report, "No.").status_code for _ in range(2)] == [302, 302]
    assert Question.objects.count() == 1
    refused = answer(family, report, "Yes.")
    assert refused.status_code == 422
    assert "Your first answer stands." in refused.content.decode()


def test_who_may_ask_and_who_may_answer(desk: Client, family: Client, report: Return) -> None:
    assert ask(family, report, starter="cup").status_code == 403
    assert ask(Client(), report, starter="cup").status_code == 302
    assert ask(signed_in(make_coordinator("westmark")), report, starter="cup").status_code == 404
    assert Question.objects.count() == 0
    ask(desk, report, starter="cup")
    stranger = signed_in(make_trap().site.household.keeper)
    for client, status in ((stranger, 404), (desk, 404), (Client(), 302)):
        assert answer(client, report, "No.").status_code == status
    assert answer(family, report, "No.", question=10**9).status_code == 404
    for address in (f"/queue/{report.uuid}/ask", f"/my/returns/{report.uuid}/questions/1/answer"):
        assert desk.get(address).status_code == 405
        strict = Client(enforce_csrf_checks=True)
        strict.force_login(report.trap.site.household.keeper)
        assert strict.post(address).status_code == 403


def test_hostile_words_are_shown_as_words(desk: Client, family: Client, report: Return) -> None:
    ask(desk, report, question="<script>alert(1)</script>")
    assert "<script>alert" not in family.get(f"/my/returns/{report.uuid}/").content.decode()
    answer(family, report, "<img src=x onerror=alert(2)>")
    for page in (family.get(f"/my/returns/{report.uuid}/"), desk.get(f"/queue/{report.uuid}/")):
        assert "<img src=x" not in page.content.decode()
        assert "&lt;img src=x" in page.content.decode()


def test_every_way_to_begin_fits_with_room_for_own_words() -> None:
    assert all(len(words) <= 100 for words in STARTERS.values())
    assert len(STARTERS) == len(set(STARTERS.values()))


def test_the_queue_costs_no_more_with_questions(desk: Client, report: Return, django_assert_max_num_queries) -> None:
    ask(desk, report, starter="cup")
    # Two for the queue, two beside it (questions, leases), two to count it, up to three for regions and reasons, and
    # five for session, account, factor and roles: as many as without a question.
    with django_assert_max_num_queries(14):
        desk.get("/queue/")
