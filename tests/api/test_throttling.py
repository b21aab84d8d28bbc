"""Counting requests: who is counted, what the answers say, and what happens at the limit.

Header forms: draft-ietf-httpapi-ratelimit-headers-10, sections 3 and 4 (from memory of the draft):
``"name";q=quota;w=window`` and ``"name";r=remaining;t=seconds``. Times are set by hand.
"""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from django.core.cache import cache
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.test import APIRequestFactory, force_authenticate

from api import throttling
from api.base import Resource
from api.permissions import rule
from api.throttling import PerReader, SignInThrottle, count
from surveys.models import Account
from surveys.permissions import Rule

MINUTE = 1_777_000_020  # a multiple of 60: a window begins here
FIRST, SECOND = Account(pk=1, email="a@test.example"), Account(pk=2, email="b@test.example")


@pytest.fixture(autouse=True)
def clock(monkeypatch: pytest.MonkeyPatch, settings: Any) -> Any:
    """Set the clock to the beginning of a window, and the limit to three."""
    settings.API_REQUESTS_PER_MINUTE = 3
    now = {"s": float(MINUTE)}
    monkeypatch.setattr(throttling.time, "time", lambda: now["s"])
    return now


class Open(Resource):
    """Answers everybody, however often."""

    permission_classes = [rule(Rule.ANYONE)]
    scope = None

    def get(self, request: Any) -> Response:
        return Response({})


class Shut(Open):
    """Answers those who are signed in."""

    permission_classes = [rule(Rule.SIGNED_IN)]


