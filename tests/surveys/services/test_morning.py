"""The letter of the morning: when, to whom, how often, and what it says."""

from __future__ import annotations

import threading
import uuid
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from io import StringIO

import pytest
from django.core import mail
from django.core.management import call_command
from django.db import connection
from django.utils import timezone

from surveys.models import Account, Appointment, Event, Letter, Opening, Question, Return, Season
from surveys.queries.morning import Morning, morning_of
from surveys.services.jobs import claim_job, finish_job
from surveys.services.letters import send_due_letters
from surveys.services.morning import write_morning_letters
from surveys.services.night import ask_for_night, latest_night
from surveys.services.people import choose_morning_letter
from surveys.vocabulary import Language
from tests.factories import make_account, make_coordinator, make_season, make_site, make_trap, send_return
from tests.reading import reading_grade

pytestmark = pytest.mark.django_db(transaction=True)

HOUR = timedelta(hours=1)


@pytest.fixture
def season() -> Season:
    """A season in Reykjavik, where the clock is that of UTC all year (IANA time zone database)."""
    return make_season()


def morning(hour: int = 6, minute: int = 30, days: int = 0) -> datetime:
    """Return a moment of today, or of a day after it, in UTC: always the same one, to the microsecond."""
    return timezone.now().astimezone(UTC).replace(hour=hour, minute=minute, second=0, microsecond=0) + timedelta(
        days=days
    )


def queried(region: str = "eastmark", **changes: object) -> Return:
    """Send a return that waits, as one with soap in its cup does."""
    return send_return(make_trap(site=make_site(region=region)), screened=True, liquid="soap", **changes)


def letters() -> list[Letter]:
    return list(Letter.objects.filter(kind="morning", dropped_at__isnull=True))


@pytest.mark.parametrize(
    ("hour", "minute", "written"), [(6, 29, 0), (6, 30, 1), (11, 59, 1), (12, 0, 0), (0, 0, 0), (23, 59, 0)]
)
def test_it_is_written_between_half_past_six_and_noon(season: Season, hour: int, minute: int, written: int) -> None:
    make_coordinator("eastmark")
    queried()
    assert write_morning_letters(now=morning(hour, minute, days=1)) == written


def test_the_clock_is_that_of_the_season() -> None:
    """Tokyo is nine hours before UTC all year (IANA time zone database), so its morning is our evening before."""
    make_season(time_zone="Asia/Tokyo")
    make_coordinator("eastmark")
    queried()
    assert write_morning_letters(now=morning(6, 30)) == 0
    assert write_morning_letters(now=morning(21, 29)) == 0
    assert write_morning_letters(now=morning(21, 30)) == 1
    assert letters()[0].key.endswith(f":{morning(days=1):%Y-%m-%d}")


def test_it_goes_to_those_for_whom_something_waits_once_a_day(season: Season) -> None:
    east, west, lead = make_coordinator("eastmark"), make_coordinator("westmark"), make_coordinator()
    queried("eastmark")
    assert write_morning_letters(now=morning()) == 2
    assert {one.account for one in letters()} == {east, lead}
    queried("westmark")
    assert write_morning_letters(now=morning(7)) == 0  # what comes later in the day waits for the next morning
    assert write_morning_letters(now=morning(days=1)) == 3
    assert Letter.objects.filter(account=west, dropped_at__isnull=False).get().problem == "nothing waited"
    assert Event.objects.filter(verb="morning decided").count() == 6


def test_eight_clocks_at_once_write_one_letter(season: Season) -> None:
    make_coordinator("eastmark")
    queried()
    barrier, now = threading.Barrier(8), morning()

    def tick(_: int) -> int:
        try:
            barrier.wait()
            return write_morning_letters(now=now)
        finally:
            connection.close()

    with ThreadPoolExecutor(8) as threads:
        assert sum(threads.map(tick, range(8))) == 1
    assert Letter.objects.filter(kind="morning").count() == 1


def test_who_turned_it_off_gets_none_until_it_is_on_again(season: Season) -> None:
    coordinator = make_coordinator("eastmark")
    queried()
    choose_morning_letter(by=coordinator, wanted=False)
    choose_morning_letter(by=coordinator, wanted=False)
    assert write_morning_letters(now=morning()) == 0
    choose_morning_letter(by=coordinator, wanted=True)
    assert write_morning_letters(now=morning(days=1)) == 1
    assert Event.objects.filter(verb="morning letter chosen").count() == 2


def test_families_and_researchers_get_none(season: Season) -> None:
    make_account()
    queried()
    assert write_morning_letters(now=morning()) == 0


def test_without_a_season_there_is_no_morning() -> None:
    assert write_morning_letters(now=morning()) == 0


