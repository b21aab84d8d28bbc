"""The desk's releases: what one would hold, having it made for a reason, watching it, and withdrawing it."""

from __future__ import annotations

import re
import time
from datetime import timedelta
from html import unescape
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.test import Client
from django.utils import timezone

from surveys.models import Account, Event, Job, Release, Return, Season
from surveys.services.releases import LONGEST_REASON, SHORTEST_REASON, make_release
from surveys.vocabulary import JobKind, JobState
from tests.factories import client_of, make_coordinator, make_season
from tests.making import make_release_now
from tests.reading import grade_of, sentences_of
from tests.several_seasons import catch_of, send_year
from tests.surveys.services.test_frozen_tables import own_gardens
from tests.surveys.web.sending import summary_links, title_of

pytestmark = pytest.mark.django_db(transaction=True)

LIST, MAKE = "/desk/releases/", "/desk/releases/new/"
REASON = "The spring is reviewed, and nothing waits."


@pytest.fixture(autouse=True)
def own_folder(settings: Any, tmp_path: Path) -> None:
    settings.RELEASES_FOLDER = tmp_path / "releases"


@pytest.fixture
def season() -> Season:
    made = make_season()
    send_year(own_gardens(12), 2026, lambda n: catch_of(woodlice=n % 5 + 1, spiders=2))
    return made


@pytest.fixture
def lead() -> Account:
    return make_coordinator()


@pytest.fixture
def desk(season: Season, lead: Account) -> Client:
    return client_of(lead)


def words_of(answer: Any) -> str:
    return " ".join(unescape(answer.content.decode()).split())


def facts_of(page: str) -> dict[str, str]:
    """Return what a page says in its lists of facts."""
    return {key.strip(): value.strip() for key, value in re.findall(r"<dt>(.*?)</dt> <dd>(.*?)</dd>", page)}


# --- what a release would hold ---------------------------------------------------------------------


def test_the_page_says_what_would_be_in_it_and_which_number_it_would_get(desk: Client) -> None:
    """The world has twelve gardens with two returns each, all in one square."""
    facts = facts_of(words_of(desk.get(MAKE)))
    assert facts["Returns"] == "24"
    assert facts["Gardens"] == "12"
    assert facts["Gardens with a square on the map"] == "12"
    assert facts["Number"] == "1.0.0"  # the first one


def test_the_page_says_what_would_not_be_in_it_and_why(desk: Client) -> None:
    for state, number in (("queried", 3), ("discounted", 2), ("withdrawn", 1), ("received", 4)):
        chosen = (
            Return.objects.filter(state__in=("standing", "upheld")).order_by("id").values_list("pk", flat=True)[:number]
        )
        Return.objects.filter(pk__in=list(chosen)).update(state=state)
    page = words_of(desk.get(MAKE))
    table = page[page.index("Returns that would not be in it") :].split("</table>")[0]
    rows = dict(re.findall(r'<th scope="row">(.*?)</th> <td class="number">(\d+)</td>', table))
    assert rows == {
        "Not screened yet": "4", "Waits for a coordinator": "3", "Discounted by a coordinator": "2",
        "Withdrawn by its sender": "1",
    }  # fmt: skip
    assert facts_of(page)["Returns"] == str(24 - 3 - 2 - 1 - 4)


def test_what_nobody_agreed_to_is_counted_apart_from_what_is_kept_back_for_its_place(desk: Client) -> None:
    keeper = make_coordinator()
    send_year(own_gardens(6, keeper=keeper), 2026, lambda n: catch_of(woodlice=2), days=(2,))
    keeper.consents.update(withdrawn_at=timezone.now())
    send_year(own_gardens(3, region="westmark"), 2026, lambda n: catch_of(woodlice=2), days=(2,))
    page = words_of(desk.get(MAKE))
    rows = dict(re.findall(r'<th scope="row">(.*?)</th> <td class="number">(\d+)</td>', page))
    assert rows == {"Its sender has not agreed to the licence": "6", "Its place would stand for too few gardens": "3"}


def test_after_a_release_the_page_says_what_has_happened_since_and_both_numbers(
    desk: Client, season: Season, lead: Account
) -> None:
    release = make_release_now(season, by=lead)
    while timezone.now() < release.frozen_at + timedelta(seconds=1):  # it knows its instant to the second
        time.sleep(0.05)
    page = words_of(desk.get(MAKE))
    assert "0 returns have come in." in page
    # The project's rule: the second part rises with a new return, else the third.
    assert facts_of(page)["Number"] == "1.1.0 if any return is new, else 1.0.1"
    send_year(own_gardens(6), 2026, lambda n: catch_of(woodlice=3), days=(20,))
    page = words_of(desk.get(MAKE))
    assert "6 returns have come in." in page
    assert "Since release 1.0.0 was frozen on" in page


def test_without_anything_to_release_there_is_no_button(lead: Account) -> None:
    page = words_of(client_of(lead).get(MAKE))
    assert "There is no season yet" in page
    make_season()
    page = words_of(client_of(lead).get(MAKE))
    assert "No return may be released yet" in page
    assert "<textarea" not in page


