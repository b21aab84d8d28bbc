"""The queue, one record of it, and the verdict."""

from __future__ import annotations

import re

import pytest
from django.test import Client

from surveys.models import Account, Correction, Query, Return, Verdict
from surveys.services.screening import screen_received
from surveys.web import queue as queue_pages
from tests.factories import (
    client_of,
    make_coordinator,
    make_season,
    make_site,
    make_trap,
    send_return,
)
from tests.surveys.web.sending import boxes, summary_links, title_of

pytestmark = pytest.mark.django_db(transaction=True)

TENFOLD = [
    {"group": "woodlice", "answer": "number", "count": 3},
    {"group": "ground_beetles", "answer": "number", "count": 40},
    {"group": "spiders", "answer": "number", "count": 2},
]


def screened(*reports: Return) -> None:
    """Screen what was sent, and see that it waits."""
    screen_received(most=100)
    for report in reports:
        report.refresh_from_db()
        assert report.state == "queried"


@pytest.fixture
def coordinator() -> Account:
    make_season()
    return make_coordinator("eastmark")


@pytest.fixture
def client(coordinator: Account) -> Client:
    return client_of(coordinator)


@pytest.fixture
def waiting(coordinator: Account) -> Return:
    """A return with a count ten times too high."""
    report = send_return(make_trap(), catch=TENFOLD)
    screened(report)
    return report


def address(report: Return) -> str:
    return f"/queue/{report.uuid}/"


def verdict(report: Return, **changes: str) -> dict[str, str]:
    """Return the boxes of a verdict that lets it stand."""
    return {"version": str(report.version), "decision": "upheld", "reason": "plausible_night", **changes}


def listed(page: str) -> list[str]:
    return re.findall(r'href="/queue/([0-9a-f-]{36})/"', page)


def test_an_empty_queue_says_so(client: Client) -> None:
    page = client.get("/queue/").content.decode()
    assert "Nothing waits." in page
    assert "0 returns wait for you." in page


def test_danger_comes_first_whatever_came_first(client: Client, waiting: Return) -> None:
    poison = send_return(make_trap(), liquid="preservative")
    screened(poison)
    page = client.get("/queue/").content.decode()
    assert listed(page) == [str(poison.uuid), str(waiting.uuid)]
    assert "Danger: look at this first" in page.split(str(poison.uuid))[0]
    assert "2 returns wait for you." in page


def test_the_list_names_the_reason_the_alias_the_region_and_the_night(client: Client, waiting: Return) -> None:
    page = client.get("/queue/").content.decode()
    first = Query.objects.filter(report=waiting).order_by("position").first()
    assert first is not None
    for words in (first.sentence, waiting.trap.site.household.alias, "Eastmark", "2 May 2026"):
        assert words in page
    assert waiting.trap.site.household.keeper.email not in page


def test_the_queue_is_walked_page_by_page_without_a_gap(client: Client, monkeypatch) -> None:
    sent = [send_return(make_trap(), liquid="soap") for _ in range(5)]
    screened(*sent)
    monkeypatch.setattr(queue_pages, "PAGE_LENGTH", 2)
    seen: list[str] = []
    path = "/queue/"
    for _ in range(4):
        page = client.get(path).content.decode()
        seen += listed(page)
        following = re.search(r'href="(\?after=[^"]+)"', page)
        if following is None:
            break
        path = "/queue/" + following.group(1)
    assert len(seen) == 5
    assert set(seen) == {str(report.uuid) for report in sent}


@pytest.mark.parametrize("after", ["x", "WzEsMiwzXQ:1abc:zzz", "²", "\x00"])
def test_a_page_key_that_nobody_gave_out_leads_to_the_top(client: Client, after: str) -> None:
    answer = client.get("/queue/", {"after": after})
    assert (answer.status_code, answer["Location"]) == (302, "/queue/")


def test_a_coordinator_of_another_region_sees_and_decides_nothing(waiting: Return) -> None:
    other = client_of(make_coordinator("westmark"))
    assert listed(other.get("/queue/").content.decode()) == []
    assert other.get(address(waiting)).status_code == 404
    assert other.post(address(waiting), verdict(waiting)).status_code == 404
    assert Verdict.objects.count() == 0


def test_the_sender_may_not_come_to_the_queue(waiting: Return) -> None:
    sender = Client()
    sender.force_login(waiting.trap.site.household.keeper)
    assert sender.get("/queue/").status_code == 403
    assert sender.post(address(waiting), verdict(waiting)).status_code == 403
    assert Verdict.objects.count() == 0


def test_a_record_shows_why_it_waits_with_a_drawing_and_what_was_sent(client: Client, waiting: Return) -> None:
    page = client.get(address(waiting)).content.decode()
    reason = Query.objects.filter(report=waiting).order_by("position").first()
    assert reason is not None
    assert reason.sentence.replace("'", "&#x27;") in page
    figure = page.split("<figure>")[1].split("</figure>")[0]
    assert "Ground beetles: 40 sent, most such traps have up to" in figure
    assert 'class="sent"' in figure
    assert "style=" not in page  # the content policy lets no style into the page
    for words in (
        "Woodlice",
        "2 May 2026, 17:00",
        "3 May 2026, 17:00",
        "such as 2026-05-02 17:00",
        "level with the soil, or up to 2 mm below",
    ):
        assert words in page
    point = waiting.trap.site.point
    assert f"{point.latitude:.4f}" not in page


