"""Two releases side by side, live data before and after somebody joins, and ids that a sender chooses."""

from __future__ import annotations

import csv
import json
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings

from surveys.models import Release, ReleasedCell, Return, Season
from surveys.queries import live_data
from surveys.services.intake import withdraw_return
from tests.attacker.looking import Marks
from tests.attacker.planted import FULL, SMALLER, THIN, THINNER, Garden, hidden_of_a_garden, plant_garden
from tests.factories import ApiClient, make_household, make_researcher, make_season, make_trap, return_payload
from tests.making import make_release_now

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(autouse=True)
def fresh_places() -> Iterator[None]:
    """Read the places of live data anew in each test: they are kept for a minute."""
    live_data._live_places.cache_clear()
    yield
    live_data._live_places.cache_clear()


def plant(*places: tuple[tuple[float, float], int], first: int = 0, year: int = 2026) -> list[Garden]:
    """Plant so many gardens in each cell, one night each."""
    cells = [cell for cell, number in places for _ in range(number)]
    return [plant_garden(cell, first + at, nights=1, year=year) for at, cell in enumerate(cells)]


def files_of(release: Release) -> dict[str, bytes]:
    folder: Path = settings.RELEASES_FOLDER / release.version
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def rows_of(release: Release, table: str) -> list[dict[str, str]]:
    text = files_of(release)[f"{table}.csv"].decode()
    return list(csv.DictReader(text.splitlines()))


