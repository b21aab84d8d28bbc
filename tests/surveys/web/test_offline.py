"""The page in the garden: its shell, its worker, one's own list, and what it sends."""

from __future__ import annotations

import inspect
import json
import re
from datetime import timedelta
from itertools import product
from typing import Any
from uuid import uuid4

import pytest
from django.test import Client
from django.utils import timezone

from surveys.models import Account, Event, Opening, Return, Trap
from surveys.permissions import Rule
from surveys.queries.seasons import current_season, lists_of
from surveys.services.openings import SentOpening, set_trap
from surveys.web import emptying_words, offline, offline_shell
from surveys.web.asked import EMPTY_QUESTIONS, SET_QUESTIONS
from tests.factories import NOBODYS, make_household, make_season, make_site, make_trap

pytestmark = pytest.mark.django_db

SEND, LIST = "/in-the-garden/send", "/in-the-garden/list"


@pytest.fixture
def trap() -> Trap:
    """A trap in an open season."""
    make_season()
    return make_trap()


def client_of(trap: Trap, **given: Any) -> Client:
    client = Client(raise_request_exception=False, **given)
    client.force_login(trap.site.household.keeper)
    return client


def moment(name: str, hours_ago: float) -> dict[str, str]:
    at = timezone.now() - timedelta(hours=hours_ago)
    return {
        f"{name}_day": str(at.day), f"{name}_month": str(at.month), f"{name}_year": str(at.year),
        f"{name}_time": f"{at:%H:%M}",
    }  # fmt: skip


CUP = {
    "mouth_mm": "75", "rim": "flush", "cover": "present", "refuge": "moss_or_grass", "liquid": "nothing",
    "settled_h": "48",
}  # fmt: skip


def setting(trap: Trap, /, **changes: str) -> dict[str, str]:
    """Return the flat answers about a trap that was set a day ago."""
    return {"trap": str(trap.public_id), **moment("set", 24), **CUP, **changes}


def emptying(opening: str, /, **changes: str) -> dict[str, str]:
    """Return the flat answers about a trap that was emptied just now."""
    return {
        "opening": opening, **moment("emptied", 0), "trap_state": "intact", "looks": "dusk_and_dawn", "rain": "dry",
        "vertebrate_seen": "no", "n_woodlice": "3", "a_spiders": "none_seen", "release": "within_the_hour",
        "closing": "lidded", **changes,
    }  # fmt: skip


def send(client: Client, kind: str, answers: dict[str, Any], uuid: str | None = None) -> Any:
    body = {"kind": kind, "uuid": uuid or str(uuid4()), "answers": answers}
    return client.post(SEND, json.dumps(body), content_type="application/json")


def opened(trap: Trap) -> Opening:
    sent = SentOpening(uuid4(), trap.public_id, timezone.now() - timedelta(hours=24), {"rim": "flush"})
    return set_trap(by=trap.site.household.keeper, sent=sent)


# --- the shell ---------------------------------------------------------------------------------


def test_the_shell_says_nothing_about_whoever_asks(trap: Trap) -> None:
    mine, theirs, nobodys = client_of(trap), client_of(make_trap()), Client()
    pages = {client.get("/in-the-garden/").content for client in (mine, theirs, nobodys)}
    assert len(pages) == 1
    (page,) = pages
    assert str(trap.public_id).encode() not in page
    assert b"csrf" not in page


def test_the_shell_holds_every_question_in_order_and_in_its_own_words(trap: Trap) -> None:
    page = Client().get("/in-the-garden/").content.decode()
    for kind, questions in (("set", SET_QUESTIONS), ("empty", EMPTY_QUESTIONS)):
        form = page.split(f'data-job="{kind}"')[1].split("</form>")[0]
        assert re.findall(r'data-question="(\w+)"', form) == [one.name for one in questions]
        assert re.findall(r'<h1 tabindex="-1">([^<]+)</h1>', form) == [str(one.heading) for one in questions]