def test_a_letter_whose_reader_is_no_coordinator_any_more_is_dropped(season: Season) -> None:
    make_coordinator("eastmark")
    queried()
    write_morning_letters(now=morning())
    Appointment.objects.all().delete()
    assert send_due_letters(now=morning() + HOUR) == 0
    assert "not a coordinator any more" in Letter.objects.get(kind="morning").problem


def test_a_letter_that_is_late_by_hours_is_dropped(season: Season) -> None:
    make_coordinator("eastmark")
    queried()
    write_morning_letters(now=morning())
    assert send_due_letters(now=morning() + 7 * HOUR) == 0


# --- what it says --------------------------------------------------------------------------------


def world(coordinator: Account) -> None:
    """Two returns that wait, one of them with an answered question, an open trap, and one from another region."""
    report, now = queried(), timezone.now()
    Question.objects.create(report=report, by=coordinator, text="Soap?", answer="Yes.", answered_at=now)
    Question.objects.create(
        report=report,
        text="Long ago?",
        answer="Yes.",
        answered_at=now - timedelta(days=2),
        asked_at=now - timedelta(days=3),
    )
    other = queried("westmark")
    Question.objects.create(report=other, text="Soap?", answer="Yes.", answered_at=now)
    queried()
    for site in (report.trap.site, other.trap.site):
        Opening.objects.create(
            uuid=uuid.uuid4(),
            trap=make_trap(site=site),
            by=site.household.keeper,
            fingerprint="-",
            set_at=now - 30 * HOUR,
        )


def test_the_numbers_are_those_of_her_regions_since_yesterday(season: Season) -> None:
    """Counted by hand from the world above."""
    east, lead = make_coordinator("eastmark"), make_coordinator()
    world(east)
    now = timezone.now()
    since = now - timedelta(days=1)
    urgent = Return.objects.filter(urgent=True).count()
    assert morning_of(east, since=since, now=now) == Morning(
        waiting=2, urgent=min(urgent, 2), overdue=1, answered=1, received=2
    )
    assert morning_of(lead, since=since, now=now) == Morning(
        waiting=3, urgent=urgent, overdue=2, answered=2, received=3
    )
    assert morning_of(make_account(), since=since, now=now) == Morning(0, 0, 0, 0, 0)


def test_the_mail_tells_numbers_and_leads_to_the_queue(season: Season) -> None:
    east = make_coordinator("eastmark")
    world(east)
    now = morning(days=1) if timezone.now() > morning() else morning()
    write_morning_letters(now=now)
    assert send_due_letters(now=now) >= 1
    letter = next(one for one in mail.outbox if one.to == [east.email] and "This morning" in one.subject)
    assert letter.subject == "This morning: 2 returns wait"
    for words in ("2 returns wait for you", "1 trap is open too long", "not done yet", "/queue/"):
        assert words in letter.body


def test_it_names_no_household_no_place_and_no_return(season: Season) -> None:
    east = make_coordinator("eastmark")
    world(east)
    write_morning_letters(now=morning(days=1))
    send_due_letters(now=morning(days=1))
    text = "\n".join(f"{one.subject}\n{one.body}" for one in mail.outbox)
    for report in Return.objects.select_related("trap__site__household", "trap__site__region"):
        for hidden in (
            report.trap.site.household.alias, str(report.uuid), report.trap.site.region.name, report.trap.site.cell_code,
        ):  # fmt: skip
            assert hidden not in text


def test_it_says_whether_last_night_is_done(season: Season) -> None:
    make_coordinator("eastmark")
    queried()
    now = morning()
    job, _ = ask_for_night(season=season, night=latest_night(now))
    claimed = claim_job(job_id=job.pk)
    assert claimed is not None
    finish_job(job=claimed, result={})
    write_morning_letters(now=now)
    assert letters()[0].context["night_done"] is True


def test_it_comes_in_the_language_of_its_reader_and_reads_easily(season: Season) -> None:
    coordinator = make_coordinator("eastmark")
    world(coordinator)
    write_morning_letters(now=morning(days=1))
    send_due_letters(now=morning(days=1))
    english = next(one for one in mail.outbox if "This morning" in one.subject)
    assert reading_grade(english.body.split("http")[0]) <= 8
    Account.objects.update(language=Language.GERMAN)
    write_morning_letters(now=morning(days=2))
    send_due_letters(now=morning(days=2))
    german = mail.outbox[-1]
    assert german.to == [coordinator.email]
    assert german.subject != english.subject


def test_the_command_decides_the_morning_too(season: Season) -> None:
    make_coordinator("eastmark")
    queried()
    said = StringIO()
    call_command("write_morning_letters", stdout=said)
    expected = 1 if morning(6, 30) <= timezone.now() < morning(12, 0) else 0
    assert said.getvalue() == f"{expected} letters written\n"
