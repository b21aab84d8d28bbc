"""Codes of the second factor: right, wrong, old, used before; backup codes; a reset."""

from __future__ import annotations

from datetime import timedelta
from types import SimpleNamespace

import pytest
from django.contrib.sessions.models import Session
from django.utils import timezone
from django_otp.oath import totp
from django_otp.plugins.otp_static.models import StaticToken
from django_otp.plugins.otp_totp.models import TOTPDevice
from knox.models import get_token_model

from surveys.errors import Conflict, NotAllowed, NotFound, TooSoon, WrongCode
from surveys.models import Account, Event
from surveys.permissions import has_second_factor
from surveys.services.people import appoint
from surveys.services.second_factor import (
    confirm_second_factor,
    give_code,
    make_backup_codes,
    new_key,
    reset_second_factor,
)
from surveys.vocabulary import Role
from tests.factories import (
    client_of,
    code_of,
    factor_of,
    make_account,
    make_coordinator,
    make_operator,
    make_researcher,
    make_season,
    token_of,
    verified,
)

pytestmark = pytest.mark.django_db(transaction=True)

#: RFC 6238, appendix B: the secret of the SHA-1 rows, and the last six digits of what it gives at these moments.
SECRET = b"12345678901234567890"
RFC_6238 = {
    59: "287082",
    1111111109: "081804",
    1111111111: "050471",
    1234567890: "005924",
    2000000000: "279037",
    20000000000: "353130",
}


@pytest.fixture
def coordinator() -> Account:
    make_season()
    account = make_coordinator("eastmark")
    TOTPDevice.objects.create(user=account, name="app", key=SECRET.hex())
    return account


def at(monkeypatch: pytest.MonkeyPatch, second: int) -> None:
    """Let the library's clock stand at a second since 1970."""
    monkeypatch.setattr("django_otp.plugins.otp_totp.models.time", SimpleNamespace(time=lambda: second))


def forget_the_wait() -> None:
    """As if the last wrong code was long ago."""
    TOTPDevice.objects.update(throttling_failure_timestamp=timezone.now() - timedelta(hours=1))


@pytest.mark.parametrize(("second", "code"), RFC_6238.items())
def test_the_codes_of_the_standard_are_right(
    coordinator: Account, monkeypatch: pytest.MonkeyPatch, second: int, code: str
) -> None:
    at(monkeypatch, second)
    assert give_code(by=coordinator, code=code) == TOTPDevice.objects.get()


@pytest.mark.parametrize("typed", ["005 924", " 005924 ", "005-924"])
def test_a_code_is_read_as_people_type_it(coordinator: Account, monkeypatch: pytest.MonkeyPatch, typed: str) -> None:
    at(monkeypatch, 1234567890)
    give_code(by=coordinator, code=typed)


@pytest.mark.parametrize("typed", ["", "005925", "5924", "0059240", "+05924", "٠٠٥٩٢٤", "\0", "x" * 5000])
def test_any_other_code_is_refused(coordinator: Account, monkeypatch: pytest.MonkeyPatch, typed: str) -> None:
    at(monkeypatch, 1234567890)
    with pytest.raises(WrongCode):
        give_code(by=coordinator, code=typed)


def test_a_code_works_once(coordinator: Account, monkeypatch: pytest.MonkeyPatch) -> None:
    at(monkeypatch, 59)
    give_code(by=coordinator, code="287082")
    with pytest.raises(WrongCode):
        give_code(by=coordinator, code="287082")


def test_the_code_before_is_taken_and_none_from_earlier(coordinator: Account, monkeypatch: pytest.MonkeyPatch) -> None:
    """RFC 6238, section 5.2: at most one step for the time that a code travels. Both moments are in appendix B."""
    at(monkeypatch, 1111111111)  # the step after that of 1111111109
    give_code(by=coordinator, code=RFC_6238[1111111109])
    TOTPDevice.objects.update(last_t=-1, drift=0)
    at(monkeypatch, 1111111109 + 2 * 30 + 2)
    with pytest.raises(WrongCode):
        give_code(by=coordinator, code=RFC_6238[1111111109])


def test_an_older_code_is_refused_once_a_newer_one_was_used(
    coordinator: Account, monkeypatch: pytest.MonkeyPatch
) -> None:
    at(monkeypatch, 1111111111)
    give_code(by=coordinator, code=RFC_6238[1111111111])
    with pytest.raises(WrongCode):
        give_code(by=coordinator, code=RFC_6238[1111111109])


