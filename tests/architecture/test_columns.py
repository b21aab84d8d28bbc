"""Every stored column is classed, every reported column is guarded, and none is about a child."""

from __future__ import annotations

import csv
import io
import re

import pandas as pd
import pytest
from django.apps import apps
from django.db import connection

from surveys import vocabulary
from surveys.codebook import STORED, exposure_of
from surveys.models import Return
from surveys.models.returns import WORKED_COLUMNS
from surveys.release_files.tables import FROZEN
from surveys.vocabulary import Exposure, Word

LISTS = [
    one for one in vars(vocabulary).values() if isinstance(one, type) and issubclass(one, Word) and one is not Word
]
MODELS = list(apps.get_app_config("surveys").get_models())


def test_every_stored_column_says_how_far_it_may_travel() -> None:
    silent = [
        f"{model._meta.model_name}.{field.name}"
        for model in MODELS
        if not model._meta.auto_created
        for field in model._meta.concrete_fields
        if exposure_of(str(model._meta.model_name), field.name) is None
    ]
    assert silent == []


def test_the_codebook_speaks_of_no_table_or_column_that_is_gone() -> None:
    tables = {str(model._meta.model_name): {f.name for f in model._meta.concrete_fields} for model in MODELS}
    gone = [
        f"{table}.{column}"
        for table, columns in STORED.items()
        for column in columns
        if table not in tables or (column != "*" and column not in tables[table])
    ]
    assert gone == []


@pytest.mark.parametrize("table", ["account", "consent", "sitepoint", "event", "keptanswer", "token", "export"])
def test_nothing_about_a_person_is_open(table: str) -> None:
    assert set(STORED[table].values()) == {Exposure.NEVER}


def test_of_a_household_only_its_kind_is_open() -> None:
    assert STORED["household"] == {"*": Exposure.NEVER, "kind": Exposure.OPEN}


@pytest.mark.django_db
def test_the_database_guards_every_column_that_was_sent() -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT attname FROM pg_trigger t"
            " JOIN pg_attribute a ON a.attrelid = t.tgrelid AND a.attnum = ANY(t.tgattr)"
            " WHERE t.tgname IN ('what_was_sent_is_never_edited', 'what_was_found_is_never_edited')"
        )
        guarded = {row[0] for row in cursor.fetchall()}
    columns = {field.column for field in Return._meta.concrete_fields}
    # Not guarded: the sender's link, which an erasure cuts, the note, which a trigger of its own lets be emptied
    # and nothing else, and what the service works out.
    assert columns - guarded == set(WORKED_COLUMNS) | {"sender_id", "note"}


def test_no_column_is_about_a_child() -> None:
    """Brief: no child's name, age, birth date or gender anywhere."""
    words = re.compile(
        r"child|pupil|birth|gender|sex|first_name|last_name|surname|(^|_)age$|grade|phone|postcode|street"
    )
    named = [f"{m._meta.model_name}.{f.name}" for m in MODELS for f in m._meta.concrete_fields if words.search(f.name)]
    assert named == []


def test_no_code_is_read_as_a_missing_value() -> None:
    """Outside check: pandas reads every code of every closed list as the text that it is."""
    codes = [value for words in LISTS for value in words.values()]
    assert len(codes) > 150
    text = io.StringIO()
    csv.writer(text).writerows([["code"], *([code] for code in codes)])
    text.seek(0)
    read = pd.read_csv(text)["code"]
    assert read.isna().sum() == 0
    assert list(read) == codes


def test_no_code_becomes_a_date_or_number_in_a_spreadsheet() -> None:
    """Standards notes F3: never ``2-5`` (a date), ``1E3`` (a number), or leading zeros."""
    danger = re.compile(r"^\d+[-/]\d+$|^\d+[eE]\d+$|^0\d+|^[=+\-@]")
    assert [value for words in LISTS for value in words.values() if danger.search(value)] == []


def test_released_columns_are_snake_case_and_have_a_meaning() -> None:
    for table in FROZEN:
        for column in table.columns:
            assert re.match(r"^[a-z][a-z0-9_]*$", column.name)
            assert len(column.meaning) >= 12, column
        assert len({column.name for column in table.columns}) == len(table.columns)
