"""A test database for programs that are run by hand, made for them and dropped afterwards."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def own_database(name: str) -> Iterator[None]:
    """Set Django up on an empty database; ``name`` begins with ``test_``. Thousands of refusals are not logged."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "project.settings.test")
    import django

    import tests.services  # noqa: F401  # brings the database and the broker

    django.setup()
    from django.db import connection

    logging.disable(logging.ERROR)
    before = connection.settings_dict["NAME"]
    connection.settings_dict["TEST"]["NAME"] = name
    connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    try:
        yield
    finally:
        connection.creation.destroy_test_db(before, verbosity=0)
