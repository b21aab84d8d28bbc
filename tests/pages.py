"""One small world that has an object behind every address, and somebody in every role."""

from __future__ import annotations

import hashlib
import re
import uuid
from collections.abc import Iterator
from datetime import date, timedelta
from random import Random
from typing import Any

from django.urls import URLPattern, URLResolver, get_resolver
from django.utils import timezone

from surveys.models import Account, Appointment, Draft, Export, Job, Question, Return, Run, SecondLook, Sheet, TrayPhoto
from surveys.permissions import Rule
from surveys.queries.exports import file_of
from surveys.services.appointments import invite
from surveys.services.drafts import keep_answers
from surveys.services.openings import SentOpening, set_trap
from surveys.services.people import appoint
from surveys.services.schools import add_class
from surveys.services.screening import screen_received
from surveys.services.season_plans import begin_plan
from surveys.vocabulary import DraftKind, HouseholdKind, JobKind, JobState, Role, RunState, SheetKind
from tests.factories import (
    ApiClient,
    make_coordinator,
    make_household,
    make_operator,
    make_researcher,
    make_season,
    make_site,
    make_trap,
    protocol,
    return_payload,
    send_return,
    stored,
)
from tests.pictures import plain_jpeg
from tests.shown_releases import put_release

ROLES = (
    "anonymous", "owner", "stranger", "teacher", "coordinator", "other coordinator", "lead coordinator", "researcher",
    "operator",
)  # fmt: skip
ANYONE, SIGNED_IN, COORDINATOR, RESEARCHER = Rule.ANYONE, Rule.SIGNED_IN, Rule.COORDINATOR, Rule.RESEARCHER
APPOINTED, OFFICE, LEAD, PLANNER = Rule.APPOINTED, Rule.OFFICE, Rule.LEAD, Rule.PLANNER


def walk(resolver: Any = None, prefix: str = "") -> Iterator[tuple[str, str, Any]]:
    """Yield name, path and view of every address."""
    for entry in (resolver or get_resolver()).url_patterns:
        if isinstance(entry, URLResolver):
            yield from walk(entry, prefix + str(entry.pattern))
        elif isinstance(entry, URLPattern):
            yield str(entry.name), prefix + str(entry.pattern), entry.callback


