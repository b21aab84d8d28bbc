"""One's own returns: the list in pages, one of them in kind words, taking one back."""

from __future__ import annotations

import re
import uuid

import pytest
from django.test import Client

from surveys.models import Trap
from surveys.queries.seasons import lists_of
from surveys.services.review import give_verdict
from surveys.services.screening import screen_received
from surveys.vocabulary import Decision, ReturnState, VerdictReason
from surveys.web import returns
from surveys.web.gentle_words import gentle_words
from surveys.web.kind_words import NEVER_ASKED, STATES, kind_words
from tests.factories import (
    make_coordinator,
    make_season,
    make_trap,
    send_return,
)

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def trap() -> Trap:
    make_season()
    return make_trap()


@pytest.fixture
def client(trap: Trap) -> Client:
    client = Client()
    client.force_login(trap.site.household.keeper)
    return client


def words_of(answer: object) -> str:
    """Return the words of a page without its tags, in one line."""
    page = answer.content.decode()  # type: ignore[attr-defined]
    return " ".join(re.sub(r"<[^>]+>", " ", page.split("<main")[1].split("</main>")[0]).split())


def test_somebody_who_sent_nothing_is_invited(client: Client) -> None:
    assert "You have sent nothing yet." in words_of(client.get("/my/returns/"))


def test_the_list_shows_own_returns_only_newest_first(client: Client, trap: Trap) -> None:
    older = send_return(trap)
    newer = send_return(trap, set_at="2026-05-09T17:00:00+00:00", emptied_at="2026-05-10T17:00:00+00:00")
    foreign = send_return(make_trap())
    page = client.get("/my/returns/").content.decode()
    assert page.index(str(newer.uuid)) < page.index(str(older.uuid))
    assert str(foreign.uuid) not in page
    assert "9 May 2026" in page


def test_a_long_list_is_walked_page_by_page_without_a_gap(client: Client, trap: Trap, monkeypatch) -> None:
    monkeypatch.setattr(returns, "PAGE_LENGTH", 2)
    sent = [str(send_return(trap).uuid) for _ in range(5)]
    seen: list[str] = []
    address = "/my/returns/"
    for _ in range(5):
        page = client.get(address).content.decode()
        seen += re.findall(r'<h2>\s*<a href="/my/returns/([0-9a-f-]{36})/"', page)
        following = re.search(r'href="(\?after=\d+)"', page)
        if following is None:
            break
        address = "/my/returns/" + following.group(1)
    assert seen == sent[::-1]


@pytest.mark.parametrize("after", ["²", "-1", "x", "9" * 40, "1.5", ""])
def test_a_page_key_that_is_none_shows_the_first_page(client: Client, trap: Trap, after: str) -> None:
    report = send_return(trap)
    answer = client.get("/my/returns/", {"after": after})
    assert answer.status_code == 200
    assert str(report.uuid) in answer.content.decode()


def test_every_state_has_words_for_what_happens_next() -> None:
    assert set(returns.NEXT) == set(ReturnState.values())


def test_the_page_cost_does_not_grow_with_the_list(client: Client, trap: Trap, django_assert_max_num_queries) -> None:
    for _ in range(3):
        send_return(trap)
    # Eight for the returns (surveys/queries/returns.py), two for questions, one each for open traps, two kinds of draft
    # and the season, three for session, account and roles.
    with django_assert_max_num_queries(17):
        client.get("/my/returns/")


def test_a_return_shows_what_was_sent_and_tells_no_answer_from_a_zero(client: Client, trap: Trap) -> None:
    catch = [
        {"group": "woodlice", "answer": "number", "count": 3},
        {"group": "spiders", "answer": "none_seen"},
        {"group": "centipedes", "answer": "could_not_tell"},
        {"group": "springtails", "answer": "class", "class": "c128up"},
    ]
    words = words_of(client.get(f"/my/returns/{send_return(trap, catch=catch).uuid}/"))
    for said in (
        "Woodlice 3", "Spiders none", "Centipedes could not tell", "Springtails 128 or more",
        "The trap was set just as we ask.", "It has arrived.",
    ):  # fmt: skip
        assert said in words
    assert "Millipedes" not in words  # nobody answered for them


