"""People: adult accounts, the households and schools they keep, and appointments."""

from __future__ import annotations

import uuid
from typing import Any, ClassVar

from django.contrib.auth.models import AbstractBaseUser, BaseUserManager
from django.db import models
from django.db.models.functions import Lower, Upper
from django.utils import timezone

from surveys.models.words import only_words, word_column
from surveys.vocabulary import HouseholdKind, Language, Licence, Role


class Accounts(BaseUserManager["Account"]):
    """Looks accounts up by mail address, whatever its case."""

    def get_by_natural_key(self, username: str | None) -> Account:
        return self.get(email=(username or "").strip().lower())


class Account(AbstractBaseUser):  # type: ignore[django-manager-missing]  # its tokens come from an untyped package
    """One adult who can sign in. Nothing about children is stored, here or anywhere."""

    email = models.EmailField(unique=True)
    adult_confirmed_at = models.DateTimeField()
    created_at = models.DateTimeField(auto_now_add=True)
    is_active = models.BooleanField(default=True)
    language = word_column(Language, default=Language.ENGLISH)
    #: Random, so that an erasure can be done again after a backup came back, and tells nothing of who it was.
    ledger_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    dormancy_told_at = models.DateTimeField(null=True)
    #: Whether a coordinator wants to be told each morning what waits.
    morning_letter = models.BooleanField(default=True)

    objects: ClassVar[Accounts] = Accounts()

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS: ClassVar[list[str]] = []

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(condition=models.Q(email=Lower("email")), name="a_mail_address_is_lower_case"),
            only_words("language", Language, "an_account_has_a_known_language"),
        ]

    def __str__(self) -> str:
        return f"account {self.pk}"


class Household(models.Model):
    """A household or a school: known to everybody else by its public alias only.

    Nobody keeps it any more once its keeper's account was erased.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    keeper = models.ForeignKey(Account, null=True, on_delete=models.SET_NULL, related_name="households")
    kind = word_column(HouseholdKind)
    alias = models.CharField(max_length=60, unique=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("kind", HouseholdKind, "a_household_is_a_household_or_a_school"),
        ]
        # As a coordinator types it, in large letters or small ones.
        indexes: ClassVar[list[Any]] = [models.Index(Upper("alias"), name="households_by_alias")]

    def __str__(self) -> str:
        return self.alias


class Appointment(models.Model):
    """A role that somebody holds: for one region, or for all of them when no region is named."""

    account = models.ForeignKey(Account, on_delete=models.CASCADE, related_name="appointments")
    role = word_column(Role)
    region = models.ForeignKey("surveys.Region", null=True, blank=True, on_delete=models.PROTECT)
    appointed_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("role", Role, "an_appointment_names_a_known_role"),
            models.UniqueConstraint(
                fields=["account", "role", "region"],
                nulls_distinct=False,
                name="one_appointment_per_account_role_and_region",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.role} {self.account_id}"


class Invitation(models.Model):
    """An invitation of a mail address to a role: its link works once, and for some days.

    Of the link only a digest is kept. The address goes when the invitation is taken up, called back or over.
    """

    email = models.EmailField(blank=True)
    role = word_column(Role)
    region = models.ForeignKey("surveys.Region", null=True, on_delete=models.PROTECT)
    digest = models.CharField(max_length=64, unique=True)
    by = models.ForeignKey(Account, null=True, on_delete=models.SET_NULL, related_name="invitations")
    made_at = models.DateTimeField(default=timezone.now)
    expires_at = models.DateTimeField()
    taken_up_at = models.DateTimeField(null=True)
    called_back_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("role", Role, "an_invitation_is_to_a_known_role"),
            models.CheckConstraint(
                condition=models.Q(expires_at__gt=models.F("made_at")), name="an_invitation_ends_after_it_was_made"
            ),
            models.CheckConstraint(
                condition=models.Q(taken_up_at__isnull=True) | models.Q(called_back_at__isnull=True),
                name="an_invitation_is_taken_up_or_called_back",
            ),
        ]


class Consent(models.Model):
    """That somebody agreed to a version of the consent text, under which licence, and until when."""

    account = models.ForeignKey(Account, on_delete=models.CASCADE, related_name="consents")
    version = models.CharField(max_length=20)
    licence = word_column(Licence)
    given_at = models.DateTimeField(default=timezone.now)
    withdrawn_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("licence", Licence, "a_consent_names_a_known_licence"),
            models.UniqueConstraint(
                fields=["account", "version"],
                condition=models.Q(withdrawn_at__isnull=True),
                name="a_consent_text_is_agreed_to_once_at_a_time",
            ),
            models.CheckConstraint(
                condition=models.Q(withdrawn_at__isnull=True) | models.Q(withdrawn_at__gte=models.F("given_at")),
                name="a_consent_ends_after_it_was_given",
            ),
        ]


class Erasure(models.Model):
    """That an account was erased: a random number and a moment, so that it can be done again on an old backup."""

    ledger_id = models.UUIDField(unique=True, editable=False)
    erased_at = models.DateTimeField(default=timezone.now)
