"""The data register speaks of every table and column about people, and of nothing that is gone."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from django.apps import apps
from django.db import connection

from surveys.data_register import ABOUT_NOBODY, PARTS, REGISTER

TABLES = {
    model._meta.label_lower: {field.name for field in model._meta.concrete_fields}
    for model in apps.get_models(include_auto_created=True)
}


def listed(table: str) -> list[str]:
    return [column for kept in REGISTER if kept.table == table for column in kept.columns]


def missing_from_the_register(tables: dict[str, set[str]]) -> list[str]:
    """Return every column that the register should list and does not."""
    return sorted(
        f"{table}.{column}"
        for table, columns in tables.items()
        if table not in ABOUT_NOBODY
        for column in columns - set(listed(table))
    )


def test_every_table_and_column_about_people_has_an_entry() -> None:
    assert missing_from_the_register(TABLES) == []


def test_a_new_column_or_a_new_table_without_an_entry_is_found() -> None:
    grown = {**TABLES, "surveys.account": TABLES["surveys.account"] | {"shoe_size"}, "surveys.diary": {"page"}}
    assert missing_from_the_register(grown) == ["surveys.account.shoe_size", "surveys.diary.page"]


def test_the_register_lists_nothing_that_is_gone_and_nothing_twice() -> None:
    gone = [
        f"{kept.table}.{column}" for kept in REGISTER for column in set(kept.columns) - TABLES.get(kept.table, set())
    ]
    assert gone == []
    assert set(ABOUT_NOBODY) - set(TABLES) == set()
    assert {kept.table for kept in REGISTER} & set(ABOUT_NOBODY) == set()
    twice = Counter((kept.table, column) for kept in REGISTER for column in kept.columns)
    assert [entry for entry, times in twice.items() if times > 1] == []


def test_a_table_said_to_be_about_nobody_points_at_no_account_and_no_household() -> None:
    people = {"surveys.account", "surveys.household", "surveys.site", "surveys.trap"}
    pointing = [
        f"{model._meta.label_lower}.{field.name}"
        for model in apps.get_models(include_auto_created=True)
        if model._meta.label_lower in ABOUT_NOBODY
        for field in model._meta.concrete_fields
        if field.related_model and field.related_model._meta.label_lower in people
    ]
    assert pointing == []


@pytest.mark.parametrize("part", ["what", "why", "how_long", "who_sees"])
def test_every_entry_says_what_why_how_long_and_who(part: str) -> None:
    assert [kept.table for kept in REGISTER if len(getattr(kept, part)) < 8] == []


def test_the_entries_stand_together_part_by_part() -> None:
    places = [PARTS.index(kept.part) for kept in REGISTER]
    assert places == sorted(places)
    assert set(places) == set(range(len(PARTS)))


@pytest.mark.django_db
def test_the_database_holds_no_table_that_the_models_do_not_know() -> None:
    with connection.cursor() as cursor:
        found = {table.name for table in connection.introspection.get_table_list(cursor) if table.type == "t"}
    known = {model._meta.db_table for model in apps.get_models(include_auto_created=True)} | {"django_migrations"}
    assert found - known == set()


def test_the_register_loads_in_a_process_without_django() -> None:
    program = "import sys, surveys.data_register; sys.exit('django' in sys.modules)"
    root = Path(__file__).resolve().parent.parent.parent
    assert subprocess.run([sys.executable, "-c", program], cwd=root, check=False).returncode == 0