def places_of(rows: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Return the cell of each site, "" without one."""
    return {row["site_id"]: row["cell"] or "" for row in rows}


def sites_of(gardens: Sequence[Garden]) -> set[str]:
    return {str(garden.site.public_id) for garden in gardens}


def traces_of(gardens: Sequence[Garden], files: Mapping[str, bytes]) -> list[str]:
    """Return where in some files anything tells that these gardens are there."""
    marks = Marks([mark for garden in gardens for mark in hidden_of_a_garden(garden)], [one.point for one in gardens])
    return [str(found) for name, content in files.items() for found in marks.look(name, content)]


# --- two releases -------------------------------------------------------------------------------------------


def test_one_garden_that_joins_a_shown_cell_leaves_no_trace_in_the_next_release() -> None:
    season, _ = make_season(tray_photos=True), plant((FULL, 6), (THIN, 3), (THINNER, 3))
    first = make_release_now(season)
    joined = plant((FULL, 1), first=40)
    second = make_release_now(season, because="A garden joined since.")
    assert traces_of(joined, files_of(second)) == []
    assert places_of(rows_of(second, "returns")) == places_of(rows_of(first, "returns"))
    assert rows_of(second, "counts") == rows_of(first, "counts")
    assert [row["returns"] for row in rows_of(second, "exclusions") if row["reason"] == "new_site"] == [""]
    sizes = ("sites", "returns", "trap_nights")
    before, after = ([[row[name] for name in sizes] for row in rows_of(one, "index_level")] for one in (first, second))
    assert before == after


def test_five_that_join_together_come_in_together() -> None:
    season, _ = make_season(tray_photos=True), plant((FULL, 6))
    make_release_now(season)
    joined = plant((FULL, 5), first=40)
    second = make_release_now(season, because="Five gardens joined since.")
    assert sites_of(joined) <= {row["site_id"] for row in rows_of(second, "returns")}


def test_a_cell_that_fills_up_gives_the_last_one_outside_not_away() -> None:
    """Without rule 4 of METHODS.md, section 12.2, whoever knows it narrows the one garden of THINNER down."""
    season, gardens = make_season(tray_photos=True), plant((THIN, 4), (THINNER, 1))
    first = make_release_now(season)
    assert set(places_of(rows_of(first, "returns")).values()) == {""}
    plant((THIN, 5), first=40)
    second = make_release_now(season, because="Five gardens joined since.")
    places = places_of(rows_of(second, "returns"))
    assert len(places) == 10
    assert set(places.values()) == {""}
    assert sites_of(gardens) <= places.keys()


def test_whoever_takes_part_back_leaves_the_next_release_and_nobody_else_is_told_of() -> None:
    season, gardens = make_season(tray_photos=True), plant((FULL, 7))
    first = make_release_now(season)
    gone, keeper = gardens[0], gardens[0].household.keeper
    assert keeper is not None
    withdraw_return(by=keeper, uuid=gone.returns[0].uuid)
    second = make_release_now(season, because="A return was taken back.")
    assert traces_of([gone], files_of(second)) == []
    stayed = {site: cell for site, cell in places_of(rows_of(first, "returns")).items() if site not in sites_of([gone])}
    assert places_of(rows_of(second, "returns")) == stayed


def test_a_cell_of_two_seasons_is_told_of_only_where_five_gardens_stand_in_one() -> None:
    """Six gardens share a cell, three in each season: the rows may show it, a sum over three gardens may not be told."""
    make_season(year=2025, tray_photos=True)
    season = make_season(tray_photos=True)
    plant((FULL, 3), year=2025)
    plant((FULL, 3), first=40)
    release = make_release_now(season)
    assert len(places_of(rows_of(release, "returns"))) == 6
    assert all(int(row["sites"]) >= 5 for row in rows_of(release, "cells"))
    assert all(cell.sites >= 5 for cell in ReleasedCell.objects.all())


# --- live data ----------------------------------------------------------------------------------------------


def live_rows(season: Season, read: Callable[[str], Any]) -> list[dict[str, Any]]:
    live_data._live_places.cache_clear()
    return list(json.loads(read(f"data/returns?season={season.code}&limit=500").content)["items"])


def test_live_data_tell_no_cell_that_no_release_has_told() -> None:
    """Live data are read again and again: a cell that comes with the fifth garden tells who the fifth one is."""
    season, read = make_season(tray_photos=True), ApiClient(make_researcher()).read
    plant((FULL, 6), (THIN, 3), (THINNER, 3))
    assert set(places_of(live_rows(season, read)).values()) <= {""}
    release = make_release_now(season)
    told = places_of(rows_of(release, "returns"))
    assert {site: cell for site, cell in places_of(live_rows(season, read)).items() if cell} == {
        site: cell for site, cell in told.items() if cell
    }


def test_one_garden_that_joins_changes_nobody_elses_place_in_live_data_and_shows_none() -> None:
    season, read = make_season(tray_photos=True), ApiClient(make_researcher()).read
    plant((FULL, 6), (THIN, 4), (THINNER, 3))
    make_release_now(season)
    before = places_of(live_rows(season, read))
    for cell in (FULL, THIN, SMALLER):
        joined = plant((cell, 1), first=40 + len(before))
        after = places_of(live_rows(season, read))
        (own,) = sites_of(joined)
        assert after.pop(own, "") == ""
        assert after == before
        before = places_of(live_rows(season, read))


def test_live_data_of_a_region_with_too_few_gardens_are_empty() -> None:
    season, read = make_season(tray_photos=True), ApiClient(make_researcher()).read
    plant((FULL, 2), (THIN, 2))
    assert live_rows(season, read) == []


# --- ids that a sender chooses ---------------------------------------------------------------------------------


def timely_ids() -> list[str]:
    """Ids that hold a moment, and with version 1 a machine. RFC 9562, sections 5.1, 5.6 and 5.7; its own examples."""
    return [str(uuid.uuid1()), "1ec9414c-232a-6b00-b3c8-9f6bdeced846", "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"]


@pytest.mark.parametrize("identifier", timely_ids(), ids=["version 1", "version 6", "version 7"])
def test_no_return_is_taken_in_under_an_id_that_holds_a_moment(identifier: str) -> None:
    """Ids of returns are published as they were sent."""
    make_season()
    trap = make_trap()
    answer = ApiClient(trap.site.household.keeper).send("returns", return_payload(trap, id=identifier))
    assert answer.status_code == 422, answer.content[:300]
    assert not Return.objects.filter(uuid=identifier).exists()


@pytest.mark.parametrize("identifier", timely_ids(), ids=["version 1", "version 6", "version 7"])
def test_no_site_is_added_under_an_id_that_holds_a_moment(identifier: str) -> None:
    make_season()
    household = make_household()
    body = {"id": identifier, "household": str(household.public_id), "latitude": 51.55, "longitude": -17.45}
    answer = ApiClient(household.keeper).send("sites", body)
    assert answer.status_code in {400, 422}, answer.content[:300]
