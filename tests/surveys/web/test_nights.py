"""Nights: how they went, what moved and why, for one's own regions."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta

import pytest
from django.test import Client
from django.utils import timezone

from surveys.methods.records import Answer
from surveys.models import Account, Job, Region, Run, Season
from surveys.queries.nights import Figures, Night
from surveys.services.intake import withdraw_return
from surveys.services.jobs import ask_for_job
from surveys.services.night import ask_for_night
from surveys.services.undo import undo_verdict
from surveys.vocabulary import AnswerKind, Decision, JobKind, JobState
from surveys.web.nights import LATE_AFTER, ranked, told_night
from tests.factories import client_of, make_coordinator, make_season, square
from tests.surveys.web.desk_worlds import bytes_of_page, decide, night_of, sent, words_of_page

pytestmark = pytest.mark.django_db(transaction=True)

TENFOLD = [
    {"group": "woodlice", "answer": "number", "count": 3},
    {"group": "ground_beetles", "answer": "number", "count": 40},
    {"group": "spiders", "answer": "number", "count": 2},
]


@pytest.fixture
def season() -> Season:
    return make_season()


@pytest.fixture
def coordinator(season: Season) -> Account:
    return make_coordinator("eastmark")


@pytest.fixture
def client(coordinator: Account) -> Client:
    return client_of(coordinator)


def page_of(client: Client, run: Run) -> str:
    return words_of_page(client, f"/desk/nights/{run.pk}/")


def test_a_night_says_what_ran_when_and_from_what(client: Client, season: Season) -> None:
    sent("eastmark")
    run = night_of(season, date(2026, 5, 9))
    listed = client.get("/desk/nights/").content.decode()
    assert f'href="/desk/nights/{run.pk}/"' in listed
    page = page_of(client, run)
    for words in (
        "Night of 9 May 2026", str(run.seed), run.snapshot_hash, f"up to event {run.snapshot_event}",
        run.method_version, run.code_version, "This was the first night of the season",
    ):  # fmt: skip
        assert words in page


def test_what_moved_stands_beside_the_returns_that_came_in_were_corrected_and_taken_back(
    client: Client, coordinator: Account, season: Season
) -> None:
    """The sentences are counted by hand from what is done here."""
    sent("eastmark", sites=11, nights=2)
    slip = sent("eastmark", catch=TENFOLD)[0]
    assert slip.state == "queried"
    before = night_of(season, date(2026, 5, 9))
    decide(
        coordinator, slip, Decision.CORRECTED, answers=[Answer("ground_beetles", AnswerKind.NUMBER, 4, 4)]
    )  # fmt: skip
    gone = sent("eastmark", sites=2)
    assert [report.state for report in gone] == ["standing", "standing"]
    withdraw_return(by=gone[0].trap.site.household.keeper, uuid=gone[0].uuid)
    sent("eastmark", catch=[{"group": "ground_beetles", "answer": "number", "count": 9}, *TENFOLD[::2]])
    after = night_of(season, date(2026, 5, 10))
    page = page_of(client, after)
    was, now = (
        run.values.get(region__code="eastmark", group__code="ground_beetles", window__code="spring", rim_exponent=1)
        for run in (before, after)
    )
    assert was.estimate != now.estimate
    assert "Ground beetles in Eastmark, Spring:" in page
    beetles = page.split("Ground beetles in Eastmark, Spring:")[1].split("in Eastmark")[0]
    assert "one was corrected" in beetles
    assert "one was withdrawn by its sender" in beetles
    # Woodlice were not corrected, so that clause is not told of them.
    woodlice = page.split("Woodlice in Eastmark, Spring:")
    assert len(woodlice) == 1 or "corrected" not in woodlice[1].split("in Eastmark")[0]
    row = page.split("What happened to returns between the two nights")[1]
    assert "Eastmark, Spring 3 0 0 1 0 0 1" in row


def test_a_verdict_that_was_undone_is_told(client: Client, coordinator: Account, season: Season) -> None:
    waiting = sent("eastmark", catch=TENFOLD)[0]
    night_of(season, date(2026, 5, 9))
    decide(coordinator, waiting, Decision.UPHELD)
    waiting.refresh_from_db()
    undo_verdict(by=coordinator, uuid=waiting.uuid, version=waiting.version)
    decide(coordinator, waiting, Decision.DISCOUNTED)
    page = page_of(client, night_of(season, date(2026, 5, 10)))
    assert "Eastmark, Spring 0 0 1 0 1 1 0" in page
    assert "No figure of your regions moved by more than rounding." in page


def test_what_happened_elsewhere_is_neither_named_nor_counted(client: Client, season: Season) -> None:
    sent("eastmark", sites=2)
    night_of(season, date(2026, 5, 9))
    sent("westmark", sites=11, nights=2)
    run = night_of(season, date(2026, 5, 10))
    page = page_of(client, run)
    assert "Westmark" not in page
    assert "What happened to returns" not in page
    assert "Westmark, Spring 22 0 0 0 0 0 0" in page_of(client_of(make_coordinator("westmark")), run)


def test_a_night_without_a_change_moves_nothing(client: Client, season: Season) -> None:
    sent("eastmark", sites=11, nights=2)
    night_of(season, date(2026, 5, 9))
    run = night_of(season, date(2026, 5, 9) + timedelta(days=1))
    page = page_of(client, run)
    assert "What happened to returns" not in page
    figures = page.count("in Eastmark, Spring:")
    assert page.count("It moved because all regions are worked out together.") == figures


def test_a_run_of_no_season_of_hers_is_not_there(season: Season) -> None:
    sent("eastmark")
    run = night_of(season, date(2026, 5, 9))
    Region.objects.create(code="northmark", name="Northmark", boundary=square(-18, 53), position=9)
    theirs = client_of(make_coordinator("northmark"))
    assert theirs.get(f"/desk/nights/{run.pk}/").status_code == 404
    assert "No night has run yet." in words_of_page(theirs, "/desk/nights/")
    assert client_of(make_coordinator()).get(f"/desk/nights/{run.pk}/").status_code == 200


def test_a_night_that_failed_says_why_and_nothing_of_rows(client: Client, season: Season) -> None:
    job = ask_for_night(season=season, night=date(2026, 5, 9))[0]
    problem = 'Traceback\n  File "x.py"\npsycopg.errors.OperationalError: connection to 10.0.0.7 failed: secret'
    Job.objects.filter(pk=job.pk).update(state=JobState.FAILED, problem=problem, finished_at=timezone.now())
    page = words_of_page(client, "/desk/nights/")
    assert "Failed. It did not come to its end. The database could not be reached." in page
    assert "secret" not in page
    assert "10.0.0.7" not in page


STATES = [
    ("queued", timedelta(minutes=5), "waiting", "Not begun yet."),
    ("queued", LATE_AFTER + timedelta(minutes=1), "late", "Not begun yet."),
    ("running", timedelta(minutes=5), "running", "Running: 2 of 9 steps."),
    ("running", LATE_AFTER + timedelta(minutes=1), "late", "Running: 2 of 9 steps."),
]


@pytest.mark.parametrize(("state", "ago", "told", "words"), STATES)
def test_a_night_that_is_not_done_is_late_after_some_hours(
    season: Season, state: str, ago: timedelta, told: str, words: str
) -> None:
    now = datetime(2026, 5, 10, 12, tzinfo=UTC)
    job = Job(
        kind=JobKind.NIGHT, state=state, done=2, total=9, created_at=now - ago, parameters={"night": "2026-05-09"}
    )
    found = told_night(Night(season, job, None), now)
    assert (found.state, found.words) == (told, words)


def test_jobs_of_other_kinds_and_of_seasons_with_a_longer_name_are_no_nights(client: Client) -> None:
    ask_for_job(kind=JobKind.CANARY, key="test-2026/2026-05-09/1")
    ask_for_job(kind=JobKind.NIGHT, key="test-2026b/2026-05-09/1", parameters={"season": "test-2026b"})
    assert "No night has run yet." in words_of_page(client, "/desk/nights/")


def moved(before: float | None, now: float | None) -> Figures:
    return Figures(Region(code="e", name="E"), "g", "G", "w", "W", before, now)


def test_figures_rank_by_how_many_times_they_moved_and_rounding_is_no_move() -> None:
    """By hand: halving and doubling are as far; 3.11 and 3.14 both read 3.1; what came or went stands first."""
    doubled, tenth_more, gone, same = moved(0.2, 0.4), moved(10, 11), moved(2.0, None), moved(3.11, 3.14)
    found = ranked([tenth_more, same, doubled, gone, moved(None, None)])
    assert found == [gone, doubled, tenth_more]
    assert math.isclose(math.log(0.4 / 0.2), -math.log(0.5))


def test_nights_of_another_region_change_no_byte_of_a_night(client: Client, season: Season) -> None:
    sent("eastmark", sites=2)
    night_of(season, date(2026, 5, 9))
    run = night_of(season, date(2026, 5, 10))
    before = bytes_of_page(client, f"/desk/nights/{run.pk}/")
    decide(make_coordinator("westmark"), sent("westmark", liquid="soap")[0], Decision.DISCOUNTED)
    assert bytes_of_page(client, f"/desk/nights/{run.pk}/") == before