def test_an_open_season_and_an_invented_one_say_what_they_are(lead: Account) -> None:
    make_season(invented=True)
    page = words_of(client_of(lead).get(MAKE))
    assert "This season is still open." in page
    assert "Everything here is invented." in page


def test_another_season_can_be_chosen(desk: Client) -> None:
    make_season(year=2025)
    page = words_of(desk.get(f"{MAKE}?season=test-2025"))
    assert '<p class="lead">Test count 2025</p>' in page
    assert (
        '<input type="hidden" name="season" value="test-2025">'
        in unescape(words_of(desk.post(MAKE, {"season": "test-2025", "because": ""})))
        or "No return may be released yet" in page
    )
    assert desk.get(f"{MAKE}?season=none-1900").status_code == 404
    assert desk.get(f"{MAKE}?season=%00none").status_code == 404


# --- having it made --------------------------------------------------------------------------------


def test_a_release_is_asked_for_and_the_page_leads_to_its_progress(desk: Client, lead: Account) -> None:
    answer = desk.post(MAKE, {"season": "test-2026", "because": REASON})
    job = Job.objects.get(kind=JobKind.RELEASE)
    assert (answer.status_code, answer.headers["Location"]) == (302, f"/desk/releases/making/{job.public_id}/")
    assert job.parameters == {"season": "test-2026", "because": REASON, "by": lead.pk}
    page = words_of(desk.get(answer.headers["Location"]))
    assert REASON in page
    assert "It waits for its turn." in page
    assert "In the making" in words_of(desk.get(LIST))


@pytest.mark.parametrize("because", ["", "too short", "x" * (LONGEST_REASON + 1), " \n ", "\0\0\0"])
def test_a_reason_that_is_none_is_asked_for_again_and_nothing_is_lost(desk: Client, because: str) -> None:
    answer = desk.post(MAKE, {"season": "test-2026", "because": because})
    assert answer.status_code == 422
    page = words_of(answer)
    assert title_of(answer.content.decode()).startswith("Error: ")
    assert summary_links(answer.content.decode()) == ["because"]
    assert f"Write {SHORTEST_REASON} to {LONGEST_REASON}" in page
    if because.strip("\0 \n"):
        assert because in page
    assert not Job.objects.filter(kind=JobKind.RELEASE).exists()


def test_while_one_is_made_another_one_has_to_wait(desk: Client) -> None:
    desk.post(MAKE, {"season": "test-2026", "because": REASON})
    answer = desk.post(MAKE, {"season": "test-2026", "because": "A second one, please."})
    assert answer.status_code == 409
    assert "A release is being made already." in words_of(answer)
    assert "A second one, please." in words_of(answer)


def test_progress_is_told_as_a_share_with_and_without_scripts(desk: Client) -> None:
    desk.post(MAKE, {"season": "test-2026", "because": REASON})
    job = Job.objects.get(kind=JobKind.RELEASE)
    Job.objects.filter(pk=job.pk).update(
        state=JobState.RUNNING, attempts=1, done=37, total=100, lease_until=timezone.now()
    )
    page = words_of(desk.get(f"/desk/releases/making/{job.public_id}/"))
    assert "About 37 % is done." in page
    assert '<progress id="progress" max="100" value="37"' in page
    assert '<noscript><meta http-equiv="refresh" content="5"></noscript>' in page


def test_when_it_is_made_the_page_leads_to_it_and_looks_no_more(desk: Client) -> None:
    desk.post(MAKE, {"season": "test-2026", "because": REASON})
    job = Job.objects.get(kind=JobKind.RELEASE)
    assert make_release(job_id=job.pk) is not None
    page = words_of(desk.get(f"/desk/releases/making/{job.public_id}/"))
    assert "Release 1.0.0 is made." in page
    assert 'href="/releases/1.0.0/"' in page
    assert "http-equiv" not in page
    listed = words_of(desk.get(LIST))
    assert "In the making" not in listed
    assert REASON in listed
    assert REASON in words_of(Client().get("/releases/1.0.0/"))


def test_why_a_rule_said_no_is_told_in_its_own_words(desk: Client, season: Season, lead: Account) -> None:
    make_release_now(season, by=lead)
    desk.post(MAKE, {"season": "test-2026", "because": "Once more, for a test."})
    job = Job.objects.filter(kind=JobKind.RELEASE).latest("id")
    assert make_release(job_id=job.pk) is None
    answer = desk.get(f"/desk/releases/making/{job.public_id}/")
    page = words_of(answer)
    assert "Nothing has changed since release 1.0.0, so there is nothing to release." in page
    assert title_of(answer.content.decode()).startswith("Error: ")
    assert f'href="{MAKE}?season=test-2026"' in page
    assert "<strong>Failed.</strong>" in words_of(desk.get(LIST))


