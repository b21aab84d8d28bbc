"""Letters: written once, due when they should be, and handed to a mail server at most once."""

from __future__ import annotations

import socketserver
import threading
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any, ClassVar

import pytest
from allauth.account.models import EmailAddress
from django.conf import settings as project_settings
from django.core import mail
from django.core.mail.backends.locmem import EmailBackend
from django.core.management import call_command
from django.db import connection, transaction
from django.utils import timezone

from surveys.errors import Conflict, NotFound
from surveys.models import Account, Appointment, Event, Letter, Opening, Trap
from surveys.queries.letters import letters_to_send
from surveys.services.letter_texts import compose
from surveys.services.letters import (
    MOST_ATTEMPTS,
    UNANSWERED,
    drop_reminders,
    plan_reminders,
    send_due_letters,
    write_again,
    write_letter,
)
from surveys.tasks import send_letters
from surveys.vocabulary import Ending, LetterKind
from tests.factories import make_account, make_coordinator, make_household, make_season, make_site, make_trap
from tests.reading import grade_of, sentences_of

pytestmark = pytest.mark.django_db
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
KILLED = "the process was killed"


def confirm(account: Account) -> Account:
    EmailAddress.objects.update_or_create(
        user=account, email=account.email, defaults={"verified": True, "primary": True}
    )
    return account


def unconfirm(account: Account) -> None:
    EmailAddress.objects.filter(user=account).update(verified=False)


def set_just_now(trap: Trap, *, hours_ago: float = 0) -> Opening:
    """Set a trap and plan its letters as the service for settings does."""
    set_at = timezone.now() - timedelta(hours=hours_ago)
    with transaction.atomic():
        opening = Opening.objects.create(
            uuid=uuid.uuid4(), trap=trap, by=trap.site.household.keeper, fingerprint="-", set_at=set_at
        )
        plan_reminders(opening)
    return opening


@pytest.fixture
def trap() -> Trap:
    make_season(year=timezone.now().year)
    found = make_trap()
    confirm(found.site.household.keeper)
    return found


@pytest.fixture
def opening(trap: Trap) -> Opening:
    return set_just_now(trap)


def kinds_waiting(opening: Opening) -> set[str]:
    return set(letters_to_send().filter(opening=opening).values_list("kind", flat=True))


def letter_to(account: Account, *, key: str = "one", due: datetime | None = None) -> Letter:
    return write_letter(
        account=account,
        kind=LetterKind.QUESTION,
        key=key,
        due_at=due or timezone.now(),
        context={"path": "/my/returns/"},
    )


# Writing ---------------------------------------------------------------------------------------


def test_a_letter_with_the_same_key_is_written_once(trap: Trap) -> None:
    keeper = trap.site.household.keeper
    first = letter_to(keeper)
    assert letter_to(keeper, due=timezone.now() + HOUR) == first
    assert Letter.objects.get().due_at == first.due_at


def test_writing_a_letter_twice_does_not_break_the_transaction_around_it(trap: Trap) -> None:
    with transaction.atomic():
        letter_to(trap.site.household.keeper)
        letter_to(trap.site.household.keeper)
        letter_to(trap.site.household.keeper, key="two")
    assert Letter.objects.count() == 2


def test_a_setting_plans_emptying_at_24_hours_and_warnings_at_26_and_30(trap: Trap) -> None:
    desk, elsewhere = make_coordinator("eastmark"), make_coordinator("westmark")
    opening = set_just_now(trap)
    due = {letter.kind: letter.due_at - opening.set_at for letter in opening.letters.all()}
    assert due["empty_now"] == 24 * HOUR
    assert due["overdue"] == 26 * HOUR
    assert due["overdue_region"] == 30 * HOUR
    assert set(opening.letters.filter(kind="overdue_region").values_list("account", flat=True)) == {desk.pk}
    assert not elsewhere.letters.exists()
    keeper = trap.site.household.keeper
    assert set(opening.letters.exclude(kind="overdue_region").values_list("account", flat=True)) == {keeper.pk}