def test_after_a_wrong_code_even_the_right_one_waits_and_the_wait_doubles(
    coordinator: Account, monkeypatch: pytest.MonkeyPatch
) -> None:
    at(monkeypatch, 59)
    for wait_s in (1, 2, 4, 8):
        with pytest.raises(WrongCode):
            give_code(by=coordinator, code="000000")
        with pytest.raises(TooSoon) as refused:
            give_code(by=coordinator, code="287082")
        assert refused.value.wait_s == wait_s
        forget_the_wait()
    give_code(by=coordinator, code="287082")
    assert TOTPDevice.objects.get().throttling_failure_count == 0


def test_a_code_of_somebody_else_is_wrong(coordinator: Account) -> None:
    other = make_coordinator("westmark")
    with pytest.raises(WrongCode):
        give_code(by=coordinator, code=code_of(other))


def test_every_code_that_was_looked_at_is_one_event_that_holds_no_code(
    coordinator: Account, monkeypatch: pytest.MonkeyPatch
) -> None:
    at(monkeypatch, 59)
    with pytest.raises(WrongCode):
        give_code(by=coordinator, code="000000")
    forget_the_wait()
    give_code(by=coordinator, code="287082")
    events = list(Event.objects.filter(verb__startswith="second factor").order_by("id"))
    assert [one.verb for one in events] == ["second factor refused", "second factor given"]
    assert [one.details for one in events] == [{"kind": "app"}, {"kind": "app"}]
    assert {one.actor for one in events} == {coordinator.pk}


def test_without_a_factor_no_code_is_taken() -> None:
    with pytest.raises(Conflict):
        give_code(by=make_account(), code="123456")


# --- setting it up -------------------------------------------------------------------------------


def set_up(account: Account) -> tuple[str, ...]:
    """Set an account's factor up as its app would, and return the backup codes."""
    key = new_key()
    return confirm_second_factor(by=account, key=key, code=f"{totp(bytes.fromhex(key)):06d}").codes


def test_a_key_has_160_bits_and_is_another_each_time() -> None:
    # RFC 4226, section 4, R6: 160 bits are recommended.
    keys = {new_key() for _ in range(20)}
    assert len(keys) == 20
    assert {len(bytes.fromhex(key)) * 8 for key in keys} == {160}


def test_setting_up_ends_every_token_and_gives_ten_codes() -> None:
    make_season()
    account = make_coordinator()
    get_token_model().objects.create(user=account)
    codes = set_up(account)
    assert len(set(codes)) == 10
    assert has_second_factor(account)
    assert get_token_model().objects.count() == 0
    assert Event.objects.filter(verb="second factor set up", actor=account.pk).count() == 1


@pytest.mark.parametrize("code", ["", "000000", "abcdef"])
def test_a_wrong_code_sets_nothing_up(code: str) -> None:
    account = make_account()
    key = "00" * 20
    with pytest.raises(WrongCode):
        confirm_second_factor(by=account, key=key, code=code)
    assert not has_second_factor(account)
    assert TOTPDevice.objects.count() == 0


def test_the_code_that_set_it_up_is_used_by_then() -> None:
    account = make_account()
    key = new_key()
    code = f"{totp(bytes.fromhex(key)):06d}"
    confirm_second_factor(by=account, key=key, code=code)
    with pytest.raises(WrongCode):
        give_code(by=account, code=code)


def test_a_factor_is_replaced_only_by_somebody_who_has_given_it(coordinator: Account) -> None:
    with pytest.raises(NotAllowed):
        set_up(coordinator)
    assert TOTPDevice.objects.get().key == SECRET.hex()
    set_up(verified(coordinator))
    assert TOTPDevice.objects.get().key != SECRET.hex()


# --- backup codes --------------------------------------------------------------------------------


def test_a_backup_code_works_once_in_any_case_and_with_or_without_its_dash() -> None:
    account = make_account()
    one, other, *rest = set_up(account)
    device = give_code(by=account, code=one)
    assert isinstance(device, TOTPDevice)
    give_code(by=account, code=other.upper().replace("-", " "))
    assert StaticToken.objects.count() == len(rest) == 8
    with pytest.raises(WrongCode):
        give_code(by=account, code=one)
    assert Event.objects.filter(verb="second factor given", details={"kind": "backup code"}).count() == 2


