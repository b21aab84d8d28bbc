"""The download of everything: exactly the person's own rows, asked for with the password, in parts."""

from __future__ import annotations

import csv
import io
import json
import uuid
from base64 import b32encode
from datetime import timedelta
from typing import Any
from zipfile import ZipFile

import pytest
from django.apps import apps
from django.test import Client
from django.utils import timezone
from django_otp.plugins.otp_static.models import StaticToken

from surveys.data_register import REGISTER
from surveys.models import Account, Draft, Event, Letter, Opening, Question, SchoolClass, Sheet, TrayPhoto
from surveys.queries.own_rows import everything_about
from surveys.services.appointments import invite
from surveys.services.people import give_consent
from surveys.services.screening import screen_received
from surveys.services.second_factor import make_backup_codes
from surveys.vocabulary import HouseholdKind, LetterKind, Licence, Role
from surveys.web.download import archive_of
from tests.factories import (
    PASSWORD,
    ApiClient,
    factor_of,
    make_account,
    make_coordinator,
    make_household,
    make_season,
    make_site,
    make_trap,
    return_payload,
    stored,
    token_of,
)

pytestmark = pytest.mark.django_db(transaction=True)


class Person:
    """Somebody with one row in every table, whose texts carry a word of their own."""

    def __init__(self, word: str) -> None:
        self.word = word
        self.household = make_household(kind=HouseholdKind.SCHOOL)
        self.account: Account = self.household.keeper
        self.trap = make_trap(site=make_site(household=self.household))
        payload = return_payload(self.trap, note=f"={word}", liquid="soap")
        self.client = ApiClient(self.account)
        assert self.client.send("returns", payload).status_code == 201
        screen_received(most=10)
        self.report = stored(payload)
        give_consent(by=self.account, version="1", licence=Licence.CC_BY_4)
        coordinator = make_coordinator("eastmark")
        Question.objects.create(
            report=self.report, by=coordinator, text=f"{word}?", answer=f"{word}!", answered_at=timezone.now()
        )
        Draft.objects.create(keeper=self.account, kind="set", answers={"note": word})
        SchoolClass.objects.create(household=self.household, pseudonym=f"{word} class")
        Sheet.objects.create(
            household=self.household, kind="csv", name=f"{word}.csv", content=word.encode(), ready=[{"note": word}]
        )
        Letter.objects.create(
            key=word, account=self.account, kind=LetterKind.OVERDUE, due_at=timezone.now(), context={"a": word}
        )
        Opening.objects.create(
            uuid=uuid.uuid4(), trap=self.trap, by=self.account, fingerprint="0" * 64, set_at=timezone.now()
        )
        TrayPhoto.objects.create(report=self.report, picture=word.encode(), width=3, height=2)
        token_of(self.account)


def signed_in(account: Account) -> Client:
    client = Client()
    client.force_login(account)
    return client


def opened(answer: Any) -> ZipFile:
    assert answer.status_code == 200
    return ZipFile(io.BytesIO(b"".join(answer.streaming_content)))


