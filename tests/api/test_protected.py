"""Names in and names out: what each role reads at each address, and that no write takes a name it does not know.

OWASP API3:2023 (broken object property level authorisation); ASVS 5.0.0, 8.2.3 and 15.3.3.
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from django.apps import apps
from django.db import connection

from api.pointers import MOST_ROWS
from surveys.models import Account, Appointment, Household, Protocol, Region, Return, Season, Site, Trap
from tests.api.test_every_address import CALLS, Caller
from tests.architecture.test_addresses import ADDRESSES
from tests.factories import client_of
from tests.golden.refresh_openapi import GOLDEN as DESCRIBED
from tests.golden.refresh_shown import GOLDEN, shown, written
from tests.pages import World, walk

pytestmark = pytest.mark.django_db

#: Every name of a field or column of every table.
NAMES = sorted(
    {
        name
        for model in apps.get_models()
        for field in model._meta.concrete_fields
        for name in (field.name, field.attname)
    }
    | {"is_staff", "is_superuser", "role", "roles", "owner", "pk"}
)
#: What somebody could want to change by writing its name into a form. Columns that pages are for are left out.
PROTECTED: dict[Any, tuple[str, ...]] = {
    Account: ("email", "password", "is_active", "ledger_id", "confirmed_at"),
    Appointment: ("account_id", "role", "region_id"),
    Household: ("keeper_id", "kind", "public_id"),
    Site: ("household_id", "region_id", "public_id", "number"),
    Trap: ("site_id", "public_id", "code", "number"),
    Return: ("uuid", "sender_id", "trap_id", "region_id", "season_id", "reason", "rank", "screened_at", "fingerprint"),
    Season: ("state", "code", "protocol_id", "licence", "review_budget"),
    Region: ("code", "boundary"),
    Protocol: ("version", "limits"),
}


def test_each_role_reads_the_names_that_it_did_and_no_others() -> None:
    """The file is read by a person before it is committed; ``python -m tests.golden.refresh_shown`` writes it."""
    assert written(shown()) == GOLDEN.read_text()


def test_who_is_refused_reads_no_names_and_a_stranger_reads_what_anybody_does() -> None:
    golden = json.loads(GOLDEN.read_text())
    for name, by_role in golden.items():
        if ADDRESSES[name][2]:  # somebody's own
            assert not isinstance(by_role["anonymous"], list), name
            assert not isinstance(by_role["stranger"], list), name
    everything = {
        text for by_role in golden.values() for names in by_role.values() if isinstance(names, list) for text in names
    }
    last = {text.replace("[]", "").rsplit(".", 1)[-1] for text in everything}
    assert not last & {"password", "sender", "keeper", "fingerprint", "digest", "ledger_id", "email", "request_id"}


def accepted(name: str, method: str) -> set[str]:
    """Return the names that the description gives to the body of a call, at its first level."""
    described = json.loads(DESCRIBED.read_text())
    path = Caller.template(name)
    content = described["paths"][path][method.lower()].get("requestBody", {}).get("content", {})
    schema = content.get("application/json", {}).get("schema", {})
    while "$ref" in schema:
        schema = described["components"]["schemas"][schema["$ref"].rsplit("/", 1)[-1]]
    return set(schema.get("properties", {}))


def protected() -> dict[str, list[Any]]:
    return {
        model.__name__: list(
            model.objects.order_by("pk").values_list("pk", *(one for one in columns if _has(model, one)))
        )
        for model, columns in PROTECTED.items()
    }


def _has(model: Any, column: str) -> bool:
    return column in {field.attname for field in model._meta.concrete_fields}


def test_no_write_of_the_api_takes_a_column_that_it_does_not_name() -> None:
    """Each is told of by name, all at once, and nothing is stored."""
    caller = Caller()
    before = protected(), Return.objects.count()
    writes = [name for name, method in CALLS if method == "POST" and caller.body(name)]
    assert len(writes) >= 13
    for name in writes:
        unknown = [one for one in NAMES if one not in accepted(name, "POST")]
        assert len(unknown) > 150
        assert len(unknown) < MOST_ROWS - 20
        body = caller.body(name) | dict.fromkeys(unknown, "1")
        answer = caller.call(name, "POST", body=json.dumps(body).encode())
        assert answer.status_code == 400, (name, answer.status_code)
        told = {row["pointer"].lstrip("/") for row in answer.json()["errors"]}
        assert set(unknown) <= told, (name, set(unknown) - told)
    assert (protected(), Return.objects.count()) == before


@pytest.mark.parametrize("role", ["owner", "coordinator", "researcher"])
def test_no_form_changes_a_column_that_it_does_not_ask_for(role: str) -> None:
    """Every name of every table, sent to every page that takes a form, by somebody who may be there."""
    world = World()
    account = world.people[role]
    assert account is not None
    patterns = {name: pattern for name, pattern, _ in walk()}
    before = protected()
    sent = 0
    for name, (_, methods, _) in ADDRESSES.items():
        if name.startswith(("api-", "ogc")) or "POST" not in methods:
            continue
        answer = client_of(account).post(world.path_of(name, patterns[name]), dict.fromkeys(NAMES, "1"))
        assert answer.status_code < 500, name
        sent += 1
        assert protected() == before, name
    assert sent > 40
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM surveys_appointment WHERE account_id = %s", [account.pk])
        assert cursor.fetchone()[0] == (0 if role == "owner" else 1)
