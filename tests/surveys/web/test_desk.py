"""The desk: a part of the queue, one press, taking it back, many together, and who reads what."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from surveys.models import Account, Correction, Lease, Return, SecondLook, Verdict
from tests.factories import ApiClient, client_of, make_coordinator, make_season, make_site, make_trap, send_return
from tests.surveys.web.sending import summary_links

pytestmark = pytest.mark.django_db(transaction=True)

TENFOLD = [
    {"group": "woodlice", "answer": "number", "count": 3},
    {"group": "ground_beetles", "answer": "number", "count": 40},
    {"group": "spiders", "answer": "number", "count": 2},
]


@pytest.fixture
def coordinator() -> Account:
    make_season()
    return make_coordinator()


@pytest.fixture
def client(coordinator: Account) -> Client:
    return client_of(coordinator)


@pytest.fixture
def tenfold(coordinator: Account) -> Return:
    return sent(catch=TENFOLD)


@pytest.fixture
def soaped(coordinator: Account) -> list[Return]:
    return [sent(liquid="soap") for _ in range(3)]


def sent(region: str = "eastmark", **changes: object) -> Return:
    report = send_return(make_trap(site=make_site(region=region)), screened=True, **changes)
    report.refresh_from_db()
    assert report.state == "queried"
    return report


def listed(answer: object) -> list[str]:
    page = answer.content.decode()  # type: ignore[attr-defined]
    return re.findall(r'<a href="/queue/([0-9a-f-]{36})/', page)


def words_of(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def test_the_queue_can_be_narrowed_by_region_reason_household_and_age(
    client: Client, tenfold: Return, soaped: list[Return]
) -> None:
    west = sent(region="westmark", liquid="soap")
    old = soaped[2]
    Return.objects.filter(pk=old.pk).update(moved_at=timezone.now() - timedelta(days=8))
    ids = {str(one.uuid) for one in soaped}
    assert set(listed(client.get("/queue/?region=westmark"))) == {str(west.uuid)}
    assert set(listed(client.get(f"/queue/?reason={tenfold.reason}"))) == {str(tenfold.uuid)}
    assert set(listed(client.get("/queue/?reason=safety&region=eastmark"))) == ids
    alias = soaped[0].trap.site.household.alias
    assert listed(client.get("/queue/", {"household": alias.upper()})) == [str(soaped[0].uuid)]
    assert listed(client.get("/queue/?days=7")) == [str(old.uuid)]
    assert "Nothing waits in this part" in client.get("/queue/?reason=sent_twice").content.decode()
    # What nobody offers narrows nothing down.
    assert len(listed(client.get("/queue/?reason=whim&days=x&after="))) == 5


def test_what_waits_is_counted_with_its_damage(client: Client, tenfold: Return) -> None:
    page = words_of(client.get("/queue/").content.decode())
    assert f"could move the indices by {tenfold.rank:.2f} in all" in page


def test_the_next_one_is_taken_within_the_part(client: Client, tenfold: Return, soaped: list[Return]) -> None:
    answer = client.post(f"/queue/next?reason={tenfold.reason}")
    assert answer["Location"] == f"/queue/{tenfold.uuid}/?reason={tenfold.reason}"
    assert Lease.objects.get().report == tenfold
    assert client.post("/queue/next?reason=sent_twice")["Location"] == "/queue/?reason=sent_twice"


def test_opening_a_return_takes_it_and_a_colleague_is_told(client: Client, tenfold: Return) -> None:
    assert 'name="quick"' in client.get(f"/queue/{tenfold.uuid}/").content.decode()
    other = client_of(make_coordinator("eastmark"))
    page = other.get(f"/queue/{tenfold.uuid}/").content.decode()
    assert "Another coordinator is reading this return now" in page
    assert 'name="quick"' not in page
    assert 'name="decision"' not in page
    assert "Another coordinator is reading it now" in other.get("/queue/").content.decode()
    refused = other.post(f"/queue/{tenfold.uuid}/", {"version": tenfold.version, "quick": "upheld:plausible_night"})
    assert refused.status_code == 422
    assert Verdict.objects.count() == 0
    client.post(f"/queue/{tenfold.uuid}/leave")
    assert 'name="quick"' in other.get(f"/queue/{tenfold.uuid}/").content.decode()


def test_one_press_corrects_as_it_fits_and_the_next_page_offers_to_take_it_back(
    client: Client, tenfold: Return, soaped: list[Return]
) -> None:
    page = client.get(f"/queue/{tenfold.uuid}/").content.decode()
    assert "It fits if Ground beetles reads 4 and not 40." in words_of(page)
    press = {"version": tenfold.version, "quick": "corrected:count_slip:0"}
    assert f'value="{press["quick"]}"' in page
    answer = client.post(f"/queue/{tenfold.uuid}/", press)
    assert answer["Location"] == f"/queue/{soaped[0].uuid}/"
    made = Correction.objects.get()
    assert (made.group.code, made.low, made.high) == ("ground_beetles", 4, 4)
    following = client.get(answer["Location"]).content.decode()
    assert "On record:" in following
    version = re.search(rf'action="/queue/{tenfold.uuid}/undo".*?name="version" value="(\d+)"', following, re.DOTALL)
    assert version is not None
    client.post(f"/queue/{tenfold.uuid}/undo", {"version": version.group(1)})
    tenfold.refresh_from_db()
    assert tenfold.state == "queried"
    page = client.get(f"/queue/{tenfold.uuid}/").content.decode()
    assert "taken back" in page
    # It is offered once, not on every page that follows.
    assert "On record:" not in page


def test_what_fits_can_be_written_into_the_boxes_first(client: Client, tenfold: Return) -> None:
    page = client.get(f"/queue/{tenfold.uuid}/?fits").content.decode()
    box = re.search(r'<input[^>]*id="c_ground_beetles"[^>]*>', page, re.DOTALL)
    assert box is not None
    assert 'value="4"' in box.group(0)


def test_ranges_and_keys_are_read_in_a_correction(client: Client, tenfold: Return) -> None:
    decision = {
        "version": tenfold.version, "decision": "corrected", "reason": "count_slip", "c_ground_beetles": "16-31",
        "c_spiders": "?", "c_woodlice": "0",
    }  # fmt: skip
    assert client.post(f"/queue/{tenfold.uuid}/", decision).status_code == 302
    made = {one.group.code: (one.answer, one.low, one.high) for one in Correction.objects.select_related("group")}
    assert made == {
        "ground_beetles": ("class", 16, 31),
        "spiders": ("could_not_tell", None, None),
        "woodlice": ("none_seen", 0, 0),
    }


def test_times_width_and_traps_are_corrected_and_the_effort_follows(client: Client, tenfold: Return) -> None:
    decision = {
        "version": tenfold.version, "decision": "corrected", "reason": "date_slip",
        "set_at": "2026-05-02 16:00", "emptied_at": "2026-05-03 18:00", "mouth_mm": "90", "traps_pooled": "2",
    }  # fmt: skip
    assert client.post(f"/queue/{tenfold.uuid}/", decision).status_code == 302
    tenfold.refresh_from_db()
    # 26 hours, two cups of 90 mm where 75 mm is the standard: by hand.
    assert (tenfold.exposure_h, tenfold.rim_ratio) == (26.0, 1.2)
    assert "2 May 2026, 17:00" in client.get(f"/queue/{tenfold.uuid}/").content.decode()


WRONG_BOXES = {
    "a day in words": ({"set_at": "yesterday"}, "set_at"),
    "a day that is none": ({"emptied_at": "2026-02-30 17:00"}, "emptied_at"),
    "a width in words": ({"mouth_mm": "wide"}, "mouth_mm"),
    "no trap": ({"traps_pooled": "0"}, "traps_pooled"),
    "too many traps": ({"traps_pooled": "61"}, "traps_pooled"),
}


@pytest.mark.parametrize(("wrong", "box"), WRONG_BOXES.values(), ids=WRONG_BOXES.keys())
def test_each_wrong_box_is_named(client: Client, tenfold: Return, wrong: dict[str, str], box: str) -> None:
    decision = {"version": tenfold.version, "decision": "corrected", "reason": "date_slip", **wrong}
    answer = client.post(f"/queue/{tenfold.uuid}/", decision)
    assert answer.status_code == 422
    assert summary_links(answer.content.decode()) == [box]
    assert Verdict.objects.count() == 0


def test_the_evidence_beside_shows_the_other_traps_of_the_night_and_the_place(
    client: Client, coordinator: Account
) -> None:
    site = make_site()
    send_return(make_trap(site=site, habitat="hedge_base"), screened=True)
    report = send_return(make_trap(site=site), catch=TENFOLD, screened=True)
    page = client.get(f"/queue/{report.uuid}/beside").content.decode()
    assert client.get(f"/queue/{report.uuid}/beside?part").content.decode().strip() in page
    assert f'href="/queue/{report.uuid}/beside"' in client.get(f"/queue/{report.uuid}/").content.decode()
    assert "The same ground, the same night" in page
    assert "this return" in page
    assert "The site lies in Eastmark." in words_of(page)


def test_many_are_read_once_more_then_decided_then_taken_back(
    client: Client, tenfold: Return, soaped: list[Return]
) -> None:
    address = "/queue/together?reason=safety"
    page = client.get(address).content.decode()
    ticks = re.findall(r'name="returns"\s+value="([^"]+)"', page)
    assert {tick.split(":")[0] for tick in ticks} == {str(one.uuid) for one in soaped}
    given = {"returns": ticks[:2], "decision": "discounted", "reason": "liquid_used", "note": ""}
    once_more = client.post(address, given).content.decode()
    assert "You are about to decide 2 returns." in once_more
    assert "Eastmark: 2" in words_of(once_more)
    assert Verdict.objects.count() == 0
    done = client.post(address, {**given, "sure": "yes"})
    assert done["Location"] == "/queue/"
    assert sorted(Return.objects.values_list("state", flat=True)) == ["discounted", "discounted", "queried", "queried"]
    together = re.search(r'name="together" value="([^"]+)"', client.get("/queue/").content.decode())
    assert together is not None
    client.post("/queue/undo", {"together": together.group(1)})
    assert set(Return.objects.values_list("state", flat=True)) == {"queried"}


WRONG_BATCH = {
    "no tick": ({"returns": []}, ["returns"]),
    "no decision": ({"decision": ""}, ["decision"]),
    "a correction": ({"decision": "corrected"}, ["decision"]),
    "no reason": ({"reason": "whim"}, ["reason"]),
    "a long note": ({"note": "m" * 501}, ["note"]),
}


@pytest.mark.parametrize(("wrong", "targets"), WRONG_BATCH.values(), ids=WRONG_BATCH.keys())
def test_each_wrong_answer_about_many_is_named(
    client: Client, soaped: list[Return], wrong: dict[str, object], targets: list[str]
) -> None:
    ticks = [f"{one.uuid}:{one.version}" for one in soaped]
    given = {"returns": ticks, "decision": "discounted", "reason": "liquid_used", "note": "", "sure": "yes", **wrong}
    answer = client.post("/queue/together?reason=safety", given)
    assert answer.status_code == 422
    assert summary_links(answer.content.decode()) == targets
    assert Verdict.objects.count() == 0


def test_a_list_that_is_out_of_date_decides_nothing(client: Client, soaped: list[Return]) -> None:
    ticks = [f"{one.uuid}:{one.version}" for one in soaped]
    client.post(f"/queue/{soaped[0].uuid}/", {"version": soaped[0].version, "quick": "upheld:plausible_night"})
    given = {"returns": ticks, "decision": "discounted", "reason": "liquid_used", "note": "", "sure": "yes"}
    answer = client.post("/queue/together?reason=safety", given)
    assert answer.status_code == 422
    assert "Some of these were worked on" in answer.content.decode()
    assert Verdict.objects.count() == 1


@pytest.mark.parametrize("address", ["/queue/together", "/queue/together?reason=whim"])
def test_many_are_decided_for_one_reason_only(client: Client, address: str) -> None:
    assert client.get(address)["Location"] == "/queue/"


@pytest.mark.parametrize("given", [{}, {"together": "x"}, {"together": "a" * 32}])
def test_nothing_is_taken_back_that_was_never_given(client: Client, given: dict[str, str]) -> None:
    assert client.post("/queue/undo", given).status_code == 404


def test_a_coordinator_of_another_region_takes_counts_and_undoes_nothing(tenfold: Return, soaped: list[Return]) -> None:
    other = client_of(make_coordinator("westmark"))
    assert other.post("/queue/next")["Location"] == "/queue/"
    page = other.get("/queue/").content.decode()
    assert "0 returns wait for you." in page
    assert "Eastmark" not in page
    assert listed(other.get("/queue/?region=eastmark")) == []
    assert listed(other.get("/queue/together?reason=safety")) == []
    assert other.post(f"/queue/{tenfold.uuid}/undo", {"version": tenfold.version}).status_code == 404
    assert Lease.objects.count() == 0


def test_what_the_first_look_decided_is_kept_from_the_second(client: Client, tenfold: Return) -> None:
    client.post(f"/queue/{tenfold.uuid}/", {"version": tenfold.version, "quick": "upheld:plausible_night:0"})
    told = "What was decided"
    assert told in client.get(f"/queue/{tenfold.uuid}/").content.decode()
    look = SecondLook.objects.create(report=tenfold, season=tenfold.season, state="upheld")
    assert told not in client.get(f"/queue/{tenfold.uuid}/").content.decode()
    assert ApiClient(make_coordinator()).read(f"queue/{tenfold.uuid}").json()["verdicts"] == []
    look.opinion, look.reason, look.looked_at = "upheld", "plausible_night", timezone.now()
    look.save()
    assert told in client.get(f"/queue/{tenfold.uuid}/").content.decode()