def test_the_archive_holds_exactly_the_persons_rows_and_nobody_elses() -> None:
    make_season()
    mine, theirs = Person("xmarigoldx"), Person("xbellflowerx")
    archive = opened(signed_in(mine.account).post("/my/account/data", {"password": PASSWORD}))
    assert archive.testzip() is None
    whole = {name: archive.read(name).decode() for name in archive.namelist()}
    text = "\n".join(whole.values())
    for foreign in (
        theirs.word,
        theirs.account.email,
        theirs.household.alias,
        str(theirs.report.uuid),
        str(theirs.trap.public_id),
        str(theirs.trap.site.public_id),
    ):
        assert foreign not in text
    rows = {name[:-5]: json.loads(content) for name, content in whole.items() if name.endswith(".json")}
    # Counted by hand from what Person makes; six groups were answered.
    counted = {name: len(found) for name, found in rows.items()}
    expected = {
        "account": 1, "mail_addresses": 1, "roles": 0, "consents": 1, "households": 1, "classes": 1, "class_codes": 0,
        "drafts": 1, "spreadsheets": 1, "letters": 1, "tokens": 2, "sessions": 1, "sites": 1, "traps": 1, "openings": 1,
        "returns": 1, "catches": 6, "questions": 1, "questions_you_asked": 0, "verdicts_you_gave": 0, "verdicts": 0,
        "corrections": 0, "safety_pages_you_wrote": 0, "news_you_wrote": 0, "kept_answers": 1,
        "tray_photos": 1,
    }  # fmt: skip
    assert {name: counted[name] for name in expected} == expected
    assert counted["findings"] >= 1
    assert counted["why_returns_waited"] >= 1
    assert {row["verb"] for row in rows["what_you_did"]} >= {"account opened", "return received", "own data fetched"}
    assert rows["account"][0]["email"] == mine.account.email
    assert rows["returns"][0]["note"] == "=xmarigoldx"
    assert rows["returns"][0]["uuid"] == str(mine.report.uuid)
    assert rows["sites"][0]["point_latitude"] == mine.trap.site.point.latitude
    assert rows["questions"][0]["answer"] == "xmarigoldx!"
    assert rows["drafts"][0]["answers"] == {"note": "xmarigoldx"}
    assert whole[f"tray_photos/{mine.report.uuid}.jpg"] == "xmarigoldx"
    assert rows["tray_photos"][0]["report_uuid"] == str(mine.report.uuid)
    assert whole[f"spreadsheets/{Sheet.objects.get(household=mine.household).public_id}.csv"] == "xmarigoldx"


def test_the_tables_for_a_spreadsheet_say_the_same_and_run_no_formula() -> None:
    make_season()
    mine = Person("xmarigoldx")
    archive = opened(signed_in(mine.account).post("/my/account/data", {"password": PASSWORD}))
    for name in archive.namelist():
        if name.endswith(".json"):
            rows = json.loads(archive.read(name))
            table = list(csv.DictReader(io.StringIO(archive.read(name.replace(".json", ".csv")).decode())))
            assert len(table) == len(rows), name
            assert not [cell for row in table for cell in row.values() if cell[:1] in ("=", "+", "@", "\t", "\r")]
    assert next(csv.DictReader(io.StringIO(archive.read("returns.csv").decode())))["note"] == "'=xmarigoldx"


def test_nothing_in_the_archive_opens_the_desk() -> None:
    """The secret of the app, the digests of the backup codes and that of a link stay where they are."""
    make_season()
    account = make_coordinator("eastmark")
    device = factor_of(account)
    codes = make_backup_codes(by=account)
    made = invite(by=None, email=account.email, role=Role.RESEARCHER, regions=None, now=timezone.now())
    archive = opened(signed_in(account).post("/my/account/data", {"password": PASSWORD}))
    whole = "\n".join(archive.read(name).decode() for name in archive.namelist())
    rows = {name: json.loads(archive.read(f"{name}.json")) for name in ("second_factor", "backup_codes")}
    assert {name: len(found) for name, found in rows.items()} == {"second_factor": 1, "backup_codes": 10}
    assert json.loads(archive.read("invitations_to_you.json"))[0]["role"] == "researcher"
    assert device is not None
    digests = [*StaticToken.objects.values_list("token", flat=True), made.invitations[0].digest]
    secrets = [device.key, b32encode(device.bin_key).decode(), made.link, *codes, *digests]
    assert [secret for secret in secrets if secret in whole] == []


def test_every_table_of_the_register_is_in_the_download_or_said_to_be_left_out() -> None:
    """A table that the register gains must be downloaded too, or stand here with a reason."""
    left_out = {
        "account.emailconfirmation": "always empty",
        "surveys.erasure": "says nothing of who it was",
        "surveys.appointment": "roles",
        "surveys.sitepoint": "in sites",
        "surveys.findingrow": "in findings",
        "otp_static.staticdevice": "in backup_codes",
    }
    names = {
        "surveys.account": "account", "account.emailaddress": "mail_addresses", "sessions.session": "sessions",
        "surveys.token": "tokens", "surveys.export": "exports", "otp_totp.totpdevice": "second_factor", "otp_static.statictoken": "backup_codes",
        "surveys.invitation": "invitations_to_you", "surveys.consent": "consents", "surveys.household": "households",
        "surveys.site": "sites", "surveys.trap": "traps", "surveys.opening": "openings", "surveys.draft": "drafts",
        "surveys.schoolclass": "classes", "surveys.classcode": "class_codes", "surveys.sheet": "spreadsheets",
        "surveys.return": "returns", "surveys.catch": "catches", "surveys.finding": "findings",
        "surveys.query": "why_returns_waited", "surveys.verdict": "verdicts", "surveys.correction": "corrections",
        "surveys.question": "questions", "surveys.letter": "letters", "surveys.keptanswer": "kept_answers",
        "surveys.safetypage": "safety_pages_you_wrote", "surveys.news": "news_you_wrote", "surveys.trayphoto": "tray_photos", "surveys.event": "what_you_did",
        "surveys.undo": "verdicts_taken_back", "surveys.secondlook": "second_looks", "surveys.lease": "returns_you_read_now",
        "surveys.seasonplan": "season_plans_you_made", "surveys.release": "releases_you_made",
        "surveys.releasedsite": "squares_that_releases_showed",
    }  # fmt: skip
    given = {table.name for table in everything_about(make_account())}
    assert {kept.table for kept in REGISTER} == set(names) | set(left_out)
    assert set(names.values()) <= given


