"""Accounts, households and appointments."""

from __future__ import annotations

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.utils import timezone

from surveys.errors import Conflict, Fault, Faulty
from surveys.models import Account, Appointment, Household, Region
from surveys.services.events import write_event
from surveys.vocabulary import HouseholdKind, Role


def open_account(*, email: str, password: str, adult: bool) -> Account:
    """Open an account for an adult. All faults are collected and refused at once."""
    email = email.strip().lower()
    faults = [*_mail_faults(email), *_password_faults(email, password)]
    if not adult:
        faults.append(
            Fault("/adult", "adults_only", "Accounts are for adults. A grown-up of the household or school opens one.")
        )
    if faults:
        raise Faulty("The account could not be opened yet.", faults=tuple(faults))
    with transaction.atomic(durable=True):
        account = Account(email=email, adult_confirmed_at=timezone.now())
        account.set_password(password)
        account.save()
        write_event(by=account, verb="account opened", subject=account, details={})
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


def _mail_faults(email: str) -> list[Fault]:
    try:
        validate_email(email)
    except ValidationError:
        return [
            Fault("/email", "not_a_mail_address", "This does not read like a mail address, such as name@example.org.")
        ]
    if Account.objects.filter(email=email).exists():
        return [Fault("/email", "account_exists", "There is an account with this mail address. Sign in with it.")]
    return []


def _password_faults(email: str, password: str) -> list[Fault]:
    try:
        validate_password(password, Account(email=email))
    except ValidationError as fault:
        return [Fault("/password", "password_too_weak", sentence) for sentence in fault.messages]
    return []
