"""Accounts, households and appointments; consent, language, passwords."""

from __future__ import annotations

from allauth.account.models import EmailAddress
from django.contrib.auth.password_validation import validate_password
from django.contrib.sessions.models import Session
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import IntegrityError, transaction
from django.utils import timezone
from django.utils.translation import gettext_noop
from knox.models import get_token_model

from surveys.errors import Conflict, Fault, Faulty
from surveys.models import Account, Appointment, Consent, Household, Region
from surveys.queries.people import sessions_of
from surveys.services.events import write_event
from surveys.vocabulary import HouseholdKind, Language, Licence, Role

#: The consent text in force: templates/account/consent/<version>.html. A text that was agreed to is never edited.
CONSENT_VERSION = "1"
#: The longest mail address that the table holds.
LONGEST_EMAIL = 254


def open_account(
    *, email: str, password: str, adult: bool, confirmed: bool = False, language: Language = Language.ENGLISH
) -> Account:
    """Open an account for an adult. All faults are collected and refused at once.

    ``confirmed`` says that the mail address is known to be theirs, as in a demonstration.
    """
    email = email.strip().lower()
    if faults := joining_faults(email=email, password=password, adult=adult):
        raise Faulty("The account could not be opened yet.", faults=tuple(faults))
    try:
        with transaction.atomic(durable=True):
            account = Account(email=email, adult_confirmed_at=timezone.now(), language=language)
            account.set_password(password)
            account.save()
            EmailAddress.objects.create(user=account, email=email, primary=True, verified=confirmed)
            write_event(by=account, verb="account opened", subject=account, details={})
    except IntegrityError:  # somebody opened it at this very moment
        raise Faulty("The account could not be opened yet.", faults=(_TAKEN,)) from None
    return account


def found_household(*, by: Account, kind: HouseholdKind, alias: str) -> Household:
    """Found a household or school under a public alias."""
    with transaction.atomic(durable=True):
        if Household.objects.filter(alias=alias).exists():
            raise Conflict(f"The alias {alias!r} is taken. Choose another.")
        household = Household.objects.create(keeper=by, kind=kind, alias=alias)
        write_event(by=by, verb="household founded", subject=household, details={"kind": kind.value})
    return household


def appoint(*, by: Account | None, account: Account, role: Role, region: Region | None = None) -> Appointment:
    """Appoint somebody to a role; doing it twice changes nothing."""
    with transaction.atomic(durable=True):
        appointment, made = Appointment.objects.get_or_create(account=account, role=role, region=region)
        if made:
            details = {"role": role.value, "region": region.code if region else ""}
            write_event(by=by, verb="appointed", subject=account, details=details)
    return appointment


def confirm_mail(*, by: Account, email: str) -> None:
    """Note that the code which was sent to ``email`` came back; doing it twice changes nothing."""
    if email != by.email:
        raise Conflict("The code was for another email address. Ask for a new code.")
    with transaction.atomic(durable=True):
        address, _ = EmailAddress.objects.select_for_update(no_key=True).get_or_create(
            user=by, email=email, defaults={"primary": True}
        )
        if not address.verified:
            address.verified = address.primary = True
            address.save()
            write_event(by=by, verb="mail confirmed", subject=by, details={})


def choose_language(*, by: Account, language: Language) -> None:
    """Keep the language that somebody reads; the same again changes nothing."""
    with transaction.atomic(durable=True):
        if Account.objects.filter(pk=by.pk).exclude(language=language).update(language=language):
            write_event(by=by, verb="language chosen", subject=by, details={"language": language.value})
    by.language = language


def choose_morning_letter(*, by: Account, wanted: bool) -> None:
    """Keep whether somebody wants a letter each morning that something waits; the same again changes nothing."""
    with transaction.atomic(durable=True):
        if Account.objects.filter(pk=by.pk).exclude(morning_letter=wanted).update(morning_letter=wanted):
            write_event(by=by, verb="morning letter chosen", subject=by, details={"wanted": wanted})
    by.morning_letter = wanted