def test_danger_comes_first_in_words_of_what_to_do(client: Client, trap: Trap) -> None:
    report = send_return(trap, liquid="preservative")
    words = words_of(client.get(f"/my/returns/{report.uuid}/"))
    safety = next(one for one in report.findings.all() if "safety" in one.marks)
    first = words.index("Look at this first")
    assert first < words.index(kind_words(safety)) < words.index("What you counted")
    assert words.index("The exact wording of the protocol") < words.index(safety.sentence)


@pytest.mark.parametrize(("liquid", "poison"), [("preservative", True), ("soap", False)])
def test_danger_says_whom_to_write_to_and_poison_whom_to_call(
    client: Client, trap: Trap, liquid: str, poison: bool
) -> None:
    words = words_of(client.get(f"/my/returns/{send_return(trap, liquid=liquid).uuid}/"))
    assert "Write to Test office: office@test.example" in words
    assert ("Call a vet, or your poison line or emergency number, now." in words) == poison


@pytest.mark.parametrize("screened", [False, True])
@pytest.mark.parametrize("liquid", ["preservative", "soap"])
def test_a_danger_is_not_told_that_it_may_be_right(client: Client, trap: Trap, liquid: str, screened: bool) -> None:
    report = send_return(trap, liquid=liquid)
    if screened:
        screen_received(most=10)
    words = words_of(client.get(f"/my/returns/{report.uuid}/"))
    assert "Thank you for telling us. Read the box below first." in words
    assert "may be right" not in words
    assert "You need not do a thing" not in words


def test_a_return_without_danger_asks_nobody_to_write(client: Client, trap: Trap) -> None:
    assert "Write to Test office" not in words_of(client.get(f"/my/returns/{send_return(trap).uuid}/"))


def test_a_waiting_return_says_why_gently(client: Client, trap: Trap) -> None:
    report = send_return(trap, liquid="soap")
    screen_received(most=10)
    report.refresh_from_db()
    assert report.state == "queried"
    words = words_of(client.get(f"/my/returns/{report.uuid}/"))
    reason = report.queries.first()
    assert reason is not None
    assert words.count(gentle_words(reason, lists_of(report.season))) == 1, "once, where the danger is told"
    assert "Why it waits" not in words
    assert "A coordinator looks at this return before others." in words


def test_a_return_that_waits_without_danger_says_why(client: Client, trap: Trap) -> None:
    report = send_return(trap, emptied_at="2026-05-01T17:00:00+00:00")  # before it was set: protocol 1, time_order
    screen_received(most=10)
    report.refresh_from_db()
    assert report.state == "queried"
    words = words_of(client.get(f"/my/returns/{report.uuid}/"))
    assert words.count("Why it waits") == 1
    assert words.count("The trap was emptied before it was set. Look at both") == 1, "not once more below"


def test_many_groups_of_which_none_was_seen_stand_in_one_fold_below_the_counted_ones(
    client: Client, trap: Trap
) -> None:
    none = ["spiders", "centipedes", "millipedes", "springtails"]
    catch = [
        {"group": "woodlice", "answer": "number", "count": 3},
        {"group": "ground_beetles", "answer": "did_not_look"},
        *({"group": group, "answer": "none_seen"} for group in none),
    ]
    words = words_of(client.get(f"/my/returns/{send_return(trap, catch=catch).uuid}/"))
    assert "Spiders none" not in words
    assert words.index("Woodlice 3") < words.index("Saw none: 4 kinds") < words.index("Centipedes")
    few = words_of(client.get(f"/my/returns/{send_return(trap, catch=catch[:-1]).uuid}/"))
    assert "Spiders none" in few
    assert "Saw none" not in few


def test_a_family_is_not_told_of_an_answer_that_no_form_asks_for(client: Client, trap: Trap) -> None:
    assert list(NEVER_ASKED) == ["hole_reuse"]
    report = send_return(trap, hole_reuse=None)
    assert report.standing == "adjusted"  # protocol version 1, hole_reuse: unknown is a covariate
    for address, words in (
        ("/my/returns/", "Set just as we ask."),
        (f"/my/returns/{report.uuid}/", "All that you told us about the trap is just as we ask."),
    ):
        told = words_of(client.get(address))
        assert words in told
        assert "hole" not in told