def test_letting_it_stand_is_put_on_record_and_leads_to_the_next(
    client: Client, waiting: Return, coordinator: Account
) -> None:
    poison = send_return(make_trap(), liquid="preservative")
    screened(poison)
    answer = client.post(address(waiting), verdict(waiting, note="A warm night.", reason="plausible_night"))
    assert (answer.status_code, answer["Location"]) == (302, address(poison))
    waiting.refresh_from_db()
    assert waiting.state == "upheld"
    given = Verdict.objects.get()
    assert (given.by, given.decision, given.reason, given.note) == (
        coordinator, "upheld", "plausible_night", "A warm night.",
    )  # fmt: skip
    last = client.post(address(poison), verdict(poison, decision="discounted", reason="liquid_used"))
    assert last["Location"] == "/queue/"
    poison.refresh_from_db()
    assert poison.state == "discounted"


def test_a_correction_stands_beside_what_was_sent(client: Client, waiting: Return) -> None:
    decision = verdict(waiting, decision="corrected", reason="count_slip", c_ground_beetles="4", c_spiders="0")
    assert client.post(address(waiting), decision).status_code == 302
    waiting.refresh_from_db()
    assert waiting.state == "corrected"
    made = {one.group.code: (one.answer, one.low, one.high) for one in Correction.objects.select_related("group")}
    assert made == {"ground_beetles": ("number", 4, 4), "spiders": ("none_seen", 0, 0)}
    assert {one.group.code: one.low for one in waiting.catches.select_related("group")}["ground_beetles"] == 40
    page = client.get(address(waiting)).content.decode()
    assert "Corrected to" in page
    assert 'name="decision"' not in page
    family = Client()
    family.force_login(waiting.trap.site.household.keeper)
    theirs = " ".join(re.sub(r"<[^>]+>", " ", family.get(f"/my/returns/{waiting.uuid}/").content.decode()).split())
    assert "Ground beetles 40 4" in theirs


WRONG = {
    "no decision": ({"decision": ""}, ["decision"]),
    "a decision that is none": ({"decision": "burn"}, ["decision"]),
    "no reason": ({"reason": ""}, ["reason"]),
    "neither": ({"decision": "", "reason": "whim"}, ["decision", "reason"]),
    "a count in words": ({"decision": "corrected", "c_spiders": "two"}, ["c_spiders"]),
    "a count with a sign": ({"decision": "corrected", "c_spiders": "-2"}, ["c_spiders"]),
    "a count beyond a cup": ({"decision": "corrected", "c_spiders": "100001"}, ["c_spiders"]),
    "a long note": ({"note": "m" * 501}, ["note"]),
    "nothing to correct": ({"decision": "corrected"}, []),
    "a number beside letting it stand": ({"c_spiders": "4"}, []),
    "a group that was not sent": ({"decision": "corrected", "c_millipedes": "4"}, []),
    "a group that is none": ({"decision": "corrected", "c_\x00": "4"}, []),
    "no version": ({"version": ""}, []),
    "a version that is none": ({"version": "²"}, []),
}


@pytest.mark.parametrize(("change", "targets"), WRONG.values(), ids=WRONG.keys())
def test_each_wrong_answer_is_named_kept_and_decides_nothing(
    client: Client, waiting: Return, change: dict[str, str], targets: list[str]
) -> None:
    sent = verdict(waiting, **change)
    answer = client.post(address(waiting), sent)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert summary_links(page) == targets
    assert all(f'id="{target}"' in page for target in targets)
    came = boxes(page)
    for name in ("note", "c_spiders"):
        assert came[name] == sent.get(name, "")
    assert Verdict.objects.count() == 0
    waiting.refresh_from_db()
    assert waiting.state == "queried"


def test_somebody_who_was_faster_is_not_written_over(client: Client, waiting: Return) -> None:
    colleague = client_of(make_coordinator())
    assert colleague.post(address(waiting), verdict(waiting)).status_code == 302
    answer = client.post(address(waiting), verdict(waiting, decision="discounted", reason="not_explained"))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "Somebody else has worked on this return" in page
    assert "let it stand" in page.lower()  # what the colleague decided is in sight
    assert Verdict.objects.count() == 1
    waiting.refresh_from_db()
    assert waiting.state == "upheld"


def test_times_stand_in_the_time_zone_of_the_season() -> None:
    make_season(time_zone="Europe/Lisbon")
    client = client_of(make_coordinator("eastmark"))
    report = send_return(make_trap(), catch=TENFOLD)
    screened(report)
    # 17:00 UTC on 2 May is 18:00 in Lisbon (tz database, rule EU).
    assert "2 May 2026, 18:00" in client.get(address(report)).content.decode()


def test_the_cost_of_the_queue_does_not_grow_with_it(client: Client, django_assert_max_num_queries) -> None:
    sent = [send_return(make_trap(site=make_site()), liquid="soap") for _ in range(4)]
    screened(*sent)
    # Two for the list, two beside it, two to count it, up to three for the regions, five for session, account and roles.
    with django_assert_max_num_queries(14):
        client.get("/queue/")