def test_planning_twice_writes_nothing_twice(opening: Opening) -> None:
    before = Letter.objects.count()
    plan_reminders(opening)
    assert Letter.objects.count() == before


def test_a_setting_that_comes_late_plans_no_look_that_has_passed(trap: Trap) -> None:
    opening = set_just_now(trap, hours_ago=25)
    assert kinds_waiting(opening) == {"empty_now", "overdue"}


def test_a_site_that_nobody_keeps_plans_letters_for_its_coordinators_only(trap: Trap) -> None:
    make_coordinator()
    trap.site.household.keeper = None
    trap.site.household.save()
    assert kinds_waiting(set_just_now(Trap.objects.get(pk=trap.pk))) <= {"overdue_region"}


def test_an_ending_drops_every_reminder(opening: Opening) -> None:
    Opening.objects.filter(pk=opening.pk).update(ended_at=timezone.now(), ending=Ending.CALLED_OFF)
    opening.refresh_from_db()
    drop_reminders(opening)
    assert kinds_waiting(opening) == set()
    assert set(opening.letters.values_list("problem", flat=True)) == {"the trap was closed"}


def test_a_look_drops_the_letter_about_it_and_no_other(opening: Opening) -> None:
    keeper = opening.trap.site.household.keeper
    for kind in (LetterKind.LOOK_AT_DUSK, LetterKind.LOOK_AT_DAWN):
        key = f"{kind}:again"
        write_letter(account=keeper, kind=kind, key=key, due_at=timezone.now() + HOUR, context={}, opening=opening)
    opening.looked_dusk_at = timezone.now()
    drop_reminders(opening)
    assert kinds_waiting(opening) == {"look_at_dawn", "empty_now", "overdue"}


def test_a_look_in_the_morning_does_for_the_dusk_before_it_and_not_for_the_dusk_after_it(opening: Opening) -> None:
    keeper, looked = opening.trap.site.household.keeper, timezone.now()
    Letter.objects.all().delete()
    for key, due in (("before", looked - 9 * HOUR), ("after", looked + 9 * HOUR)):
        write_letter(account=keeper, kind=LetterKind.LOOK_AT_DUSK, key=key, due_at=due, context={}, opening=opening)
    opening.looked_dawn_at = looked
    drop_reminders(opening)
    assert list(letters_to_send().values_list("key", flat=True)) == ["after"]


# Sending ---------------------------------------------------------------------------------------


def test_nothing_goes_out_before_it_is_due_and_then_it_goes_out_once(opening: Opening) -> None:
    assert send_due_letters(now=opening.set_at + MINUTE) == 0
    late = opening.set_at + 24 * HOUR
    Letter.objects.filter(kind__in=["look_at_dusk", "look_at_dawn"]).delete()
    assert send_due_letters(now=late) == 1
    assert send_due_letters(now=late + MINUTE) == 0
    (sent,) = mail.outbox
    letter = Letter.objects.get(kind="empty_now")
    assert (sent.subject, sent.to) == ("Empty your trap now", [letter.account.email])
    assert (letter.sent_at, letter.problem, letter.attempts) == (late, "", 1)


def test_a_letter_leads_to_the_trap_and_names_no_place_and_no_person(opening: Opening) -> None:
    Letter.objects.exclude(kind="empty_now").delete()
    send_due_letters(now=opening.set_at + 24 * HOUR)
    (sent,) = mail.outbox
    site = opening.trap.site
    assert f"/my/traps/{opening.trap.public_id}/" in sent.body
    for word in (site.household.alias, site.region.name, site.cell_code, "51.5", site.household.keeper.email):
        assert word not in sent.body
    assert sent.extra_headers["Auto-Submitted"] == "auto-generated"  # RFC 3834, section 5


#: Letters that need no setting, and values for every text.
ABOUT_NO_TRAP = (LetterKind.QUESTION, LetterKind.DORMANT, LetterKind.MORNING, LetterKind.INVITATION)
CONTEXT = {
    "path": "/my/returns/", "erased_on": "2026-12-24", "waiting": 12, "urgent": 2, "overdue": 1, "answered": 3,
    "received": 40, "night_done": True, "role": "coordinator", "regions": ["Eastmark"],
}  # fmt: skip