def test_the_shell_says_how_to_handle_animals_and_what_a_liquid_does(trap: Trap) -> None:
    page = Client().get("/in-the-garden/").content.decode()
    assert page.index("Use a soft brush or a spoon, not your fingers.") < page.index('data-row="')
    assert 'data-liquids="beer food_bait other preservative soap"' in page
    assert page.count("Put the lid on the cup now and keep children and pets away.") == 2  # its own page, all answers


def test_an_empty_answer_is_told_in_the_words_of_the_reader(trap: Trap) -> None:
    jobs = {job.kind: job for job in offline_shell.jobs_of(lists_of(current_season()))}
    told = {blank.name: blank.missing for question in jobs["set"].questions for blank in question.blanks}
    answer = send(client_of(trap), "set", {})
    assert answer.status_code == 422
    assert answer.json()["faults"] == {name: said for name, said in told.items() if said}


def test_what_makes_a_question_needless_is_found_from_its_own_rule() -> None:
    """By hand, from the rules: a told setting is not asked again, a lost trap has no catch."""
    found = {one.name: offline_shell.skipped_where(one, EMPTY_QUESTIONS) for one in EMPTY_QUESTIONS}
    lost = ["trap_state=water_in", "trap_state=dug_up", "trap_state=kicked"]
    assert found["rim"] == found["set"] == found["trap"] == ["opening=told"]
    assert [one for one in found["tally"] if one in lost] == lost
    assert "trap_state=water_in" not in found["release"]
    assert found["opening"] == found["emptied"] == found["note"] == []


def test_no_question_depends_on_two_answers_at_once() -> None:
    """The script skips a question for one answer alone: for every pair of answers it does what the rule does."""
    choices = [(one.name, value) for one in EMPTY_QUESTIONS if one.kind == "choice" for value, _words in one.options]
    choices += [("opening", "told"), ("opening", "untold")]
    for asked in EMPTY_QUESTIONS:
        alone = set(offline_shell.skipped_where(asked, EMPTY_QUESTIONS))
        for (name, value), (other, second) in product(choices, choices):
            if name != other:
                by_script = f"{name}={value}" in alone or f"{other}={second}" in alone
                assert asked.skip({name: value, other: second}) == by_script, (asked.name, name, value, other, second)


def test_the_word_for_a_short_opening_is_that_of_the_page_with_a_signal() -> None:
    joined = re.sub(r'"\s*"', "", inspect.getsource(emptying_words.early_words))
    assert offline_shell.EARLY in joined


def test_without_a_season_the_shell_says_so() -> None:
    answer = Client().get("/in-the-garden/")
    assert answer.status_code == 200
    assert "No season is open yet." in answer.content.decode()


# --- the worker and the manifest ------------------------------------------------------------------


def told_to_worker(client: Client) -> dict[str, Any]:
    text = client.get("/worker.js").content.decode()
    found: dict[str, Any] = json.loads(text[len("const SHELL = ") : text.index("};") + 1])
    return found


def test_the_worker_is_a_script_for_the_whole_address_and_is_asked_for_anew(trap: Trap) -> None:
    answer = Client().get("/worker.js")
    assert answer["Content-Type"] == "text/javascript; charset=utf-8"
    assert answer["Cache-Control"] == "no-cache"
    assert answer["Service-Worker-Allowed"] == "/"


def test_the_worker_keeps_every_file_of_the_shell_and_each_is_there(trap: Trap) -> None:
    told = told_to_worker(Client())
    page = Client().get("/in-the-garden/").content.decode()
    assert set(re.findall(r'(?:src|href)="(/static/[^"]+)"', page)) <= set(told["files"])
    taken_in = re.findall(r'from "\./(\w+\.js)"', (offline_shell._STATIC / "surveys/js/offline.js").read_text())
    assert {f"/static/surveys/js/{name}" for name in taken_in} <= set(told["files"])
    for address in told["files"]:
        if address.startswith("/static/"):
            assert (offline_shell._STATIC / address.removeprefix("/static/")).is_file(), address
        else:
            assert Client().get(address).status_code == 200, address