def test_every_reported_column_of_a_return_is_in_the_download() -> None:
    """The columns of the register, less the numbers that join tables and what screening keeps for itself."""
    columns = {column for kept in REGISTER if kept.table == "surveys.return" for column in kept.columns}
    given = next(table for table in everything_about(make_account()) if table.name == "returns").columns
    renamed = {"trap_public_id": "trap", "season_code": "season", "habitat_code": "habitat", "amends_uuid": "amends"}
    # The region stands in sites, and what was found in findings.
    left_out = {"id", "sender", "fingerprint", "screened_with", "compared_with", "region", "known_findings"}
    assert {renamed.get(name, name) for name in given} == columns - left_out
    assert {field.name for field in apps.get_model("surveys", "return")._meta.concrete_fields} == columns


def test_the_archive_is_sent_in_parts_and_kept_by_no_cache() -> None:
    make_season()
    mine = Person("xmarigoldx")
    answer = signed_in(mine.account).post("/my/account/data", {"password": PASSWORD})
    assert answer.streaming
    assert "no-store" in answer["Cache-Control"]
    assert answer["Content-Type"] == "application/zip"
    assert answer["Content-Disposition"] == 'attachment; filename="trapnight-my-data.zip"'
    assert len(list(answer.streaming_content)) > 10
    assert Event.objects.filter(verb="own data fetched", actor=mine.account.pk).count() == 1


@pytest.mark.parametrize("password", ["", "wrong", "\x00"])
def test_without_the_password_nothing_is_sent(password: str) -> None:
    account = make_account()
    answer = signed_in(account).post("/my/account/data", {"password": password})
    assert answer.status_code == 422
    assert 'href="#password"' in answer.content.decode()
    assert Event.objects.filter(verb="own data fetched").count() == 0


def test_looking_at_the_page_sends_nothing() -> None:
    answer = signed_in(make_account()).get("/my/account/data")
    assert not answer.streaming
    assert "Download my data" in answer.content.decode()


def test_a_download_is_had_five_times_an_hour() -> None:
    client = signed_in(make_account())
    had = [client.post("/my/account/data", {"password": PASSWORD}).status_code for _ in range(6)]
    assert had == [200] * 5 + [429]


def test_a_new_account_can_be_downloaded_too() -> None:
    archive = ZipFile(io.BytesIO(b"".join(archive_of(everything_about(make_account()), ()))))
    assert json.loads(archive.read("returns.json")) == []
    assert archive.read("returns.csv").decode().count("\n") == 1


def test_hostile_text_comes_back_as_it_was_typed() -> None:
    account = make_account()
    nasty = 'a";DROP TABLE x;--\r\n=cmd|\u202e"\'<script>\\u0000é😀'
    Draft.objects.create(
        keeper=account, kind="set", answers={"note": nasty}, saved_at=timezone.now() - timedelta(days=1)
    )
    archive = ZipFile(io.BytesIO(b"".join(archive_of(everything_about(account), ()))))
    assert json.loads(archive.read("drafts.json"))[0]["answers"]["note"] == nasty
    row = next(csv.DictReader(io.StringIO(archive.read("drafts.csv").decode(), newline="")))
    assert json.loads(row["answers"])["note"] == nasty
