"""An open season is frozen by the database itself, asked in plain SQL: every table of it, every way of changing it."""

from __future__ import annotations

import pytest
from django.db import IntegrityError, connection, transaction
from django.db.utils import InternalError

from surveys.models import Protocol, Region, Season
from tests.factories import make_season, protocol, square

pytestmark = pytest.mark.django_db


@pytest.fixture(params=["open", "closed"])
def season(request: pytest.FixtureRequest) -> Season:
    season = make_season()
    Season.objects.filter(pk=season.pk).update(state=request.param)
    return season


def refused(statement: str, *values: object) -> str:
    """Return the words in which the database refuses a statement."""
    with pytest.raises((IntegrityError, InternalError)) as refusal, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement, list(values))
    return str(refusal.value)


#: Every column of a season but its state; the test below compares the list with the table.
COLUMNS = {
    "id": "id + 1000", "code": "'other'", "title": "'other'", "organiser": "'other'", "contact": "'other'",
    "opens_on": "opens_on - 1", "closes_on": "closes_on + 1", "time_zone": "'Europe/Lisbon'",
    "licence": "'CC0-1.0'", "review_budget": "0.5", "welcome": "'other'", "tray_photos": "NOT tray_photos", "invented": "NOT invented",
    "protocol_id": "protocol_id + 1",
}  # fmt: skip


def test_every_column_of_a_season_is_tried() -> None:
    assert {field.column for field in Season._meta.concrete_fields} == {*COLUMNS, "state"}


@pytest.mark.parametrize("column", COLUMNS)
def test_no_column_of_a_season_changes(season: Season, column: str) -> None:
    words = refused(f"UPDATE surveys_season SET {column} = {COLUMNS[column]} WHERE id = %s", season.pk)
    assert "season test-2026 is frozen" in words


def test_an_open_season_can_only_be_closed() -> None:
    season = make_season()
    assert "is frozen" in refused("UPDATE surveys_season SET state = 'draft' WHERE id = %s", season.pk)
    assert Season.objects.filter(pk=season.pk).update(state="closed") == 1
    for state in ("open", "draft"):
        assert "is frozen" in refused("UPDATE surveys_season SET state = %s WHERE id = %s", state, season.pk)


def test_a_season_that_was_opened_is_not_deleted(season: Season) -> None:
    assert "is frozen" in refused("DELETE FROM surveys_season WHERE id = %s", season.pk)


LISTS = {
    "surveys_seasongroup": "position = position + 100",
    "surveys_seasonhabitat": "weight = 0.01",
    "surveys_window": "last_day = last_day + 1",
    "surveys_season_regions": "region_id = region_id + 100",
}


@pytest.mark.parametrize("table", LISTS)
def test_no_row_of_its_lists_changes_or_goes(season: Season, table: str) -> None:
    assert "are frozen" in refused(f"UPDATE {table} SET {LISTS[table]} WHERE season_id = %s", season.pk)
    assert "are frozen" in refused(f"DELETE FROM {table} WHERE season_id = %s", season.pk)


ADDED = {
    "surveys_seasongroup": "(season_id, group_id, position) SELECT %s, max(id), 999 FROM surveys_group",
    "surveys_seasonhabitat": "(season_id, habitat_id, weight) SELECT %s, max(id), 0 FROM surveys_habitat",
    "surveys_window": "(season_id, code, name, first_day, last_day) SELECT %s, 'x', 'X', '2026-01-01', '2026-01-02'",
    "surveys_season_regions": "(season_id, region_id) SELECT %s, max(id) FROM surveys_region",
}


@pytest.mark.parametrize("table", ADDED)
def test_no_row_comes_to_its_lists(season: Season, table: str) -> None:
    assert "are frozen" in refused(f"INSERT INTO {table} {ADDED[table]}", season.pk)


def test_a_row_of_a_draft_cannot_be_moved_into_an_open_season(season: Season) -> None:
    draft = Season.objects.create(
        code="draft", title="Draft", organiser="-", contact="-", protocol=season.protocol, opens_on="2027-01-01",
        closes_on="2027-12-31", time_zone="UTC", licence="CC0-1.0", review_budget=0.1,
    )  # fmt: skip
    window = draft.windows.create(code="x", name="X", first_day="2027-01-01", last_day="2027-01-02")
    assert "are frozen" in refused("UPDATE surveys_window SET season_id = %s WHERE id = %s", season.pk, window.pk)
    window.name = "Y"
    window.save()
    window.delete()
    draft.title = "Another"
    draft.save()
    draft.delete()


@pytest.mark.parametrize("change", ["limits = '{}'", "version = '9'", "agreed_on = '2020-01-01'"])
def test_a_protocol_in_use_is_not_changed(season: Season, change: str) -> None:
    assert "protocol 1 is in use" in refused(f"UPDATE surveys_protocol SET {change} WHERE id = %s", season.protocol_id)
    assert "protocol 1 is in use" in refused("DELETE FROM surveys_protocol WHERE id = %s", season.protocol_id)


def test_a_protocol_that_no_season_uses_may_still_be_changed(season: Season) -> None:
    spare = Protocol.objects.create(version="spare", limits=protocol(), agreed_on="2027-01-01")
    spare.limits = {}
    spare.save()
    spare.delete()


@pytest.mark.parametrize("change", ["code = 'other'", 'boundary = \'{"type": "Polygon", "coordinates": []}\''])
def test_the_boundary_and_code_of_a_region_in_use_stay(season: Season, change: str) -> None:
    assert "region eastmark is in use" in refused(f"UPDATE surveys_region SET {change} WHERE code = 'eastmark'")
    assert "region eastmark is in use" in refused("DELETE FROM surveys_region WHERE code = 'eastmark'")


def test_the_name_of_a_region_and_an_unused_region_may_change(season: Season) -> None:
    Region.objects.filter(code="eastmark").update(name="East Mark", position=7)
    spare = Region.objects.create(code="spare", name="Spare", boundary=square(0, 0), position=9)
    spare.boundary = square(1, 1)
    spare.save()
    spare.delete()