def test_the_worker_is_the_same_for_everybody_and_new_with_any_word_of_the_page(
    trap: Trap, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = told_to_worker(Client())["version"]
    assert told_to_worker(client_of(trap))["version"] == before
    monkeypatch.setattr(offline_shell, "EARLY", "Another word.")
    assert told_to_worker(Client())["version"] != before


def test_a_changed_file_makes_a_new_version(tmp_path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(offline_shell, "_STATIC", tmp_path)
    (tmp_path / "a.css").write_text("a")
    before = offline_shell.shell_version("page", ["/static/a.css"])
    (tmp_path / "a.css").write_text("b")
    assert offline_shell.shell_version("page", ["/static/a.css"]) != before
    assert offline_shell.shell_version("other", ["/static/a.css"]) != offline_shell.shell_version("page", [])


def test_the_manifest_names_the_page_and_icons_of_our_own(trap: Trap) -> None:
    answer = Client().get("/manifest.webmanifest")
    assert answer["Content-Type"].startswith("application/manifest+json")
    manifest = json.loads(answer.content)
    assert manifest["start_url"] == "/in-the-garden/"
    assert {one["purpose"] for one in manifest["icons"]} == {"any", "maskable"}
    for icon in manifest["icons"]:
        source = offline_shell._STATIC / icon["src"].removeprefix("/static/")
        assert source.is_file()
        if icon["type"] == "image/png":
            header = source.read_bytes()[:24]
            width, height = int.from_bytes(header[16:20], "big"), int.from_bytes(header[20:24], "big")
            assert f"{width}x{height}" == icon["sizes"]


# --- one's own list ---------------------------------------------------------------------------------


def test_the_list_holds_ones_own_traps_and_open_settings_and_no_place(trap: Trap) -> None:
    opening = opened(trap)
    make_trap()
    answer = client_of(trap).get(LIST)
    assert answer.status_code == 200
    assert answer["Cache-Control"] == "no-store"
    found = answer.json()
    assert found["traps"] == [
        {
            "id": str(trap.public_id), "site": 1, "number": trap.number, "habitat": "Short lawn", "code": trap.code,
            "words": f"Site 1, trap {trap.number}: Short lawn",
        }
    ]  # fmt: skip
    assert [(one["id"], one["trap"]) for one in found["open"]] == [(str(opening.uuid), str(trap.public_id))]
    assert set(found["open"][0]) == {"id", "trap", "set_at"}
    assert "51.5" not in answer.content.decode()
    assert "-17.5" not in answer.content.decode()


def test_the_mark_of_an_account_says_nothing_about_it_and_is_its_own(trap: Trap) -> None:
    keeper = trap.site.household.keeper
    marks = [client_of(one).get(LIST).json()["who"] for one in (trap, trap, make_trap())]
    assert marks[0] == marks[1] != marks[2]
    assert str(keeper.pk) != marks[0]
    assert keeper.email not in marks[0]


def test_a_list_of_many_traps_costs_no_more_queries(trap: Trap, django_assert_max_num_queries: Any) -> None:
    for _ in range(12):
        opened(make_trap(site=trap.site))
    client = client_of(trap)
    with django_assert_max_num_queries(5):
        assert len(client.get(LIST).json()["open"]) == 12


def test_the_token_of_the_list_is_what_sending_asks_for(trap: Trap) -> None:
    client = client_of(trap, enforce_csrf_checks=True)
    assert send(client, "set", setting(trap)).status_code == 403
    token = client.get(LIST).json()["csrf"]
    body = {"kind": "set", "uuid": str(uuid4()), "answers": setting(trap)}
    answer = client.post(SEND, json.dumps(body), content_type="application/json", headers={"X-CSRFToken": token})
    assert answer.json()["outcome"] == "taken"


@pytest.mark.parametrize("address", [LIST, SEND])
def test_somebody_who_is_not_signed_in_is_told_so_in_json(address: str) -> None:
    client = Client()
    answer = client.get(address) if address == LIST else client.post(address, "{}", content_type="application/json")
    assert (answer.status_code, answer.json()) == (401, {"outcome": "sign_in"})
    assert answer["Cache-Control"] == "no-store"


def test_an_account_that_is_closed_is_not_signed_in(trap: Trap) -> None:
    client = client_of(trap)
    Account.objects.update(is_active=False)
    assert client.get(LIST).status_code == 401


def test_each_address_names_its_rule() -> None:
    rules = {pattern.name: pattern.callback.rule for pattern in offline.urlpatterns}
    assert rules == {
        "in-the-garden": Rule.ANYONE, "field-list": Rule.SIGNED_IN, "field-send": Rule.SIGNED_IN,
        "service-worker": Rule.ANYONE, "web-manifest": Rule.ANYONE,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("address", "wrong"),
    [
        ("/in-the-garden/", "post"),
        (LIST, "post"),
        (SEND, "get"),
        ("/worker.js", "post"),
        ("/manifest.webmanifest", "put"),
    ],
)
def test_each_address_takes_its_own_methods_only(trap: Trap, address: str, wrong: str) -> None:
    assert getattr(client_of(trap), wrong)(address).status_code == 405


# --- sending ------------------------------------------------------------------------------------------


def test_a_setting_is_taken_and_the_same_again_changes_nothing(trap: Trap) -> None:
    client, number, answers = client_of(trap), str(uuid4()), setting(trap)
    first, second = send(client, "set", answers, number), send(client, "set", answers, number)
    assert (first.status_code, first.json()) == (second.status_code, second.json())
    assert first.json()["outcome"] == "taken"
    assert first.json()["where"] == f"/my/traps/open/{number}/"
    assert Opening.objects.get().answers["settled_h"] == 48
    assert Event.objects.filter(verb="trap set").count() == 1


def test_a_count_is_taken_once_ends_its_setting_and_says_what_counted(trap: Trap) -> None:
    opening, client, number = opened(trap), client_of(trap), str(uuid4())
    answers = emptying(str(opening.uuid))
    first, second = send(client, "empty", answers, number), send(client, "empty", answers, number)
    assert first.json() == second.json()
    report = Return.objects.get()
    assert first.json()["where"] == f"/my/returns/{number}/"
    assert first.json()["told"] == str(offline.COUNTED[report.standing])
    opening.refresh_from_db()
    assert (opening.report, opening.ending) == (report, "emptied")


def test_a_count_of_an_untold_setting_is_taken(trap: Trap) -> None:
    answers = {**setting(trap), **emptying("untold")}
    assert send(client_of(trap), "empty", answers).json()["outcome"] == "taken"
    assert Return.objects.get().trap == trap
    assert Opening.objects.count() == 0


def test_another_content_under_the_same_id_is_a_conflict_and_the_first_is_kept(trap: Trap) -> None:
    opening, client, number = opened(trap), client_of(trap), str(uuid4())
    send(client, "empty", emptying(str(opening.uuid)), number)
    answer = send(client, "empty", emptying(str(opening.uuid), n_woodlice="4"), number)
    assert (answer.status_code, answer.json()["outcome"]) == (409, "conflict")
    assert answer.json()["where"] == f"/my/returns/{number}/"
    assert Return.objects.count() == 1


def test_a_second_return_about_one_setting_is_a_conflict_that_leads_to_the_first(trap: Trap) -> None:
    opening, client, first = opened(trap), client_of(trap), str(uuid4())
    send(client, "empty", emptying(str(opening.uuid)), first)
    answer = send(client, "empty", emptying(str(opening.uuid)))
    assert (answer.status_code, answer.json()["outcome"]) == (409, "conflict")
    assert answer.json()["where"] == f"/my/returns/{first}/"
    assert Return.objects.count() == 1


def test_a_trap_that_is_open_already_is_said_at_the_trap(trap: Trap) -> None:
    opened(trap)
    answer = send(client_of(trap), "set", setting(trap))
    assert (answer.status_code, answer.json()["outcome"]) == (422, "faults")
    assert "open already" in answer.json()["faults"]["trap"]
    assert Opening.objects.count() == 1


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("mouth_mm", "wide"), ("mouth_mm", "100000"), ("rim", "on the moon"), ("cover", ""), ("liquid", "unknown"),
        ("set_time", "25:00"), ("set_day", "31x"), ("settled_h", "-1"), ("trap", "not an id"), ("trap", str(NOBODYS)),
    ],
)  # fmt: skip
def test_each_wrong_answer_of_a_setting_is_said_at_its_question(trap: Trap, field: str, value: str) -> None:
    answer = send(client_of(trap), "set", setting(trap, **{field: value}))
    assert (answer.status_code, answer.json()["outcome"]) == (422, "faults")
    assert list(answer.json()["faults"]) == [field]
    assert answer.json()["sentence"]
    assert Opening.objects.count() == 0


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("opening", ""), ("opening", "not an id"), ("opening", str(NOBODYS)), ("trap_state", ""), ("looks", "twice"),
        ("emptied_time", "late"), ("n_woodlice", "lots"), ("n_woodlice", "999999999"), ("closing", ""),
        ("vertebrate_seen", "unknown"), ("note", "x" * 501),
    ],
)  # fmt: skip
def test_each_wrong_answer_of_a_count_is_said_at_its_question(trap: Trap, field: str, value: str) -> None:
    opening = opened(trap)
    answer = send(client_of(trap), "empty", emptying(str(opening.uuid), **{field: value}))
    assert (answer.status_code, answer.json()["outcome"]) == (422, "faults")
    assert list(answer.json()["faults"]) == [field]
    assert Return.objects.count() == 0


