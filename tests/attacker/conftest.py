"""One planted survey with a night, a release and an export, for all tests of a file: it is only read."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from django.core.cache import cache
from django.core.management import call_command
from django.db import connections

from surveys.models import Account, Export, Release, Season
from surveys.services.exports import ask_for_export, write_export
from surveys.vocabulary import ExportTable, FileKind
from tests.attacker.looking import Marks
from tests.attacker.planted import (
    ALONE,
    Garden,
    hidden_of_a_garden,
    hidden_points,
    hidden_texts,
    plant_survey,
)
from tests.counts_in_parts import parts_as_before
from tests.factories import make_coordinator, make_household, make_researcher
from tests.making import make_release_now
from tests.several_seasons import run_once


@dataclass(frozen=True, slots=True)
class Planted:
    """The survey, and what nobody may learn of it."""

    season: Season
    gardens: list[Garden]
    release: Release
    exports: list[Export]
    researcher: Account
    stranger: Account
    marks: Marks

    @property
    def alone(self) -> list[Garden]:
        """Gardens of a region in which there are too few for anything."""
        return [garden for garden in self.gardens if garden.cell == ALONE]


@pytest.fixture(scope="module")
def planted(django_db_setup: None, django_db_blocker: pytest.FixtureRequest) -> Iterator[Planted]:
    with django_db_blocker.unblock():  # type: ignore[attr-defined]
        cache.clear()
        with parts_as_before():
            try:
                yield build()
            finally:
                # As Django does behind each test that commits; numbers of rows begin at 1 again.
                call_command("flush", verbosity=0, interactive=False)
        connections.close_all()


def build() -> Planted:
    """Plant the survey, compute its night, and publish its first release."""
    season, gardens = plant_survey()
    stranger = make_household().keeper
    assert stranger is not None
    researcher, coordinator = make_researcher(), make_coordinator()
    time.sleep(1.1)  # so that no private moment falls into the second in which something is published
    run_once(season)
    release = make_release_now(season, by=coordinator, because="The spring of a planted survey.")
    exports = [made_export(researcher, season, table, kind) for table in ExportTable for kind in FileKind]
    too_few = [mark for garden in gardens if garden.cell == ALONE for mark in hidden_of_a_garden(garden)]
    marks = Marks([*hidden_texts([researcher, stranger]), *too_few], hidden_points(gardens))
    return Planted(season, gardens, release, exports, researcher, stranger, marks)


def made_export(by: Account, season: Season, table: ExportTable, kind: FileKind) -> Export:
    """Ask for an export of live data and have it written."""
    asked = ask_for_export(by=by, season_code=season.code, table=table, kind=kind, filters={})
    assert isinstance(asked, Export)
    written = write_export(job_id=asked.job_id)
    assert written is not None
    return written
