"""A school with classes and traps, and the boxes of its table as a teacher fills them in."""

from __future__ import annotations

import re
import uuid
from dataclasses import dataclass
from random import Random

from django.test import Client

from surveys.models import Account, Household, SchoolClass, Season, Site, Trap
from surveys.services.schools import add_class, make_class_code
from surveys.vocabulary import HouseholdKind
from tests.factories import make_household, make_season, make_site, make_trap
from tests.surveys.web.sending import attributes, boxes


@dataclass(frozen=True)
class School:
    """A school with one class and some traps."""

    season: Season
    household: Household
    teacher: Account
    site: Site
    traps: list[Trap]
    school_class: SchoolClass

    @property
    def client(self) -> Client:
        """A browser in which the teacher is signed in."""
        client = Client()
        client.force_login(self.teacher)
        return client

    @property
    def path(self) -> str:
        return f"/my/classes/{self.school_class.public_id}/"

    def code(self, hours: int = 2) -> str:
        """Make a code for the class."""
        return make_class_code(by=self.teacher, school_class=self.school_class.public_id, hours=hours).code

    def pupil(self) -> Client:
        """A browser that has typed the code of the class."""
        client = Client()
        answer = client.post("/class", {"code": self.code()})
        assert (answer.status_code, answer["Location"]) == (302, "/class/traps/")
        return client


def make_school(*, traps: int = 2, season: Season | None = None) -> School:
    """Found a school with one site, so many traps and one class."""
    season = season or make_season()
    household = make_household(kind=HouseholdKind.SCHOOL)
    site = make_site(household=household)
    habitats = ("short_lawn", "hedge_base")
    return School(
        season=season,
        household=household,
        teacher=household.keeper,
        site=site,
        traps=[make_trap(site=site, habitat=habitats[n % 2]) for n in range(traps)],
        school_class=new_class(household),
    )


def new_class(household: Household) -> SchoolClass:
    """Add a class to a school."""
    return add_class(
        by=household.keeper, household=household.public_id, uuid=uuid.uuid4(), rng=Random(uuid.uuid4().int)
    )


def table(cells: dict[str, str] | None = None, /, **changes: str | None) -> dict[str, str]:
    """Return the boxes of a table with faultless shared answers; ``None`` leaves a box out."""
    filled: dict[str, str | None] = {
        "id": str(uuid.uuid4()),
        "read_at": "",
        "part": "0",
        "set_day": "2", "set_month": "May", "set_year": "2026", "set_time": "10:00",
        "emptied_day": "3", "emptied_month": "5", "emptied_year": "2026", "emptied_time": "10 am",
        "mouth_mm": "75", "rim": "flush", "cover": "present", "liquid": "nothing", "trap_state": "intact",
        "step": "check",
    }  # fmt: skip
    filled.update(changes)
    return {name: value for name, value in {**filled, **(cells or {})}.items() if value is not None}


def cell(trap: Trap, group: str) -> str:
    """Return the name of one cell."""
    return f"t_{trap.code}_{group}"


def ticked(page: str) -> dict[str, str]:
    """Return what a browser would send if the page came back untouched: boxes, and ticks that are set."""
    return boxes(re.sub(r'<input\b[^>]*type="checkbox"[^>]*>', _if_set, page))


def _if_set(tag: re.Match[str]) -> str:
    return tag.group() if "checked" in attributes(tag.group()) else ""