def test_somebody_elses_trap_and_setting_are_not_there(trap: Trap) -> None:
    opening, stranger = opened(trap), client_of(make_trap())
    assert list(send(stranger, "set", setting(trap)).json()["faults"]) == ["trap"]
    assert list(send(stranger, "empty", emptying(str(opening.uuid))).json()["faults"]) == ["opening"]
    assert list(send(stranger, "empty", {**setting(trap), **emptying("untold")}).json()["faults"]) == ["trap"]
    assert Return.objects.count() == 0


def test_somebody_elses_id_does_not_give_their_return_away(trap: Trap) -> None:
    opening, number = opened(trap), str(uuid4())
    send(client_of(trap), "empty", emptying(str(opening.uuid)), number)
    other = make_trap()
    answer = send(client_of(other), "empty", {**setting(other), **emptying("untold")}, number)
    assert answer.json()["outcome"] in ("conflict", "faults")
    assert "/my/returns/" not in answer.content.decode()
    assert Return.objects.count() == 1


def test_a_season_that_is_over_keeps_the_draft(trap: Trap) -> None:
    from surveys.models import Season

    Season.objects.update(state="closed")
    answer = send(client_of(trap), "set", setting(trap))
    assert (answer.status_code, answer.json()["outcome"]) == (422, "faults")
    assert answer.json()["faults"] == {}
    assert answer.json()["sentence"]