def answer_to(sender: Account | None = None, *, view: Any = Open, address: str = "192.0.2.1", **headers: str) -> Any:
    """Return the answer to one request. Addresses are those of RFC 5737, for documentation."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    request = APIRequestFactory().get("/api/v1/tried", headers=named, REMOTE_ADDR=address)
    if sender is not None:
        force_authenticate(request, user=sender)
    return view.as_view()(request)


def test_each_answer_says_what_is_left(clock: Any) -> None:
    clock["s"] = MINUTE + 18
    answers = [answer_to() for _ in range(4)]
    assert [one["RateLimit"] for one in answers] == [f'"api";r={left};t=42' for left in (2, 1, 0, 0)]
    assert {one["RateLimit-Policy"] for one in answers} == {'"api";q=3;w=60'}


def test_at_the_limit_the_answer_says_when_to_come_back(clock: Any) -> None:
    clock["s"] = MINUTE + 18
    answers = [answer_to() for _ in range(4)]
    assert [one.status_code for one in answers] == [200, 200, 200, 429]
    assert answers[3]["Retry-After"] == "42"  # RFC 9110, section 10.2.3: seconds
    assert answers[3].data["type"].endswith("/problems/quota-exceeded/")
    assert answers[3].data["detail"] == "There were too many requests. Wait 42 seconds and go on."


def test_a_new_minute_begins_at_zero(clock: Any) -> None:
    clock["s"] = MINUTE + 59.9
    assert [answer_to().status_code for _ in range(4)][-1] == 429
    clock["s"] = MINUTE + 60
    assert answer_to()["RateLimit"] == '"api";r=2;t=60'


def test_accounts_are_counted_apart_wherever_they_sit() -> None:
    assert [answer_to(FIRST, address=f"192.0.2.{n}").status_code for n in range(4)] == [200, 200, 200, 429]
    assert answer_to(SECOND).status_code == 200
    assert answer_to().status_code == 200


def test_addresses_are_counted_apart() -> None:
    assert [answer_to().status_code for _ in range(4)][-1] == 429
    assert answer_to(address="192.0.2.2").status_code == 200


def test_without_a_proxy_the_forwarded_address_is_not_believed() -> None:
    answers = [answer_to(X_Forwarded_For=f"198.51.100.{n}") for n in range(4)]
    assert answers[-1].status_code == 429


def test_behind_a_proxy_only_what_the_proxy_adds_is_believed(settings: Any) -> None:
    settings.REST_FRAMEWORK = {**settings.REST_FRAMEWORK, "NUM_PROXIES": 1}
    same = [answer_to(X_Forwarded_For=f"203.0.113.{n}, 198.51.100.7") for n in range(4)]
    assert [one.status_code for one in same] == [200, 200, 200, 429]
    assert answer_to(X_Forwarded_For="203.0.113.1, 198.51.100.8").status_code == 200


def test_a_request_that_is_refused_counts_and_says_so() -> None:
    answers = [answer_to(view=Shut) for _ in range(4)]
    assert [one.status_code for one in answers] == [401, 401, 401, 429]
    assert answers[0]["RateLimit"].startswith('"api";r=2;')


@pytest.mark.django_db
def test_guessing_tokens_comes_to_an_end() -> None:
    """OWASP API2:2023: tries to authenticate are limited too."""
    answers = [answer_to(view=Shut, Authorization=f"Bearer tn_{n:064}") for n in range(4)]
    assert [one.status_code for one in answers] == [401, 401, 401, 429]


def test_a_request_is_counted_once() -> None:
    answer_to(FIRST)
    assert answer_to(FIRST)["RateLimit"].startswith('"api";r=1;')


def test_an_unknown_parameter_still_hears_the_limit() -> None:
    answer = Open.as_view()(APIRequestFactory().get("/api/v1/tried?colour=red"))
    assert answer.status_code == 400
    assert answer.data["errors"] == [
        {
            "pointer": "/colour",
            "code": "unknown_parameter",
            "detail": "This address does not know the parameter 'colour'. It knows: none.",
        }
    ]
    assert answer["RateLimit"].startswith('"api";r=2;')


@pytest.mark.parametrize("away", ["add", "incr"])
def test_a_cache_that_is_away_lets_everybody_through_and_writes_it_down(
    away: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(*args: Any, **options: Any) -> None:
        raise ConnectionError("no route to host")

    monkeypatch.setattr(cache, away, fail)
    assert [answer_to().status_code for _ in range(5)] == [200] * 5
    assert "the cache is away (ConnectionError)" in caplog.text


def test_a_count_keeps_no_name_in_the_clear(monkeypatch: pytest.MonkeyPatch) -> None:
    keys: list[str] = []
    monkeypatch.setattr(cache, "add", lambda key, *args, **options: keys.append(key))
    monkeypatch.setattr(cache, "incr", lambda key: keys.append(key) or 1)
    count("sign-in:account:a@test.example", 60)
    assert keys
    assert all(re.fullmatch(r"rate:[0-9a-f]{32}:\d+", key) for key in keys)


def test_threads_that_count_at_once_each_count_one_more() -> None:
    """S18: a counter that two read before either writes lets both through. This one is raised by the cache itself."""
    with ThreadPoolExecutor(8) as crowd:
        counted = list(crowd.map(lambda _: count("api:address:192.0.2.9", 60)[0], range(400)))
    assert sorted(counted) == list(range(1, 401))


def test_threads_that_ask_at_once_get_exactly_the_quota(settings: Any) -> None:
    settings.API_REQUESTS_PER_MINUTE = 25
    with ThreadPoolExecutor(8) as crowd:
        answers = list(crowd.map(lambda _: answer_to().status_code, range(80)))
    assert (answers.count(200), answers.count(429)) == (25, 55)


def test_a_longer_chain_of_forged_addresses_changes_nothing_behind_a_proxy(settings: Any) -> None:
    """What a visitor writes stands before what the proxy adds, however much of it there is (DRF docs, NUM_PROXIES)."""
    settings.REST_FRAMEWORK = {**settings.REST_FRAMEWORK, "NUM_PROXIES": 1}
    forged = ["203.0.113.1", "198.51.100.7, 203.0.113.1", ", ,203.0.113.1", "unknown,\t::1, 203.0.113.1"]
    assert [answer_to(X_Forwarded_For=chain).status_code for chain in forged] == [200, 200, 200, 429]


class Collection(Open):
    """An open collection, which map programs read page by page."""

    throttle_classes = [PerReader]


def test_open_collections_have_an_allowance_and_a_name_of_their_own(settings: Any) -> None:
    settings.READER_REQUESTS_PER_MINUTE = 5
    answers = [answer_to(view=Collection) for _ in range(6)]
    assert [one.status_code for one in answers] == [200] * 5 + [429]
    assert answers[0]["RateLimit-Policy"] == '"read";q=5;w=60'
    assert answers[0]["RateLimit"].startswith('"read";r=4;')
    assert answers[5]["Retry-After"] == "60"
    assert answer_to()["RateLimit"].startswith('"api";r=2;')  # reading used up nothing of the other
    assert answer_to(FIRST, view=Collection).status_code == 200  # and an account is counted apart from its address


def test_an_old_map_program_reads_a_whole_map_and_a_class_of_them_too() -> None:
    """GDAL 3.6 asks 25 times for 250 features (measured, standards notes G5); 30 of them sit behind one address."""
    from project.settings import base

    assert base.READER_REQUESTS_PER_MINUTE >= 30 * (25 + 4)  # beside the four requests that find the collection
    assert {answer_to(view=Collection).status_code for _ in range(30 * (25 + 4))} == {200}


class SignIn(Open):
    """Takes tries to sign in."""

    throttle_classes = [SignInThrottle]

    def post(self, request: Request) -> Response:
        return Response({})


def tried(email: Any, address: str = "192.0.2.1") -> int:
    """Return the status of one try to sign in."""
    request = APIRequestFactory().post("/api/v1/tried", {"email": email}, format="json", REMOTE_ADDR=address)
    return int(SignIn.as_view()(request).status_code)


def test_tries_on_one_account_are_limited_from_wherever_they_come(settings: Any) -> None:
    settings.SIGN_INS_PER_HOUR = 2
    spellings = ["a@test.example", " A@TEST.example ", "a@test.EXAMPLE"]
    assert [tried(name, f"192.0.2.{n}") for n, name in enumerate(spellings)] == [200, 200, 429]
    assert tried("b@test.example") == 200


def test_tries_from_one_address_are_limited_too(settings: Any) -> None:
    settings.SIGN_INS_PER_HOUR = 2
    assert [tried(f"p{n}@test.example") for n in range(41)] == [200] * 40 + [429]  # 20 accounts' worth: a school's
    assert tried("p99@test.example", "192.0.2.2") == 200


def test_reading_is_no_try_to_sign_in(settings: Any) -> None:
    settings.SIGN_INS_PER_HOUR, settings.API_REQUESTS_PER_MINUTE = 1, 100
    assert [answer_to(view=SignIn).status_code for _ in range(25)] == [200] * 25
    assert tried("a@test.example") == 200


@pytest.mark.parametrize("name", [[], {"a": 1}, 7, None, ""])
def test_a_try_that_names_no_account_is_counted_like_any_other(settings: Any, name: Any) -> None:
    settings.SIGN_INS_PER_HOUR = 2
    assert [tried(name) for _ in range(3)] == [200, 200, 429]