def test_of_a_backup_code_only_a_digest_is_stored_and_it_opens_nothing() -> None:
    account = make_account()
    codes = set_up(account)
    stored = list(StaticToken.objects.values_list("token", flat=True))
    assert not {code.replace("-", "") for code in codes} & set(stored)
    with pytest.raises(WrongCode):
        give_code(by=account, code=stored[0])


def test_a_backup_code_of_somebody_else_opens_nothing() -> None:
    account, other = make_account(), make_account()
    set_up(account)
    with pytest.raises(WrongCode):
        give_code(by=account, code=set_up(other)[0])


def test_new_backup_codes_end_the_old_ones() -> None:
    account = make_account()
    old = set_up(account)
    new = make_backup_codes(by=account)
    assert not set(old) & set(new)
    with pytest.raises(WrongCode):
        give_code(by=account, code=old[0])
    account.staticdevice_set.update(throttling_failure_count=0)
    give_code(by=account, code=new[0])


def test_wrong_backup_codes_make_a_guesser_wait_too() -> None:
    account = make_account()
    codes = set_up(account)
    with pytest.raises(WrongCode):
        give_code(by=account, code="aaaaa-aaaaa")
    with pytest.raises(TooSoon):
        give_code(by=account, code=codes[0])


def test_backup_codes_need_a_factor() -> None:
    with pytest.raises(Conflict):
        make_backup_codes(by=make_account())


# --- a lost phone --------------------------------------------------------------------------------


def test_a_reset_takes_the_factor_off_and_ends_sessions_and_tokens(coordinator: Account) -> None:
    browser, lead = client_of(coordinator), make_coordinator()
    token_of(coordinator)
    make_backup_codes(by=coordinator)
    assert browser.get("/queue/").status_code == 200
    reset_second_factor(by=lead, account=coordinator.pk)
    assert not has_second_factor(coordinator)
    assert (Session.objects.count(), get_token_model().objects.count(), StaticToken.objects.count()) == (0, 0, 0)
    assert browser.get("/queue/")["Location"].startswith("/sign-in")
    event = Event.objects.get(verb="second factor reset")
    assert (event.actor, event.subject_id, event.details) == (lead.pk, coordinator.pk, {})


WHO_RESETS_WHOM = {
    ("lead", "regional"): True,
    ("lead", "other lead"): True,
    ("lead", "researcher"): True,
    ("lead", "operator"): False,
    ("lead", "lead"): False,
    ("lead", "family"): False,
    ("operator", "regional"): True,
    ("operator", "lead"): True,
    ("operator", "other operator"): True,
    ("operator", "operator"): False,
    ("regional", "other regional"): False,
    ("regional", "lead"): False,
    ("researcher", "regional"): False,
    ("family", "regional"): False,
}


@pytest.mark.parametrize(("pair", "may"), WHO_RESETS_WHOM.items(), ids=str)
def test_who_may_reset_whose_factor(pair: tuple[str, str], may: bool) -> None:
    """By hand: those who may appoint, never their own, and an operator's by operators alone."""
    make_season()
    make = {
        "lead": make_coordinator,
        "regional": lambda: make_coordinator("eastmark"),
        "researcher": make_researcher,
        "operator": make_operator,
        "family": make_account,
    }
    people = {pair[0]: make[pair[0]]()}
    people.setdefault(pair[1], make[pair[1].removeprefix("other ")]())
    by, whose = people[pair[0]], people[pair[1]]
    TOTPDevice.objects.create(user=whose, name="app")
    if may:
        reset_second_factor(by=by, account=whose.pk)
    else:
        with pytest.raises(NotAllowed):
            reset_second_factor(by=by, account=whose.pk)
    assert has_second_factor(whose) is not may


def test_a_lead_who_is_an_operator_too_is_in_the_hands_of_operators() -> None:
    make_season()
    both, lead = make_operator(), make_coordinator()
    appoint(by=None, account=both, role=Role.COORDINATOR)
    factor_of(both)
    with pytest.raises(NotAllowed):
        reset_second_factor(by=lead, account=both.pk)
    reset_second_factor(by=make_operator(), account=both.pk)


def test_nobody_is_reset_under_a_number_that_is_nobodys() -> None:
    with pytest.raises(NotFound):
        reset_second_factor(by=make_operator(), account=987654)