def test_what_the_program_failed_with_is_told_without_anything_of_its_rows(desk: Client) -> None:
    job = Job.objects.create(
        kind=JobKind.RELEASE, key=f"test-2026/{uuid4()}", state=JobState.FAILED, attempts=5,
        parameters={"season": "test-2026", "because": REASON},
        problem='Traceback (most recent call last):\n  File "x.py"\nOSError: [Errno 28] No space left on device: 51.4213',
    )  # fmt: skip
    page = words_of(desk.get(f"/desk/releases/making/{job.public_id}/"))
    assert "The disk is full." in page
    assert "51.4213" not in page
    assert "Traceback" not in page


def test_a_release_that_nobody_asked_for_is_not_there(desk: Client) -> None:
    assert desk.get(f"/desk/releases/making/{uuid4()}/").status_code == 404
    night = Job.objects.create(kind=JobKind.NIGHT, key="test-2026/2026-05-04")
    assert desk.get(f"/desk/releases/making/{night.public_id}/").status_code == 404


# --- withdrawing it --------------------------------------------------------------------------------


def withdrawal(version: str = "1.0.0") -> str:
    return f"/desk/releases/{version}/withdraw/"


def test_the_page_says_plainly_what_withdrawing_means_before_it_is_done(
    desk: Client, season: Season, lead: Account
) -> None:
    make_release_now(season, by=lead)
    page = words_of(desk.get(withdrawal()))
    for said in ("Its files are not handed out any more.", "nothing can be called back", "It cannot be undone.",
                 "do not repeat what must not be known"):  # fmt: skip
        assert said in page
    assert Release.objects.get().state == "published"


def test_a_release_is_withdrawn_with_a_reason_and_its_page_becomes_a_tombstone(
    desk: Client, season: Season, lead: Account
) -> None:
    make_release_now(season, by=lead)
    answer = desk.post(withdrawal(), {"because": "A square stood for four gardens."})
    assert (answer.status_code, answer.headers["Location"]) == (302, LIST)
    tombstone = Client().get("/releases/1.0.0/")
    assert tombstone.status_code == 410
    assert "A square stood for four gardens." in words_of(tombstone)
    assert "<strong>Withdrawn:</strong> A square stood for four gardens." in words_of(desk.get(LIST))
    assert withdrawal() not in words_of(desk.get(LIST))
    assert Event.objects.filter(verb="release withdrawn", actor=lead.pk).count() == 1


@pytest.mark.parametrize("because", ["", "too short", "x" * (LONGEST_REASON + 1), "\0"])
def test_a_release_is_not_withdrawn_without_a_reason(desk: Client, season: Season, lead: Account, because: str) -> None:
    make_release_now(season, by=lead)
    answer = desk.post(withdrawal(), {"because": because})
    assert answer.status_code == 422
    assert summary_links(answer.content.decode()) == ["because"]
    assert Release.objects.get().state == "published"


def test_a_second_press_finds_it_withdrawn_and_says_so(desk: Client, season: Season, lead: Account) -> None:
    make_release_now(season, by=lead)
    desk.post(withdrawal(), {"because": "A square stood for four gardens."})
    answer = desk.post(withdrawal(), {"because": "Another reason, much later."})
    assert answer.status_code == 409
    assert "This release is withdrawn already." in words_of(answer)
    assert Release.objects.get().withdrawn_because == "A square stood for four gardens."


@pytest.mark.parametrize("version", ["9.9.9", "none", "%00"])
def test_a_release_that_was_never_made_cannot_be_withdrawn(desk: Client, version: str) -> None:
    for answer in (desk.get(withdrawal(version)), desk.post(withdrawal(version), {"because": REASON})):
        assert answer.status_code == 404


# --- who may what ----------------------------------------------------------------------------------


def test_a_coordinator_of_some_regions_reads_how_releases_stand_and_makes_none(
    desk: Client, season: Season, lead: Account
) -> None:
    make_release_now(season, by=lead)
    desk.post(MAKE, {"season": "test-2026", "because": REASON})
    job = Job.objects.filter(kind=JobKind.RELEASE).latest("id")
    other = client_of(make_coordinator("eastmark"))
    page = words_of(other.get(LIST))
    assert "Made for a test." in page
    for address in (MAKE, withdrawal()):
        assert address not in page
        assert other.get(address).status_code == 403
        assert other.post(address, {"season": "test-2026", "because": REASON}).status_code == 403
    assert other.get(f"/desk/releases/making/{job.public_id}/").status_code == 200
    assert Release.objects.get().state == "published"


def test_the_desk_leads_to_the_releases(desk: Client) -> None:
    assert f'href="{LIST}"' in words_of(desk.get("/desk/"))


def test_the_pages_read_at_grade_8_or_below(desk: Client, season: Season, lead: Account) -> None:
    make_release_now(season, by=lead)
    desk.post(MAKE, {"season": "test-2026", "because": REASON})
    job = Job.objects.filter(kind=JobKind.RELEASE).latest("id")
    for path in (LIST, MAKE, withdrawal(), f"/desk/releases/making/{job.public_id}/"):
        assert grade_of(sentences_of(desk.get(path).content.decode())).grade <= 8.0, path