@pytest.mark.parametrize("kind", list(LetterKind))
@pytest.mark.parametrize("language", ["en", "de"])
def test_each_kind_has_a_subject_in_one_line_and_a_text_with_a_link(
    opening: Opening, kind: LetterKind, language: str
) -> None:
    reader = confirm(make_coordinator())
    Account.objects.filter(pk=reader.pk).update(language=language)
    Letter.objects.all().delete()
    about = None if kind in ABOUT_NO_TRAP else opening
    write_letter(account=reader, kind=kind, key="x", due_at=timezone.now(), context=CONTEXT, opening=about)
    assert send_due_letters(now=timezone.now()) == 1
    (sent,) = mail.outbox
    assert 10 < len(sent.subject) < 78  # RFC 5322, section 2.1.1
    assert "\n" not in sent.subject
    assert "https://" in sent.body
    assert "{" not in sent.body
    assert "&" not in sent.body


def test_traps_of_one_evening_make_one_mail(trap: Trap) -> None:
    others = [make_trap(site=trap.site) for _ in range(3)]
    openings = [set_just_now(one) for one in (trap, *others)]
    Letter.objects.exclude(kind="empty_now").delete()
    assert send_due_letters(now=openings[0].set_at + 24 * HOUR) == 1
    (sent,) = mail.outbox
    assert sent.subject == "Empty your traps now"
    assert [f"trap {number} of site 1" in sent.body for number in (1, 2, 3, 4, 5)] == [True] * 4 + [False]
    assert not letters_to_send().exists()


def test_a_letter_that_is_due_much_later_is_not_taken_along(trap: Trap) -> None:
    first, second = set_just_now(trap, hours_ago=24), set_just_now(make_trap(site=trap.site), hours_ago=23)
    Letter.objects.exclude(kind="empty_now").delete()
    assert send_due_letters(now=timezone.now()) == 1
    assert list(letters_to_send()) == [second.letters.get()]
    assert first.letters.get().sent_at is not None


def test_letters_to_two_people_are_two_mails(trap: Trap) -> None:
    other = confirm(make_account())
    for account in (trap.site.household.keeper, other):
        letter_to(account, key=str(account.pk))
    assert send_due_letters(now=timezone.now()) == 2
    assert len({tuple(sent.to) for sent in mail.outbox}) == 2


