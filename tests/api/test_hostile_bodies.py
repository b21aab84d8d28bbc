"""Bodies that two readers could read differently, through the real address: each its own sentence, no 500.

The cases are those measured against plain parsers in the standards notes (section 2, A13), and RFC 8259.
"""

from __future__ import annotations

import json
import uuid

import pytest

from surveys.models import Return
from tests.factories import NOBODYS, ApiClient, make_household, make_season, make_site, make_trap, return_payload

pytestmark = pytest.mark.django_db

DEEP = b'{"a":' * 50_000 + b"1" + b"}" * 50_000
HOSTILE: dict[str, tuple[bytes, int, str]] = {
    "a hundred thousand open brackets": (b"[" * 100_000, 400, "too_deep"),
    "fifty thousand levels": (DEEP, 400, "too_deep"),
    "21 levels": (b"[" * 21 + b"]" * 21, 400, "too_deep"),
    "a name twice": (b'{"id": 1, "id": 2}', 400, "name_twice"),
    "NaN": (b'{"mouth_mm": NaN}', 400, "not_a_number"),
    "Infinity": (b'{"mouth_mm": Infinity}', 400, "not_a_number"),
    "minus Infinity": (b'{"mouth_mm": -Infinity}', 400, "not_a_number"),
    "1e999": (b'{"mouth_mm": 1e999}', 400, "number_too_large"),
    "a 900-digit integer": (b'{"mouth_mm": ' + b"9" * 900 + b"}", 400, "number_too_long"),
    "a NUL in a value": (b'{"note": "a\\u0000b"}', 400, "nul_character"),
    "a NUL in a name": (b'{"no\\u0000te": "a"}', 400, "nul_character"),
    "a lone surrogate": (b'{"note": "\\ud800"}', 400, "lone_surrogate"),
    "bytes that are not UTF-8": (b'{"note": "\xff\xfe"}', 400, "not_utf8"),
    "nothing": (b"", 400, "required"),
    "blanks": (b"   \n", 400, "empty_body"),
    "half an object": (b'{"id": ', 400, "not_json"),
    "a trailing comma": (b'{"id": 1,}', 400, "not_json"),
    "single quotes": (b"{'id': 1}", 400, "not_json"),
    "a comment": (b'{"id": 1} // mine', 400, "not_json"),
    "a list": (b"[]", 400, "not_an_object"),
    "a text": (b'"return"', 400, "not_an_object"),
    "null": (b"null", 400, "null"),
    "more than a mebibyte": (b'{"note": "' + b"a" * (1024 * 1024) + b'"}', 413, "too_large"),
}


@pytest.fixture
def client() -> ApiClient:
    make_season()
    return ApiClient(make_household().keeper)


@pytest.mark.parametrize("case", HOSTILE)
def test_a_hostile_body_is_refused_in_words(client: ApiClient, case: str) -> None:
    body, status, code = HOSTILE[case]
    answer = client.post(
        "/api/v1/returns", body, content_type="application/json", headers={"Idempotency-Key": f'"{uuid.uuid4()}"'}
    )
    assert answer.status_code == status, answer.content[:300]
    assert answer["Content-Type"] == "application/problem+json"
    problem = answer.json()
    assert code in [row["code"] for row in problem["errors"]]
    assert problem["detail"].endswith(".")
    assert Return.objects.count() == 0


def test_each_kind_of_hostility_has_a_sentence_of_its_own(client: ApiClient) -> None:
    sentences: dict[str, set[str]] = {}
    for body, _, code in HOSTILE.values():
        answer = client.post(
            "/api/v1/returns", body, content_type="application/json", headers={"Idempotency-Key": f'"{uuid.uuid4()}"'}
        )
        row = next(row for row in answer.json()["errors"] if row["code"] == code)
        sentences.setdefault(code, set()).add(row["detail"])
    texts = [text for found in sentences.values() for text in found]
    assert len(texts) == len(set(texts))


