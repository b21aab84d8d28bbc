"""Rows of many returns by COPY, and of one by its own statement: the same columns hold the same values."""

from __future__ import annotations

import json
import uuid
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction

from surveys.models import Return
from surveys.services.intake_rows import ReadyReturn, insert_drafts
from tests.factories import ApiClient, make_season, make_trap, return_payload

pytestmark = pytest.mark.django_db(transaction=True)

#: What differs between two sendings of the same content.
_OWN = {"id", "uuid", "fingerprint", "received_at", "moved_at", "report_id"}


def rows(table: str, key: str, of: list[str]) -> list[dict[str, Any]]:
    """Return the rows of some returns as PostgreSQL holds them, all columns as text."""
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT to_jsonb(t)::text FROM {table} t JOIN surveys_return r ON r.id = t.{key}"
            " WHERE r.uuid = ANY(%s) ORDER BY array_position(%s::uuid[], r.uuid), t.id",
            [of, of],
        )
        return [
            {name: value for name, value in json.loads(row).items() if name not in _OWN} for (row,) in cursor.fetchall()
        ]


def test_many_by_copy_are_stored_as_each_of_them_alone() -> None:
    make_season()
    trap = make_trap()
    client = ApiClient(trap.site.household.keeper)
    changes: list[dict[str, Any]] = [
        {}, {"note": 'tab\there, "quoted", back\\slash, line\nbreak, ä and \\N'}, {"temp_min_c": -1.5, "mouth_mm": 74.5},
        {"rim": "above"}, {"habitat": None}, {"time_precision": "quarter_hour"}, {"traps_pooled": 3}, {"note": "\\."},
        {"looked_for_all": "no"}, {"material": "glass", "note": "NULL"},
    ]  # fmt: skip
    changes *= 2
    together = [return_payload(trap, **change) for change in changes]
    alone = [{**payload, "id": str(uuid.uuid4())} for payload in together]
    answer = client.send("returns/batch", {"returns": together})
    assert (answer.status_code, answer.json()["stored"]) == (200, len(changes)), answer.content
    for payload in alone:
        assert client.send("returns", payload).status_code == 201
    for table, key in (("surveys_return", "id"), ("surveys_catch", "report_id"), ("surveys_found", "report_id")):
        stored = rows(table, key, [payload["id"] for payload in together])
        assert stored == rows(table, key, [payload["id"] for payload in alone])
        assert len(stored) >= len(changes)


def test_an_id_that_is_taken_ends_the_whole_copy() -> None:
    make_season()
    trap = make_trap()
    payload = return_payload(trap)
    assert ApiClient(trap.site.household.keeper).send("returns", payload).status_code == 201
    there = Return.objects.get(uuid=payload["id"])
    copies = [Return(**_columns(there, uuid=uuid.uuid4())) for _ in range(9)]
    with pytest.raises(IntegrityError), transaction.atomic():
        insert_drafts(_drafts([*copies, Return(**_columns(there, uuid=there.uuid))]))
    assert Return.objects.count() == 1
    with transaction.atomic():
        insert_drafts(_drafts([*copies, Return(**_columns(there, uuid=uuid.uuid4()))]))
    assert set(Return.objects.values_list("pk", flat=True)) >= {one.pk for one in copies}


def _columns(report: Return, **changes: Any) -> dict[str, Any]:
    fields = [field for field in Return._meta.concrete_fields if not field.primary_key and not field.generated]
    return {field.attname: getattr(report, field.attname) for field in fields} | changes


def _drafts(reports: list[Return]) -> list[ReadyReturn]:
    return [ReadyReturn(report, [], []) for report in reports]
