"""Sites and their traps. The exact point lives in a table of its own, with its own permission."""

from __future__ import annotations

import uuid
from typing import Any, ClassVar

from django.db import models
from django.db.models import Q

from surveys.models.people import Household
from surveys.models.seasons import Habitat, Region


class Site(models.Model):
    """One garden or school ground, known to everybody else by its grid cell only."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True)
    household = models.ForeignKey(Household, on_delete=models.CASCADE, related_name="sites")
    number = models.PositiveSmallIntegerField()
    region = models.ForeignKey(Region, on_delete=models.PROTECT, related_name="sites")
    cell_code = models.CharField(max_length=24, db_index=True)
    cell_latitude = models.FloatField()
    cell_longitude = models.FloatField()
    cell_uncertainty_m = models.PositiveIntegerField()
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(fields=["household", "number"], name="a_site_number_is_used_once_in_a_household"),
            models.CheckConstraint(condition=Q(cell_uncertainty_m__gt=0), name="an_uncertainty_is_never_zero"),
        ]

    def __str__(self) -> str:
        return f"site {self.number} of {self.household}"


class SitePoint(models.Model):
    """The exact point of a site: a home address, seen by its sender and its coordinator only."""

    site = models.OneToOneField(Site, on_delete=models.CASCADE, related_name="point", primary_key=True)
    latitude = models.FloatField()
    longitude = models.FloatField()
    #: How finely the place is kept: the middle of a square of so many metres; 11 is what four decimals hold.
    kept_to_m = models.PositiveIntegerField(default=11)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(condition=Q(kept_to_m__gt=0), name="a_place_is_kept_to_some_metres"),
            models.CheckConstraint(
                condition=Q(latitude__gte=-90) & Q(latitude__lte=90), name="a_latitude_is_between_the_poles"
            ),
            models.CheckConstraint(
                condition=Q(longitude__gte=-180) & Q(longitude__lte=180), name="a_longitude_is_within_half_a_turn"
            ),
        ]


class Trap(models.Model):
    """One cup position at a site."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True)
    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="traps")
    number = models.PositiveSmallIntegerField()
    habitat = models.ForeignKey(Habitat, on_delete=models.PROTECT)
    #: Printed on the field sheet, to find the trap's page by.
    code = models.CharField(max_length=8, unique=True)
    #: Where it stands on the plan that the household draws of its ground: a letter and a number, such as C4.
    plan_square = models.CharField(max_length=3, blank=True, default="")
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(
                condition=Q(plan_square="") | Q(plan_square__regex=r"^[A-H][1-8]$"),
                name="a_plan_square_is_a_letter_and_a_number",
            ),
            models.UniqueConstraint(fields=["site", "number"], name="a_trap_number_is_used_once_at_a_site"),
        ]

    def __str__(self) -> str:
        return f"trap {self.number}"
