"""The Idempotency-Key header: draft-ietf-httpapi-idempotency-key-header, and Strings of RFC 8941."""

from __future__ import annotations

import hashlib
import json

import pytest
from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser
from rest_framework.request import Request
from rest_framework.test import APIRequestFactory, force_authenticate

from api.idempotency import answered, fingerprint, required_once
from surveys.errors import NotAllowed
from surveys.models import Account
from surveys.services.once import Kept

SENDER = Account(pk=7, email="a@test.example", is_active=True)


def asked(key: str | None, payload: object = None, sender: Account | None = SENDER) -> Request:
    """Return a request with a key and a body; nothing is stored."""
    headers = {} if key is None else {"Idempotency-Key": key}
    plain = APIRequestFactory().post("/", json.dumps(payload or {}), content_type="application/json", headers=headers)
    if sender is not None:
        force_authenticate(plain, user=sender)
    return Request(plain, parsers=[JSONParser()])


#: The first is the draft's own example (section 2.1), the second a bare UUID, which many clients send.
@pytest.mark.parametrize(
    ("given", "key"),
    [
        ('"8e03978e-40d5-43dd-bc93-6894a57f9324"', "8e03978e-40d5-43dd-bc93-6894a57f9324"),
        ("8e03978e-40d5-43dd-bc93-6894a57f9324", "8e03978e-40d5-43dd-bc93-6894a57f9324"),
        ('"a"', "a"),
        ('" row 12: lawn, wet! "', " row 12: lawn, wet! "),
        ('"' + "x" * 200 + '"', "x" * 200),
    ],
)
def test_a_key_is_read_as_a_string_of_the_standard(given: str, key: str) -> None:
    once = required_once(asked(given), route="send_return")
    assert (once.key, once.route, once.account) == (key, "send_return", SENDER)


@pytest.mark.parametrize("given", [None, ""])
def test_no_key_is_told_how_to_make_one(given: str | None) -> None:
    """The draft, section 2.7: 400 where a key is required and missing."""
    with pytest.raises(ParseError, match="Idempotency-Key header") as refused:
        required_once(asked(given), route="send_return")
    assert (refused.value.status_code, refused.value.get_codes()) == (400, "key_missing")


#: RFC 8941, section 3.3.3: a String is printable ASCII in double quotes; a bare word is a Token and not a String.
@pytest.mark.parametrize(
    "given",
    ['""', "word", '"open', 'open"', '"a"b"', '"' + "x" * 201 + '"', '"ä"', '"tab\t"', "'a'", '"a"; b=1', '"a", "b"'],
)
def test_an_unreadable_key_is_refused(given: str) -> None:
    with pytest.raises(ParseError, match="double quotes") as refused:
        required_once(asked(given), route="send_return")
    assert refused.value.get_codes() == "key_unreadable"


def test_a_key_belongs_to_an_account() -> None:
    with pytest.raises(NotAllowed):
        required_once(asked('"a"', sender=None), route="send_return")


def test_a_fingerprint_is_sha256_of_canonical_json() -> None:
    """Outside reference: the canonical form of RFC 8785, section 3.2.3 (sorted names, no blanks), by hand."""
    written = '{"a":[1,true,null],"b":{"c":"x","d":2.5}}'
    assert (
        fingerprint({"b": {"d": 2.5, "c": "x"}, "a": [1, True, None]}) == hashlib.sha256(written.encode()).hexdigest()
    )
    assert required_once(asked('"a"', {"b": 1}), route="r").fingerprint == hashlib.sha256(b'{"b":1}').hexdigest()


def test_values_that_look_alike_have_different_fingerprints() -> None:
    alike = [{"a": 1}, {"a": "1"}, {"a": True}, {"a": 1.5}, {"a": [1]}, {"a": None}, {}, {"A": 1}]
    assert len({fingerprint(one) for one in alike}) == len(alike)


def test_an_answer_says_whether_it_was_given_before() -> None:
    first = answered(Kept(201, {"id": 1}), {"Location": "/x"})
    again = answered(Kept(201, {"id": 1}, before=True), {"Location": "/x"})
    assert (first.status_code, again.status_code, first.data, again.data) == (201, 201, {"id": 1}, {"id": 1})
    assert "Idempotency-Replayed" not in first
    assert again["Idempotency-Replayed"] == "true"
    assert first["Location"] == again["Location"] == "/x"
