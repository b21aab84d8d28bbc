"""``pytest -p tests.as_app``: every test as the role that the running service has in the database.

The tables stay those of the role that migrates; each line to the test database gives its rights up. Whatever a test
does through the service must work, so a right that is missing in ``surveys/table_rights.py`` shows. Tests that look
behind the service (switch off a trigger, copy a database) fail here and are meant to.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.db import connection
from django.db.backends.signals import connection_created
from django.test import TransactionTestCase

APP = "trapnight_app_of_tests"


def make_role(name: str = APP) -> None:
    """Have a role that may sign in, and give it the rights of the service."""
    from surveys.services.rights import grant_rights  # a plugin is loaded before the settings are

    with connection.cursor() as cursor:
        cursor.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", [name])
        if not cursor.fetchone():
            cursor.execute(f'CREATE ROLE "{name}" LOGIN')
    grant_rights(to=name)


def take_role(connection: Any, **_: Any) -> None:
    """Become the service on a line to the test database."""
    if connection.settings_dict["NAME"].startswith("test_"):
        with connection.cursor() as cursor:
            cursor.execute(f'SET ROLE "{APP}"')


@pytest.fixture(autouse=True, scope="session")
def everybody_is_the_app(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    emptied = TransactionTestCase._fixture_teardown

    def empty_as_owner(self: Any) -> None:
        with connection.cursor() as cursor:
            cursor.execute("RESET ROLE")
        emptied(self)
        take_role(connection)

    with django_db_blocker.unblock():
        make_role()
        connection.close()
    connection_created.connect(take_role)
    TransactionTestCase._fixture_teardown = empty_as_owner  # type: ignore[method-assign]
    yield
    connection_created.disconnect(take_role)
    TransactionTestCase._fixture_teardown = emptied  # type: ignore[method-assign]