def test_without_any_season_nothing_is_taken() -> None:
    client = Client()
    client.force_login(make_household().keeper)
    answer = send(client, "set", {})
    assert (answer.status_code, answer.json()["outcome"]) == (422, "faults")


BODIES: list[tuple[str, int]] = [
    ("", 415), ("{", 400), ("null", 400), ("[]", 400), ('"text"', 400), ("7", 400), ("{}", 400), ("[" * 20_000, 400),
    ('{"kind": "set", "uuid": "x", "answers": {}}', 400),
    (f'{{"kind": "set", "uuid": "{uuid4()}"}}', 400),
    (f'{{"kind": "set", "uuid": "{uuid4()}", "answers": []}}', 400),
    ('{"kind": "set", "uuid": 7, "answers": {}}', 400),
    (f'{{"kind": "count", "uuid": "{uuid4()}", "answers": {{}}}}', 400),
    (f'{{"kind": ["set"], "uuid": "{uuid4()}", "answers": {{}}}}', 400),
    (f'{{"kind": "set", "uuid": "{uuid4()}", "answers": {{"rim": 7}}}}', 400),
    (f'{{"kind": "set", "uuid": "{uuid4()}", "answers": {{"rim": null}}}}', 400),
    (f'{{"kind": "set", "uuid": "{uuid4()}", "answers": {{"rim": {{"a": "b"}}}}}}', 400),
    (f'{{"kind": "set", "uuid": "{uuid4()}", "answers": {{"note": "a\\u0000b"}}}}', 400),
    (f'{{"kind": "set", "uuid": "{uuid4()}", "answers": {{"note": "\\ud800"}}}}', 400),
    (json.dumps({"kind": "set", "uuid": str(uuid4()), "answers": {"note": "x" * 2001}}), 400),
    (json.dumps({"kind": "set", "uuid": str(uuid4()), "answers": {"n" * 65: "x"}}), 400),
    (json.dumps({"kind": "set", "uuid": str(uuid4()), "answers": {str(n): "x" for n in range(401)}}), 400),
    (" " * (64 * 1024 + 1), 413),
]  # fmt: skip