def give_consent(*, by: Account, version: str, licence: Licence) -> Consent:
    """Note that somebody agreed to the text in force; agreeing twice changes nothing.

    An older agreement ends as the new one begins. Raises Conflict for a text that is not in force any more.
    """
    if version != CONSENT_VERSION:
        raise Conflict("The text has changed since you opened the page. Read it once more, then agree.")
    with transaction.atomic(durable=True):
        _lock(by)
        now = timezone.now()
        current = by.consents.filter(withdrawn_at__isnull=True)
        same = current.filter(version=version, licence=licence).first()
        if same is not None:
            return same
        current.update(withdrawn_at=now)
        consent = Consent.objects.create(account=by, version=version, licence=licence, given_at=now)
        details = {"version": version, "licence": licence.value}
        write_event(by=by, verb="consent given", subject=by, details=details)
    return consent


def withdraw_consent(*, by: Account) -> None:
    """End every agreement of an account; withdrawing twice changes nothing."""
    with transaction.atomic(durable=True):
        _lock(by)
        if by.consents.filter(withdrawn_at__isnull=True).update(withdrawn_at=timezone.now()):
            write_event(by=by, verb="consent withdrawn", subject=by, details={})


def change_password(*, by: Account, old: str, new: str) -> None:
    """Change a password whose old one is known. Every fault is listed. All sessions and tokens end."""
    faults = password_faults(email=by.email, password=new)
    if not by.check_password(old):
        faults.insert(0, Fault("/old", "wrong_password", "This is not your password now. Type it once more."))
    if faults:
        raise Faulty("The password is not changed yet.", faults=tuple(faults))
    set_password(by=by, password=new)


def set_password(*, by: Account, password: str) -> None:
    """Set a password that was checked, and end every session and token of the account."""
    with transaction.atomic(durable=True):
        by.set_password(password)
        by.save(update_fields=["password"])
        # Sessions rest on the password: every one that began with the old password has ended with it.
        get_token_model().objects.filter(user=by).delete()
        write_event(by=by, verb="password changed", subject=by, details={})


def end_sessions(*, by: Account, but: str | None = None) -> None:
    """End every session and token of an account, but for the session whose key is ``but``."""
    with transaction.atomic(durable=True):
        Session.objects.filter(session_key__in=[key for key in sessions_of(by) if key != but]).delete()
        get_token_model().objects.filter(user=by).delete()
        write_event(by=by, verb="sessions ended", subject=by, details={})


def note_download(*, by: Account) -> None:
    """Note that somebody fetched everything that is stored about them."""
    with transaction.atomic(durable=True):
        write_event(by=by, verb="own data fetched", subject=by, details={})


def refuse_wrong_password(*, by: Account, password: str) -> None:
    """Raise Faulty unless the password is the account's: asked again before what matters."""
    if not by.check_password(password):
        fault = Fault("/password", "wrong_password", "This is not your password. Type it once more.")
        raise Faulty("Nothing was done yet.", faults=(fault,))


def joining_faults(*, email: str, password: str, adult: bool) -> list[Fault]:
    """Return everything that keeps an account from being opened."""
    faults = [*_mail_faults(email.strip().lower()), *password_faults(email=email, password=password)]
    if not adult:
        faults.append(
            Fault("/adult", "adults_only", "Accounts are for adults. A grown-up of the household or school opens one.")
        )
    return faults


def password_faults(*, email: str, password: str) -> list[Fault]:
    """Return what is wrong with a new password for the account of a mail address."""
    if not password:
        sentence = gettext_noop("Choose a password of at least 12 characters.")  # AUTH_PASSWORD_VALIDATORS
        return [Fault("/password", "empty", sentence)]
    try:
        validate_password(password, Account(email=email))
    except ValidationError as fault:
        return [Fault("/password", "password_too_weak", sentence) for sentence in fault.messages]
    return []


_TAKEN = Fault("/email", "account_exists", "There is an account with this email address. Sign in with it.")


def _mail_faults(email: str) -> list[Fault]:
    if not email:
        return [Fault("/email", "empty", gettext_noop("Type your email address."))]
    try:
        validate_email(email)
    except ValidationError:
        return [
            Fault("/email", "not_a_mail_address", "This does not read like an email address, such as name@example.org.")
        ]
    if len(email) > LONGEST_EMAIL:
        sentence = f"This email address has {len(email)} characters; at most {LONGEST_EMAIL} can be kept."
        return [Fault("/email", "mail_address_too_long", sentence)]
    return [_TAKEN] if Account.objects.filter(email=email).exists() else []


def _lock(account: Account) -> None:
    Account.objects.select_for_update(no_key=True).get(pk=account.pk)