def test_what_was_not_told_stands_apart_from_what_to_do_next_time(client: Client, trap: Trap) -> None:
    report = send_return(trap, colour=None, rain="heavy", material="glass")
    page = words_of(client.get(f"/my/returns/{report.uuid}/"))
    assert page.index("1 small note") < page.index("Glass can break")
    assert page.index("Glass can break") < page.index("Things that you did not tell us (all optional)")
    assert page.index("Things that you did not tell us") < page.index("We do not know the colour of your cup.")


def test_lists_of_a_family_speak_its_words_and_not_the_desk_s(client: Client, trap: Trap) -> None:
    assert set(STATES) == set(ReturnState.values())
    send_return(trap, mouth_mm=140)
    screen_received(most=10)
    send_return(trap, liquid="soap", set_at="2026-05-09T17:00:00+00:00", emptied_at="2026-05-10T17:00:00+00:00")
    screen_received(most=10)
    for address in ("/my/returns/", f"/my/traps/{trap.public_id}/"):
        words = words_of(client.get(address)).lower()
        assert "waiting for a coordinator" in words
        assert "kept, not in the figures" in words
        for desk in ("queried", "off protocol", "standing"):
            assert desk not in words


def test_a_verdict_is_told_with_its_reason_and_not_with_its_note(client: Client, trap: Trap) -> None:
    report = send_return(trap, liquid="soap")
    screen_received(most=10)
    report.refresh_from_db()
    give_verdict(
        by=make_coordinator(), uuid=report.uuid, version=report.version, decision=Decision.DISCOUNTED,
        reason=VerdictReason.LIQUID_USED, note="for colleagues only",
    )  # fmt: skip
    words = words_of(client.get(f"/my/returns/{report.uuid}/"))
    assert "set it aside" in words
    assert "liquid or bait in the cup" in words
    assert "for colleagues only" not in words


@pytest.mark.parametrize("method", ["get", "post"])
def test_a_return_of_somebody_else_is_not_there(client: Client, trap: Trap, method: str) -> None:
    foreign = send_return(make_trap())
    address = f"/my/returns/{foreign.uuid}/" + ("withdraw" if method == "post" else "")
    assert getattr(client, method)(address).status_code == 404
    assert getattr(client, method)(address.replace(str(foreign.uuid), str(uuid.uuid4()))).status_code == 404
    foreign.refresh_from_db()
    assert foreign.state == "received"


def test_taking_a_return_back_needs_a_form_and_twice_does_no_harm(client: Client, trap: Trap) -> None:
    report = send_return(trap)
    address = f"/my/returns/{report.uuid}/withdraw"
    assert client.get(address).status_code == 405
    for _ in range(2):
        answer = client.post(address, follow=True)
        assert answer.status_code == 200
        assert "You took this return back." in words_of(answer)
    report.refresh_from_db()
    assert (report.state, report.version) == ("withdrawn", 2)
    assert "Take it back" not in words_of(client.get(f"/my/returns/{report.uuid}/"))


def test_a_form_from_another_site_takes_nothing_back(trap: Trap) -> None:
    report = send_return(trap)
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(trap.site.household.keeper)
    assert strict.post(f"/my/returns/{report.uuid}/withdraw").status_code == 403
    report.refresh_from_db()
    assert report.state == "received"


def test_what_a_family_wrote_is_shown_as_words_and_never_as_a_page(client: Client, trap: Trap) -> None:
    report = send_return(trap, note="<script>alert(1)</script>")
    assert "<script>alert(1)" not in client.get(f"/my/returns/{report.uuid}/").content.decode()


def test_a_return_off_protocol_is_never_told_that_it_counts(client: Client, trap: Trap) -> None:
    report = send_return(trap, mouth_mm=140)  # protocol version 1, mouth_width: 60 to 100 mm
    screen_received(most=10)
    report.refresh_from_db()
    assert (report.state, report.standing) == ("standing", "off_protocol")
    for address in ("/my/returns/", f"/my/returns/{report.uuid}/"):
        words = words_of(client.get(address))
        assert "It counts" not in words
        assert str(returns.KEPT_ONLY) in words
