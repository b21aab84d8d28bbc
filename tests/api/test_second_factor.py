"""The second factor before the API: a token of a coordinator is got with a code, and without one opens no desk."""

from __future__ import annotations

from typing import Any

import pytest
from django_otp.oath import totp
from django_otp.plugins.otp_totp.models import TOTPDevice
from knox.models import get_token_model

from surveys.models import Account
from surveys.services.people import appoint
from surveys.services.second_factor import confirm_second_factor, make_backup_codes
from surveys.vocabulary import Role
from tests.factories import (
    PASSWORD,
    ApiClient,
    code_of,
    factor_of,
    make_account,
    make_coordinator,
    make_operator,
    make_season,
    verified,
)

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def coordinator() -> Account:
    make_season()
    return make_coordinator("eastmark")


def ask(account: Account, **given: str) -> Any:
    return ApiClient().send("tokens", {"email": account.email, "password": PASSWORD, **given})


def queue_with(token: str) -> Any:
    return ApiClient().get("/api/v1/queue", headers={"Authorization": f"Bearer {token}"})


def problem(answer: Any) -> tuple[int, str]:
    """Return status and problem code of an answer."""
    assert answer["Content-Type"] == "application/problem+json"
    return answer.status_code, answer.json()["type"].rstrip("/").rsplit("/", 1)[1]


def test_a_right_code_gets_a_token_that_opens_the_desk(coordinator: Account) -> None:
    factor_of(coordinator)
    answer = ask(coordinator, code=code_of(coordinator))
    assert answer.status_code == 201
    assert queue_with(answer.json()["token"]).status_code == 200


def test_a_backup_code_does_too_and_once_only(coordinator: Account) -> None:
    factor_of(coordinator)
    code = make_backup_codes(by=coordinator)[0]
    assert queue_with(ask(coordinator, code=code).json()["token"]).status_code == 200
    assert problem(ask(coordinator, code=code)) == (401, "wrong-code")


def test_without_a_code_the_answer_says_that_one_is_needed(coordinator: Account) -> None:
    factor_of(coordinator)
    answer = ask(coordinator)
    assert problem(answer) == (401, "code-needed")
    assert answer["WWW-Authenticate"] == "Bearer"  # RFC 9110, section 15.5.2: a 401 says how
    assert get_token_model().objects.count() == 0


@pytest.mark.parametrize("code", ["000000", "not a code", "aaaaa-aaaaa"])
def test_a_wrong_code_gets_no_token(coordinator: Account, code: str) -> None:
    factor_of(coordinator)
    assert problem(ask(coordinator, code=code)) == (401, "wrong-code")
    assert get_token_model().objects.count() == 0


def test_a_code_gets_one_token(coordinator: Account) -> None:
    factor_of(coordinator)
    code = code_of(coordinator)
    assert ask(coordinator, code=code).status_code == 201
    assert problem(ask(coordinator, code=code)) == (401, "wrong-code")


def test_after_a_wrong_code_the_next_is_put_off_and_the_answer_says_for_how_long(coordinator: Account) -> None:
    factor_of(coordinator)
    ask(coordinator, code="000000")
    answer = ask(coordinator, code=code_of(coordinator))
    assert problem(answer) == (429, "quota-exceeded")
    assert int(answer["Retry-After"]) == 1


def test_a_wrong_password_says_nothing_of_a_second_factor(coordinator: Account) -> None:
    factor_of(coordinator)
    with_factor = ApiClient().send("tokens", {"email": coordinator.email, "password": "not this one", "code": "000000"})
    without = ApiClient().send("tokens", {"email": make_account().email, "password": "not this one", "code": "000000"})
    assert problem(with_factor) == problem(without) == (401, "not-signed-in")
    assert with_factor.json()["detail"] == without.json()["detail"]
    assert TOTPDevice.objects.get().throttling_failure_count == 0


def test_a_coordinator_without_a_factor_gets_a_token_that_opens_everything_but_the_desk(coordinator: Account) -> None:
    token = ask(coordinator).json()["token"]
    own = ApiClient().get("/api/v1/returns", headers={"Authorization": f"Bearer {token}"})
    assert own.status_code == 200
    answer = queue_with(token)
    assert problem(answer) == (403, "second-factor-needed")
    assert "/second-factor/new/" in answer.json()["detail"]


def test_a_token_from_before_the_factor_ends_with_its_setting_up(coordinator: Account) -> None:
    token = ask(coordinator).json()["token"]
    key = "31" * 20
    confirm_second_factor(by=coordinator, key=key, code=f"{totp(bytes.fromhex(key)):06d}")
    assert queue_with(token).status_code == 401


def test_a_role_that_comes_later_makes_no_old_token_open_the_desk() -> None:
    """Whoever was given the factor needs a code for every token, with a role or without."""
    make_season()
    account = make_account()
    before = ask(account).json()["token"]
    appoint(by=None, account=account, role=Role.COORDINATOR)
    assert problem(queue_with(before)) == (403, "second-factor-needed")
    factor_of(account)
    account.appointments.all().delete()
    assert problem(ask(account)) == (401, "code-needed")


def test_a_role_that_was_ended_is_gone_at_the_next_request(coordinator: Account) -> None:
    desk = ApiClient(coordinator)
    assert desk.read("queue").status_code == 200
    coordinator.appointments.all().delete()
    assert problem(desk.read("queue")) == (403, "not-allowed")


def test_a_family_needs_no_code_and_one_that_is_sent_is_not_looked_at() -> None:
    account = make_account()
    assert ask(account).status_code == 201
    assert ask(account, code="000000").status_code == 201


def test_a_factor_that_is_not_confirmed_is_none(coordinator: Account) -> None:
    TOTPDevice.objects.create(user=coordinator, name="app", confirmed=False)
    token = ask(coordinator).json()["token"]
    assert problem(queue_with(token)) == (403, "second-factor-needed")


def test_an_operator_needs_the_factor_as_well() -> None:
    operator = make_operator()
    verified(operator)
    assert problem(ask(operator)) == (401, "code-needed")


@pytest.mark.parametrize("code", [123456, None, "", " ", "1" * 21])
def test_a_code_that_is_no_short_text_is_refused_in_words(coordinator: Account, code: Any) -> None:
    factor_of(coordinator)
    answer = ApiClient().send("tokens", {"email": coordinator.email, "password": PASSWORD, "code": code})
    assert problem(answer) == (400, "faulty-request")
    assert answer.json()["errors"][0]["pointer"] == "/code"