#: field, what was sent, part of the sentence that must come back.
WRONG_VALUES = [
    ("id", "not-a-uuid", "is not a UUID"),
    ("id", 7, "is not a UUID"),
    ("trap", "x", "is not a UUID"),
    ("trap", str(NOBODYS), "not the id of one of your traps"),
    ("set_at", "yesterday", "not a date and time"),
    ("set_at", "2026-05-02T17:00:00", "does not say how far it is from UTC"),
    ("set_at", "2026-02-30T17:00:00Z", "not a day or hour that there is"),
    ("set_at", "1812-05-02T17:00:00Z", "outside 2000 to 2100"),
    ("emptied_at", 1777741200, "not a date and time"),
    ("habitat", "the moon", "is not a habitat of this season"),
    ("mouth_mm", "75", "is not a number"),
    ("mouth_mm", "1_000", "is not a number"),
    ("mouth_mm", "٧٥", "is not a number"),
    ("mouth_mm", True, "is not a number"),
    ("mouth_mm", 0, "outside 1 to 1000"),
    ("depth_mm", -5, "outside 1 to 1000"),
    ("traps_pooled", 1.5, "is not a whole number"),
    ("traps_pooled", 0, "outside 1 to 60"),
    ("traps_pooled", "1", "is not a whole number"),
    ("rim", "wobbly", "is not one of: flush"),
    ("rim", ["flush"], "is not one of: flush"),
    ("cover", None, None),  # null: not answered, as if it were left out
    ("liquid", "tea", "is not one of: nothing"),
    ("trap_state", "gone", "is not one of: intact"),
    ("note", "x" * 501, "at most 500 are kept"),
    ("note", 5, "is not a text"),
    ("rimm", "flush", "Did you mean 'rim'?"),
    ("state", "standing", "There is no field 'state'"),
    ("catch", "many", "Expected a list"),
    ("catch", [{"group": "woodlice"}], "This is missing"),
    ("catch", [{"group": "unicorns", "answer": "none_seen"}], "not on the list of animal groups"),
    ("catch", [{"group": "woodlice", "answer": "number"}], "no count beside it"),
    ("catch", [{"group": "woodlice", "answer": "number", "count": 0}], "answer none_seen"),
    ("catch", [{"group": "woodlice", "answer": "number", "count": -1}], "outside 0 to 100000"),
    ("catch", [{"group": "woodlice", "answer": "number", "count": "3"}], "is not a whole number"),
    ("catch", [{"group": "woodlice", "answer": "class"}], "no class beside it"),
    ("catch", [{"group": "woodlice", "answer": "class", "class": "lots"}], "is not one of: c2to3"),
    ("catch", [{"group": "woodlice", "answer": "none_seen", "count": 3}], "Send one or the other"),
    ("catch", [{"group": "woodlice", "answer": "none_seen"}] * 2, "answered twice"),
    ("catch", [7], "is not an object"),
]


@pytest.mark.parametrize(("field", "value", "sentence"), WRONG_VALUES, ids=lambda v: str(v)[:40])
def test_each_wrong_value_alone_gets_its_own_sentence(field: str, value: object, sentence: str | None) -> None:
    make_season()
    trap = make_trap()
    payload = return_payload(trap)
    payload[field] = value
    answer = ApiClient(trap.site.household.keeper).send("returns", payload)
    if sentence is None:
        assert answer.status_code == 201
        return
    assert answer.status_code in (400, 422), answer.content
    rows = answer.json()["errors"]
    assert any(sentence in row["detail"] for row in rows), rows
    assert any(row["pointer"].startswith(f"/{field}") for row in rows), rows
    assert Return.objects.count() == 0


def test_all_faults_come_at_once() -> None:
    make_season()
    trap = make_trap(site=make_site())
    payload = return_payload(trap, rim="wobbly", liquid="tea", mouth_mm="wide", set_at="yesterday", surprise=1)
    rows = ApiClient(trap.site.household.keeper).send("returns", payload).json()["errors"]
    assert {row["pointer"] for row in rows} == {"/rim", "/liquid", "/mouth_mm", "/set_at", "/surprise"}


def test_a_pointer_escapes_as_rfc_6901_says() -> None:
    """RFC 6901, section 3: ``~`` becomes ``~0`` and ``/`` becomes ``~1``."""
    make_season()
    trap = make_trap()
    payload = return_payload(trap) | {"a/b": 1, "m~n": 2}
    rows = ApiClient(trap.site.household.keeper).send("returns", payload).json()["errors"]
    assert {row["pointer"] for row in rows} == {"/a~1b", "/m~0n"}


def test_every_column_that_is_not_an_input_is_refused_by_name() -> None:
    """Mass assignment (OWASP API3:2023): the worked half, owner and season cannot be sent."""
    make_season()
    trap = make_trap()
    inputs = set(return_payload(trap)) | {"water_mm", "note"}
    columns = {f.name for f in Return._meta.concrete_fields} - inputs
    payload = return_payload(trap) | dict.fromkeys(columns, "standing")
    payload["id"] = str(uuid.uuid4())
    answer = ApiClient(trap.site.household.keeper).send("returns", payload)
    assert answer.status_code == 400
    assert columns - {"id"} <= {row["pointer"].removeprefix("/") for row in answer.json()["errors"]}
    assert Return.objects.count() == 0


def test_the_longest_body_that_is_taken_is_read(client: ApiClient) -> None:
    body = json.dumps({"note": "a" * (1024 * 1024 - 20)}).encode()
    assert len(body) < 1024 * 1024
    answer = client.post("/api/v1/returns", body, content_type="application/json", headers={"Idempotency-Key": '"k"'})
    assert answer.status_code == 400