class World:
    """One queried return with a question, an open trap, drafts, a class and a sheet; somebody in each role."""

    def __init__(self) -> None:
        make_season(tray_photos=True)
        owner = make_household()
        assert owner.keeper is not None
        trap = make_trap(site=make_site(household=owner, region="eastmark"))
        payload = return_payload(trap, liquid="soap")
        assert ApiClient(owner.keeper).send("returns", payload).status_code == 201
        screen_received(most=10)
        self.report: Return = stored(payload)
        assert self.report.state == "queried"
        self.site, self.trap = trap.site, trap
        school = make_household(kind=HouseholdKind.SCHOOL)
        self.people: dict[str, Account | None] = {
            "anonymous": None,
            "owner": owner.keeper,
            "stranger": make_household().keeper,
            "teacher": school.keeper,
            "coordinator": make_coordinator("eastmark"),
            "other coordinator": make_coordinator("westmark"),
            "lead coordinator": make_coordinator(),
            "researcher": make_researcher(),
            "operator": make_operator(),
        }
        self.question = Question.objects.create(report=self.report, text="Was there soap in the cup?")
        opened = SentOpening(uuid.uuid4(), trap.public_id, timezone.now() - timedelta(hours=20), {"mouth_mm": 75.0})
        self.opening = set_trap(by=owner.keeper, sent=opened)
        self.setting = self._draft(DraftKind.SET, {"trap": str(make_trap(site=self.site).public_id)})
        self.emptying = self._draft(DraftKind.EMPTY, {"opening": str(opened.uuid), "trap": str(trap.public_id)})
        assert school.keeper is not None
        make_trap(site=make_site(household=school))
        self.school_class = add_class(by=school.keeper, household=school.public_id, uuid=uuid.uuid4(), rng=Random(1))
        self.sheet = Sheet.objects.create(household=owner, kind=SheetKind.CSV, name="returns.csv", content=b"")
        self.put_photo_back()

        self.looked_at = send_return(make_trap(), screened=True)
        SecondLook.objects.create(report=self.looked_at, season=self.looked_at.season, state=self.looked_at.state)
        # A night of before: what is shown now is left to the tests that compute one.
        job = Job.objects.create(
            kind=JobKind.NIGHT, key="test-2026/2026-05-03/0", state=JobState.DONE, started_at=timezone.now(),
            finished_at=timezone.now(), parameters={"season": "test-2026", "night": "2026-05-03"},
        )  # fmt: skip
        self.run = Run.objects.create(
            season=self.report.season, job=job, fence=1, night=date(2026, 5, 3), state=RunState.SUPERSEDED,
            method_version="1", protocol_version="1", code_version="test", seed=1, snapshot_event=1,
            snapshot_hash="0" * 64, published_at=timezone.now(),
        )  # fmt: skip
        self.release = put_release()
        # Somebody works on the next one, so that no worker takes it up.
        self.making = Job.objects.create(
            kind=JobKind.RELEASE, key="merrow-2026/next", state=JobState.RUNNING, attempts=1, done=30, total=100,
            lease_until=timezone.now() + timedelta(days=1),
            parameters={"season": "merrow-2026", "because": "The autumn is reviewed."},
        )  # fmt: skip
        researcher = self.people["researcher"]
        assert researcher is not None
        self.researcher = researcher
        self.invited = invite(
            by=None, email="new@test.example", role=Role.COORDINATOR, regions=["eastmark"], now=timezone.now()
        )

        lead = self.people["lead coordinator"]
        assert lead is not None
        self.plan = begin_plan(by=lead, copy_of="test-2026")
        self.plan.limits = protocol() | {"based_on": "1", "version": "2", "agreed_on": ""}
        self.plan.save()

    def _draft(self, kind: DraftKind, answers: dict[str, str]) -> Draft:
        owner = self.people["owner"]
        assert owner is not None
        return keep_answers(by=owner, uuid=uuid.uuid4(), kind=kind, answers=answers)

    def put_photo_back(self) -> None:
        """Have a photo of the tray, whoever deleted it or took the return back before."""
        picture = {"picture": plain_jpeg(), "width": 400, "height": 300}
        TrayPhoto.objects.get_or_create(report=self.report, defaults=picture)

    def put_export_back(self) -> Export:
        """Have a written export of the researcher, whoever threw it away before."""
        Export.objects.all().delete()
        content = b"return_id\n"
        export = Export.objects.create(
            by=self.researcher, season=self.report.season, table="returns", kind="csv", asked_at=timezone.now(),
            expires_at=timezone.now() + timedelta(days=7), rows=0, size_bytes=len(content), written_at=timezone.now(),
            sha256=hashlib.sha256(content).hexdigest(),
            job=Job.objects.create(kind=JobKind.EXPORT, key=str(uuid.uuid4()), state=JobState.DONE),
        )  # fmt: skip
        file_of(export).parent.mkdir(parents=True, exist_ok=True)
        file_of(export).write_bytes(content)
        return export

    def put_role_back(self) -> Appointment:
        """Have a role of the researcher, whoever took it away before."""
        if not self.researcher.appointments.exists():
            appoint(by=None, account=self.researcher, role=Role.RESEARCHER)
        found = self.researcher.appointments.order_by("pk").first()
        assert found is not None
        return found

    def path_of(self, name: str, pattern: str) -> str:
        """Return an address with this world's objects in it."""
        if "photo" in name:
            self.put_photo_back()
        draft = self.setting if name == "set-step" else self.emptying
        step = {"set-step": "rim", "empty-step": "trap_state", "which-group-step": "spiders"}.get(name, "")
        number = self.sheet.public_id if name.startswith("sheet") else self.report.uuid
        number = self.looked_at.uuid if name == "second-look" else number
        number = self.plan.public_id if name.startswith("plan") else number
        code = {"problem": "stale", "kind": "woodlice"}.get(name, "test-2026")
        values = {
            "season": "test-2026", "code": code, "region": "eastmark", "step": step,
            "uuid": self.report.uuid, "question": self.question.pk,
            "site": self.site.public_id, "trap": self.trap.public_id, "opening": self.opening.uuid,
            "draft": draft.uuid, "school_class": self.school_class.public_id, "sheet": self.sheet.public_id,
            "trap_code": self.trap.code, "number": number, "uidb36": "1", "key": "none", "kind": "csv",
        }  # fmt: skip
        values["run"] = self.run.pk
        values |= {"collection": "regions", "fid": "eastmark"}
        values |= {"version": self.release.version, "file": "returns.csv", "job": self.making.public_id}
        values["section"] = "weeks"
        values["link"] = self.invited.link
        values["invitation"] = self.invited.invitations[0].pk
        values["account"] = self.researcher.pk
        values["appointment"] = self.put_role_back().pk
        if name in ("api-opening", "api-looks", "api-ending"):
            values["uuid"] = self.opening.uuid
        if name in ("api-export", "api-export-file"):
            values["uuid"] = self.put_export_back().public_id
        return "/" + re.sub(r"<(?:\w+:)?(\w+)>", lambda found: str(values[found.group(1)]), pattern)
