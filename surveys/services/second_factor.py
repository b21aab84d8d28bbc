"""The second factor of coordinators and operators: a code of an app, or a backup code, each of which works once.

Codes of the app are those of RFC 6238, checked by django-otp, which also makes a guesser wait: 1, 2, 4, 8 seconds and
so on after each wrong one. Of a backup code only a keyed digest is stored.
"""

from __future__ import annotations

import math
import re
import secrets
from dataclasses import dataclass
from typing import Any

from django.contrib.sessions.models import Session
from django.db import transaction
from django.utils import timezone
from django.utils.crypto import salted_hmac
from django.utils.translation import gettext, ngettext
from django_otp.plugins.otp_static.models import StaticDevice, StaticToken
from django_otp.plugins.otp_totp.models import TOTPDevice
from django_otp.util import random_hex
from knox.models import get_token_model

from surveys.errors import CodeNeeded, Conflict, NotAllowed, NotFound, TooSoon, WrongCode
from surveys.models import Account
from surveys.permissions import has_second_factor, is_verified, may_reset_factor_of
from surveys.queries.people import sessions_of
from surveys.services.events import write_event

BACKUP_CODES = 10
#: Letters and digits that nobody takes for one another on paper.
_SIGNS = "23456789abcdefghjkmnpqrstuvwxyz"
#: Ten of 31 signs are 49 bits: with the waiting between two tries, out of reach.
_LETTERS = 10
#: The library's column holds 16 signs: 64 bits of the digest.
_DIGEST_LENGTH = 16
#: Secret bytes behind the codes of an app: as many as RFC 4226, section 4, recommends.
_KEY_BYTES = 20
_APP_CODE = re.compile(r"[0-9]{6}")


@dataclass(frozen=True, slots=True)
class SetUp:
    """A second factor that was just set up: what stands for it in the session, and backup codes, shown this once."""

    device: Any
    codes: tuple[str, ...]


def new_key() -> str:
    """Return a fresh secret for an authenticator app, in hexadecimal digits. Nothing is stored."""
    return str(random_hex(_KEY_BYTES))


def confirm_second_factor(*, by: Account, key: str, code: str) -> SetUp:
    """Set up the second factor whose ``key`` an app holds, once a ``code`` of the app proves it.

    A factor that is there already is replaced, if it was given in this session. Every token of the account ends:
    a program gets a new one for a code.
    """
    with transaction.atomic(durable=True):
        Account.objects.select_for_update(no_key=True).get(pk=by.pk)
        if has_second_factor(by) and not is_verified(by):
            raise NotAllowed(gettext("This account has a second factor already. Give its code first."))
        TOTPDevice.objects.filter(user_id=by.pk).delete()
        device = TOTPDevice.objects.create(user_id=by.pk, key=key, name="app")
        if not _is_app_code(code) or not device.verify_token(_plain(code)):
            raise WrongCode(
                gettext("This is not the code that the app shows now. Wait for the next one and type that.")
            )
        codes = _fresh_backup_codes(by)
        get_token_model().objects.filter(user_id=by.pk).delete()
        write_event(by=by, verb="second factor set up", subject=by, details={})
    return SetUp(device, codes)


def give_code(*, by: Account, code: str) -> Any:
    """Take a code of the second factor and return the device that stands for it in the session.

    Raises WrongCode for one that is wrong, too old or used before, and TooSoon while a guesser has to wait.
    """
    with transaction.atomic(durable=True):
        device = TOTPDevice.objects.select_for_update(no_key=True).filter(user_id=by.pk, confirmed=True).first()
        if device is None:
            raise Conflict(gettext("This account has no second factor yet. Set it up first."), code="no_second_factor")
        app = _is_app_code(code)
        tried = (
            device
            if app
            else StaticDevice.objects.select_for_update(no_key=True).filter(user_id=by.pk).first() or device
        )
        _refuse_too_soon(tried)
        right = tried.verify_token(_plain(code) if app else _digest(by, code))
        verb = "second factor given" if right else "second factor refused"
        write_event(by=by, verb=verb, subject=by, details={"kind": "app" if app else "backup code"})
    if not right:
        raise WrongCode(gettext("This code is not right. It may be old, or used before. Type the one that shows now."))
    return device


def refuse_without_code(*, account: Account, code: str) -> None:
    """Take the code of an account that has a second factor; raise CodeNeeded where there is none."""
    if not has_second_factor(account):
        return
    if not code.strip():
        raise CodeNeeded("This account has a second factor. Send the code that the app shows now, as `code`.")
    give_code(by=account, code=code)


def make_backup_codes(*, by: Account) -> tuple[str, ...]:
    """Make ten new backup codes, shown this once; the old ones end."""
    with transaction.atomic(durable=True):
        Account.objects.select_for_update(no_key=True).get(pk=by.pk)
        if not has_second_factor(by):
            raise Conflict(gettext("This account has no second factor yet. Set it up first."), code="no_second_factor")
        codes = _fresh_backup_codes(by)
        write_event(by=by, verb="backup codes made", subject=by, details={})
    return codes


def reset_second_factor(*, by: Account | None, account: int) -> Account:
    """Take the second factor off somebody who lost it, and end every session and token of the account.

    ``by`` is somebody who may, or None where the operator does it on the machine itself.
    """
    with transaction.atomic(durable=True):
        found = Account.objects.select_for_update(no_key=True).filter(pk=account).first()
        if found is None:
            raise NotFound(gettext("There is no such account."))
        if by is not None and not may_reset_factor_of(by, found):
            raise NotAllowed(gettext("This second factor is not yours to reset."))
        TOTPDevice.objects.filter(user_id=found.pk).delete()
        StaticDevice.objects.filter(user_id=found.pk).delete()
        Session.objects.filter(session_key__in=list(sessions_of(found))).delete()
        get_token_model().objects.filter(user_id=found.pk).delete()
        write_event(by=by, verb="second factor reset", subject=found, details={})
    return found


def _fresh_backup_codes(account: Account) -> tuple[str, ...]:
    device, _ = StaticDevice.objects.get_or_create(user_id=account.pk, defaults={"name": "backup codes"})
    device.token_set.all().delete()
    codes = ["".join(secrets.choice(_SIGNS) for _ in range(_LETTERS)) for _ in range(BACKUP_CODES)]
    StaticToken.objects.bulk_create([StaticToken(device=device, token=_digest(account, code)) for code in codes])
    return tuple(f"{code[:5]}-{code[5:]}" for code in codes)


def _digest(account: Account, code: str) -> str:
    """Return what is stored of a backup code: without the service's own key it tells nothing."""
    mixed = salted_hmac("trapnight.backup-code", f"{account.pk}:{_plain(code)}", algorithm="sha256")
    return str(mixed.hexdigest()[:_DIGEST_LENGTH])


def _plain(code: str) -> str:
    """Return a code without what people put between its signs."""
    return re.sub(r"[\s-]", "", code).lower()


def _is_app_code(code: str) -> bool:
    return bool(_APP_CODE.fullmatch(_plain(code)))


def _refuse_too_soon(device: Any) -> None:
    allowed, why = device.verify_is_allowed()
    if not allowed:
        wait_s = max(math.ceil((why["locked_until"] - timezone.now()).total_seconds()), 1)
        sentence = ngettext(
            "The last code was wrong. Wait %(seconds)s second, then type the code that shows then.",
            "The last code was wrong. Wait %(seconds)s seconds, then type the code that shows then.",
            wait_s,
        )
        raise TooSoon(sentence % {"seconds": wait_s}, wait_s=wait_s)
