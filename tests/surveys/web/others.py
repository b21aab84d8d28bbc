"""Returns of other households, written straight into the tables: a comparison needs many of them, and reads only."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from typing import Any

from django.utils import timezone

from surveys.models import Account, Catch, Group, Household, Return, Site, Trap
from surveys.services.sites import make_trap_code

#: Counts by group: a number, or (low, high) for a class with None for open above.
Counts = dict[str, Any]


def make_others(like: Return, counts: Sequence[Counts], *, gardens: int, **changes: Any) -> list[Return]:
    """Store usable returns like another one, one for each of ``counts``, spread over so many households."""
    traps = [_trap(like, number) for number in range(gardens)]
    found = []
    for place, caught in enumerate(counts):
        fields = {
            name: getattr(like, name)
            for name in (
                "season_id", "region_id", "set_at", "emptied_at", "night", "habitat_id", "standing", "exposure_h", "whole_nights",
                "trap_nights", "rim_ratio", "fresh",
            )
        }  # fmt: skip
        fields |= {"state": "standing", **changes}
        report = Return.objects.create(uuid=uuid.uuid4(), trap=traps[place % gardens], fingerprint="0" * 64, **fields)
        Catch.objects.bulk_create([_catch(report, code, given) for code, given in caught.items()])
        found.append(report)
    return found


def _trap(like: Return, number: int) -> Trap:
    keeper = Account.objects.create(email=f"{uuid.uuid4()}@test.example", adult_confirmed_at=timezone.now())
    household = Household.objects.create(keeper=keeper, kind="household", alias=f"Other {number} {uuid.uuid4()}")
    near = like.trap.site
    site = Site.objects.create(
        household=household, number=1, region=near.region, cell_code=near.cell_code, cell_latitude=near.cell_latitude,
        cell_longitude=near.cell_longitude, cell_uncertainty_m=near.cell_uncertainty_m,
    )  # fmt: skip
    return Trap.objects.create(site=site, number=1, habitat=like.trap.habitat, code=make_trap_code())


def _catch(report: Return, code: str, given: Any) -> Catch:
    group = Group.objects.get(code=code)
    if isinstance(given, tuple):
        return Catch(report=report, group=group, answer="class", low=given[0], high=given[1])
    kind = "number" if given else "none_seen"
    return Catch(report=report, group=group, answer=kind, low=given, high=given)
