"""People: adult accounts, the households and schools they keep, and appointments."""

from __future__ import annotations

import uuid
from typing import Any, ClassVar

from django.contrib.auth.models import AbstractBaseUser, BaseUserManager
from django.db import models
from django.db.models.functions import Lower

from surveys.models.words import only_words, word_column
from surveys.vocabulary import HouseholdKind, Role


class Accounts(BaseUserManager["Account"]):
    """Looks accounts up by mail address, whatever its case."""

    def get_by_natural_key(self, username: str | None) -> Account:
        return self.get(email=(username or "").strip().lower())


class Account(AbstractBaseUser):
    """One adult who can sign in. Nothing about children is stored, here or anywhere."""

    email = models.EmailField(unique=True)
    adult_confirmed_at = models.DateTimeField()
    created_at = models.DateTimeField(auto_now_add=True)
    is_active = models.BooleanField(default=True)

    objects: ClassVar[Accounts] = Accounts()

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS: ClassVar[list[str]] = []

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(condition=models.Q(email=Lower("email")), name="a_mail_address_is_lower_case"),
        ]

    def __str__(self) -> str:
        return f"account {self.pk}"


class Household(models.Model):
    """A household or a school: known to everybody else by its public alias only."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    keeper = models.ForeignKey(Account, on_delete=models.CASCADE, related_name="households")
    kind = word_column(HouseholdKind)
    alias = models.CharField(max_length=60, unique=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            only_words("kind", HouseholdKind, "a_household_is_a_household_or_a_school"),
        ]

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