@pytest.mark.parametrize(("body", "status"), BODIES, ids=range(len(BODIES)))
def test_each_body_that_the_page_never_sends_is_refused(trap: Trap, body: str, status: int) -> None:
    answer = client_of(trap).post(SEND, body, content_type="application/json")
    assert (answer.status_code, answer.json()["outcome"]) == (status, "refused")
    assert "Load this page again" in answer.json()["sentence"]
    assert answer["Cache-Control"] == "no-store"


def test_bytes_that_are_no_text_are_refused(trap: Trap) -> None:
    answer = client_of(trap).post(SEND, b"\xff\xfe{}", content_type="application/json")
    assert answer.status_code == 400


@pytest.mark.parametrize(
    "kind", ["application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "text/plain", ""]
)
def test_another_kind_of_body_is_refused(trap: Trap, kind: str) -> None:
    assert client_of(trap).post(SEND, "kind=set", content_type=kind).status_code == 415


def test_answers_that_nobody_asked_for_change_nothing_else(trap: Trap) -> None:
    """No column but those that are asked can be written: state, sender and standing are not the sender's."""
    opening = opened(trap)
    planted = {"state": "upheld", "standing": "to_protocol", "sender": "1", "season": "9", "id": str(uuid4())}
    number = str(uuid4())
    answers = emptying(str(opening.uuid), **planted)
    assert send(client_of(trap), "empty", answers, number).json()["outcome"] == "taken"
    report = Return.objects.get()
    assert (str(report.uuid), report.state, report.sender) == (number, "received", trap.site.household.keeper)


def test_hostile_text_in_an_answer_comes_back_as_text(trap: Trap) -> None:
    answer = send(client_of(trap), "set", setting(trap, mouth_mm="<script>alert(1)</script>"))
    assert answer["Content-Type"] == "application/json"
    assert answer.json()["faults"]["mouth_mm"].count("<script>") == 1


def test_a_household_of_two_sites_is_told_apart(trap: Trap) -> None:
    make_trap(site=make_site(household=trap.site.household))
    words = [one["words"] for one in client_of(trap).get(LIST).json()["traps"]]
    assert len(set(words)) == 2