@pytest.mark.django_db(transaction=True)
def test_four_threads_at_once_send_each_letter_once(trap: Trap) -> None:
    """K7 of the standards notes: at most once per event, whoever sends."""
    readers = [confirm(make_account()) for _ in range(12)]
    for number, reader in enumerate(readers):
        letter_to(reader, key=str(number))
    start, counts = threading.Barrier(4), []

    def send() -> None:
        start.wait()
        counts.append(send_due_letters(now=timezone.now()))
        connection.close()

    threads = [threading.Thread(target=send) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(counts) == 12
    assert sorted(sent.to[0] for sent in mail.outbox) == sorted(reader.email for reader in readers)


USELESS = {
    "the account is closed": lambda opening: Account.objects.filter(letters__opening=opening).update(is_active=False),
    "the mail address was never confirmed": lambda opening: unconfirm(opening.trap.site.household.keeper),
    "the trap was closed": lambda opening: Opening.objects.filter(pk=opening.pk).update(
        ended_at=timezone.now(), ending=Ending.LOST
    ),
}


@pytest.mark.parametrize(("reason", "change"), USELESS.items(), ids=USELESS.keys())
def test_a_letter_that_nobody_should_get_is_dropped_with_its_reason(opening: Opening, reason: str, change: Any) -> None:
    Letter.objects.exclude(kind="empty_now").delete()
    change(opening)
    assert send_due_letters(now=opening.set_at + 24 * HOUR) == 0
    letter = Letter.objects.get()
    assert (letter.problem, letter.sent_at) == (reason, None)
    assert letter.dropped_at is not None
    assert mail.outbox == []


def test_an_account_without_any_mail_row_gets_nothing(opening: Opening) -> None:
    EmailAddress.objects.all().delete()
    assert send_due_letters(now=opening.set_at + 24 * HOUR) == 0
    assert mail.outbox == []


def test_a_confirmed_address_that_was_changed_since_gets_nothing(opening: Opening) -> None:
    Account.objects.filter(pk=opening.by_id).update(email="new@test.example")
    assert send_due_letters(now=opening.set_at + 24 * HOUR) == 0


def test_the_letters_of_an_account_go_with_it(trap: Trap) -> None:
    reader = confirm(make_account())
    letter_to(reader)
    reader.delete()
    assert send_due_letters(now=timezone.now()) == 0
    assert not Letter.objects.exists()


def test_a_word_about_dusk_is_not_sent_at_midnight(opening: Opening) -> None:
    Letter.objects.all().delete()
    keeper, dusk = opening.by, timezone.now()
    write_letter(account=keeper, kind=LetterKind.LOOK_AT_DUSK, key="d", due_at=dusk, context={}, opening=opening)
    assert send_due_letters(now=dusk + 3 * HOUR + MINUTE) == 0
    assert Letter.objects.get().problem == "it was too late for it"


def test_a_look_that_was_noted_stops_its_letter_even_where_nobody_dropped_it(opening: Opening) -> None:
    Letter.objects.all().delete()
    write_letter(
        account=opening.by, kind=LetterKind.LOOK_AT_DAWN, key="d", due_at=timezone.now(), context={}, opening=opening
    )
    Opening.objects.filter(pk=opening.pk).update(looked_dawn_at=timezone.now())
    assert send_due_letters(now=timezone.now()) == 0


def test_somebody_who_is_no_coordinator_any_more_is_told_nothing(trap: Trap) -> None:
    desk = confirm(make_coordinator("eastmark"))
    opening = set_just_now(trap)
    Letter.objects.exclude(kind="overdue_region").delete()
    Appointment.objects.filter(account=desk).delete()
    assert send_due_letters(now=opening.set_at + 30 * HOUR) == 0
    assert Letter.objects.get().problem == "the account is not a coordinator of the region any more"


def test_a_coordinator_is_told_in_one_letter_how_many_traps_are_open(trap: Trap) -> None:
    confirm(make_coordinator("eastmark"))
    openings = [set_just_now(one) for one in (trap, make_trap())]
    Letter.objects.exclude(kind="overdue_region").delete()
    assert send_due_letters(now=openings[1].set_at + 30 * HOUR) == 1
    (sent,) = mail.outbox
    assert sent.subject == "2 traps in your region are still open"
    assert "/overdue/" in sent.body
    assert "Eastmark" not in sent.body


# What goes wrong -------------------------------------------------------------------------------


class Killed(BaseException):
    """What a process that is killed leaves behind: nothing after this line runs."""


class KilledBeforeItWent(EmailBackend):
    def send_messages(self, messages: Any) -> int:
        raise Killed(KILLED)


class KilledAfterItWent(EmailBackend):
    def send_messages(self, messages: Any) -> int:
        super().send_messages(messages)
        raise Killed(KILLED)


@pytest.mark.parametrize(("backend", "gone"), [("KilledBeforeItWent", 0), ("KilledAfterItWent", 1)])
def test_a_crash_between_mark_and_answer_never_sends_twice(trap: Trap, backend: str, gone: int) -> None:
    letter_to(trap.site.household.keeper)
    letter_to(trap.site.household.keeper, key="two")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("surveys.services.letters.get_connection", globals()[backend])
        with pytest.raises(Killed):
            send_due_letters(now=timezone.now())
    assert len(mail.outbox) == gone
    # The next run sends the other one. The first is lost at worst, and its row says so.
    assert send_due_letters(now=timezone.now()) == 1
    assert len(mail.outbox) == gone + 1
    assert Letter.objects.get(problem=UNANSWERED).sent_at is not None


class MailServer(socketserver.StreamRequestHandler):
    """A mail server in a few lines (RFC 5321): takes letters, or goes wrong where ``breaks`` says."""

    breaks: ClassVar[str] = ""
    taken: ClassVar[list[str]] = []

    def say(self, line: str) -> None:
        self.wfile.write(f"{line}\r\n".encode())

    def handle(self) -> None:
        if self.breaks == "greeting":
            return self.say("554 no service")
        self.say("220 here")
        while line := self.rfile.readline().decode().strip():
            word = line.split(":")[0].split(" ")[0].upper()
            if word == "QUIT":
                return self.say("221 bye")
            if self.breaks.startswith(word + " "):
                answer = self.breaks.removeprefix(word + " ")
                if answer == "hang up":
                    return None
                self.say(answer)
            elif word == "DATA":
                self.say("354 go on")
                self.read_letter()
                if self.breaks == "after data":
                    return None
                self.say(self.breaks.removeprefix("data: ") if self.breaks.startswith("data: ") else "250 taken")
            else:
                self.say("250 ok")
        return None

    def read_letter(self) -> None:
        lines = []
        while (line := self.rfile.readline().decode()) not in (".\r\n", ""):
            lines.append(line)
        self.taken.append("".join(lines))


class Threaded(socketserver.ThreadingTCPServer):
    daemon_threads = True


@pytest.fixture
def mail_server(settings: Any) -> Iterator[type[MailServer]]:
    """A real conversation over a socket, instead of mail in memory."""
    MailServer.breaks, MailServer.taken = "", []
    with Threaded(("127.0.0.1", 0), MailServer) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
        settings.EMAIL_HOST, settings.EMAIL_PORT = server.server_address[:2]
        settings.EMAIL_TIMEOUT = 5
        yield MailServer
        server.shutdown()


def test_a_mail_server_that_is_well_takes_the_letter(trap: Trap, mail_server: type[MailServer]) -> None:
    letter_to(trap.site.household.keeper)
    letter_to(confirm(make_account()), key="two")
    assert send_due_letters(now=timezone.now()) == 2
    assert len(mail_server.taken) == 2
    assert "Auto-Submitted: auto-generated" in mail_server.taken[0]


#: What breaks, whether the letter is tried again, and how it stands after the first try.
SURELY_NOT_GONE = {
    "the receiver is refused for now": ("RCPT 450 busy", "the mail server refused the receiver (450)"),
    "the sender is refused": ("MAIL 550 not you", "the mail server refused the letter (550)"),
    "the letter is refused": ("data: 554 no", "the mail server refused the letter (554)"),
    "the letter is refused for now": ("data: 451 later", "the mail server refused the letter (451)"),
}


@pytest.mark.parametrize(("breaks", "problem"), SURELY_NOT_GONE.values(), ids=SURELY_NOT_GONE.keys())
def test_what_surely_did_not_go_is_tried_again_a_few_times(
    trap: Trap, mail_server: type[MailServer], breaks: str, problem: str
) -> None:
    letter_to(trap.site.household.keeper)
    now = timezone.now()
    mail_server.breaks = breaks
    for attempt in range(1, MOST_ATTEMPTS):
        assert send_due_letters(now=now) == 0
        letter = Letter.objects.get()
        assert (letter.problem, letter.attempts, letter.sent_at) == (problem, attempt, None)
        assert letter.due_at - now == 2 ** (attempt - 1) * 2 * MINUTE
        assert send_due_letters(now=letter.due_at - MINUTE) == 0
        assert Letter.objects.get().attempts == attempt
        now = letter.due_at
    send_due_letters(now=now)
    letter = Letter.objects.get()
    assert (letter.attempts, letter.sent_at, letter.dropped_at) == (MOST_ATTEMPTS, None, now)


def test_one_that_is_tried_again_goes_when_the_server_is_well(trap: Trap, mail_server: type[MailServer]) -> None:
    letter_to(trap.site.household.keeper)
    now = timezone.now()
    mail_server.breaks = "RCPT 450 busy"
    send_due_letters(now=now)
    mail_server.breaks = ""
    assert send_due_letters(now=now + 2 * MINUTE) == 1
    assert Letter.objects.get().problem == ""


def test_a_receiver_who_is_refused_for_good_is_not_tried_again(trap: Trap, mail_server: type[MailServer]) -> None:
    letter_to(trap.site.household.keeper)
    mail_server.breaks = "RCPT 550 nobody here"
    assert send_due_letters(now=timezone.now()) == 0
    letter = Letter.objects.get()
    assert (letter.sent_at, letter.problem) == (None, "the mail server refused the receiver (550)")
    assert letter.dropped_at is not None


@pytest.mark.parametrize("breaks", ["after data", "DATA hang up"])
def test_an_answer_that_never_came_is_never_tried_again(trap: Trap, mail_server: type[MailServer], breaks: str) -> None:
    """The server may have taken it: rather none than two."""
    letter_to(trap.site.household.keeper)
    mail_server.breaks = breaks
    assert send_due_letters(now=timezone.now()) == 0
    letter = Letter.objects.get()
    assert letter.sent_at is not None
    assert letter.problem == f"{UNANSWERED} (SMTPServerDisconnected)"
    mail_server.breaks = ""
    assert send_due_letters(now=timezone.now() + 24 * HOUR) == 0
    assert len(mail_server.taken) == (1 if breaks == "after data" else 0)


def test_a_letter_behind_a_broken_one_goes_out_all_the_same(trap: Trap, mail_server: type[MailServer]) -> None:
    letter_to(trap.site.household.keeper)
    later = letter_to(confirm(make_account()), key="two", due=timezone.now() + MINUTE)
    mail_server.breaks = "after data"
    send_due_letters(now=timezone.now())
    mail_server.breaks = ""
    assert send_due_letters(now=later.due_at) == 1


@pytest.mark.parametrize("breaks", ["greeting", "nobody listens"])
def test_while_the_mail_server_is_away_nothing_is_marked(
    trap: Trap, mail_server: type[MailServer], settings: Any, breaks: str
) -> None:
    letter_to(trap.site.household.keeper)
    if breaks == "nobody listens":
        settings.EMAIL_PORT = 1
    mail_server.breaks = breaks
    assert send_due_letters(now=timezone.now()) == 0
    letter = Letter.objects.get()
    assert (letter.sent_at, letter.attempts, letter.problem) == (None, 0, "")


def test_no_mail_address_stands_in_a_problem(trap: Trap, mail_server: type[MailServer]) -> None:
    letter_to(trap.site.household.keeper)
    mail_server.breaks = f"RCPT 450 {trap.site.household.keeper.email} is busy"
    send_due_letters(now=timezone.now())
    assert "@" not in Letter.objects.get().problem


# Writing again ---------------------------------------------------------------------------------


def test_a_coordinator_writes_again_and_not_twice_in_twelve_hours(trap: Trap) -> None:
    desk = make_coordinator("eastmark")
    opening = set_just_now(trap, hours_ago=40)
    now = timezone.now()
    send_due_letters(now=now)
    Letter.objects.filter(kind="overdue").update(sent_at=now - 13 * HOUR)
    letter = write_again(by=desk, uuid=opening.uuid, now=now)
    assert (letter.account, letter.kind) == (trap.site.household.keeper, "overdue")
    with pytest.raises(Conflict):
        write_again(by=desk, uuid=opening.uuid, now=now)
    mail.outbox.clear()
    assert send_due_letters(now=now) == 1
    with pytest.raises(Conflict):
        write_again(by=desk, uuid=opening.uuid, now=now + 11 * HOUR)
    assert write_again(by=desk, uuid=opening.uuid, now=now + 12 * HOUR).key != letter.key


def test_nobody_writes_about_a_trap_of_another_region_or_one_in_good_time(trap: Trap) -> None:
    late = set_just_now(trap, hours_ago=40)
    for who, uuid_ in (
        (make_coordinator("westmark"), late.uuid),
        (trap.site.household.keeper, late.uuid),
        (make_coordinator("eastmark"), uuid.uuid4()),
        (make_coordinator("eastmark"), set_just_now(make_trap(), hours_ago=25).uuid),
    ):
        with pytest.raises(NotFound):
            write_again(by=who, uuid=uuid_, now=timezone.now())


def test_nobody_is_written_to_where_nobody_keeps_the_household(trap: Trap) -> None:
    opening = set_just_now(trap, hours_ago=40)
    trap.site.household.keeper = None
    trap.site.household.save()
    with pytest.raises(Conflict) as refused:
        write_again(by=make_coordinator(), uuid=opening.uuid, now=timezone.now())
    assert refused.value.code == "nobody_keeps_it"


# Around it -------------------------------------------------------------------------------------


def test_the_command_and_the_task_send_what_is_due(trap: Trap, capsys: pytest.CaptureFixture[str]) -> None:
    letter_to(trap.site.household.keeper)
    call_command("send_letters")
    assert "1 letters sent" in capsys.readouterr().out
    letter_to(trap.site.household.keeper, key="two")
    assert send_letters() == 1


def test_beat_asks_every_minute() -> None:
    (line,) = [line for line in project_settings.CELERY_BEAT_SCHEDULE.values() if line["task"].endswith("send_letters")]
    assert line["schedule"] == 60.0


def test_each_mail_is_one_event_without_an_address(opening: Opening) -> None:
    Letter.objects.exclude(kind="empty_now").delete()
    send_due_letters(now=opening.set_at + 24 * HOUR)
    event = Event.objects.filter(verb="letter handed over").get()
    assert event.details == {"kind": "empty_now", "letters": 1}


def test_sending_costs_the_same_number_of_questions_for_each_letter(
    trap: Trap, django_assert_max_num_queries: Any
) -> None:
    for number in range(5):
        letter_to(confirm(make_account()), key=str(number))
    with django_assert_max_num_queries(5 * 16 + 1):
        assert send_due_letters(now=timezone.now()) == 5


def test_the_day_of_an_erasure_is_told_in_words(trap: Trap) -> None:
    keeper = trap.site.household.keeper
    context = {"path": "/sign-in", "erased_on": "2026-12-24"}
    write_letter(account=keeper, kind=LetterKind.DORMANT, key="x", due_at=datetime.now(UTC), context=context)
    send_due_letters(now=timezone.now())
    assert "24 December 2026" in mail.outbox[0].body


def test_a_household_with_two_sites_reads_which_trap_is_meant(trap: Trap) -> None:
    other = make_trap(site=make_site(household=trap.site.household))
    openings = [set_just_now(one) for one in (trap, other)]
    Letter.objects.exclude(kind="empty_now").delete()
    send_due_letters(now=openings[1].set_at + 24 * HOUR)
    (sent,) = mail.outbox
    assert "trap 1 of site 1" in sent.body
    assert "trap 1 of site 2" in sent.body
    assert "/my/sites/" in sent.body


def test_two_households_of_one_keeper_share_one_mail(trap: Trap) -> None:
    other = make_trap(site=make_site(household=make_household(keeper=trap.site.household.keeper)))
    openings = [set_just_now(one) for one in (trap, other)]
    Letter.objects.exclude(kind="empty_now").delete()
    assert send_due_letters(now=openings[1].set_at + 24 * HOUR) == 1


@pytest.mark.parametrize("kind", list(LetterKind))
def test_letters_read_at_school_grade_five_and_those_of_coordinators_at_eight(
    opening: Opening, kind: LetterKind
) -> None:
    about = None if kind in ABOUT_NO_TRAP else opening
    letter = Letter(account=opening.by, kind=kind, context=CONTEXT, opening=about)
    composed = compose([letter])
    text = "".join(f"<p>{line}</p>" for line in composed.body.splitlines() if "https://" not in line)
    most = 8 if kind in (LetterKind.OVERDUE_REGION, LetterKind.MORNING, LetterKind.INVITATION) else 5
    assert grade_of(sentences_of(f"<main><p>{composed.subject}.</p>{text}</main>")).grade <= most
