"""The season of the Merrow Isles, its people, and what its simulated gardens would send."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from project.demonstration.factors import Factor, set_up_factors
from project.embedded import BASE_DIR
from surveys.errors import Refusal
from surveys.methods.simulation import Simulated, World, simulate_season, world_from_mappings
from surveys.models import Account, Region, Season
from surveys.queries.seasons import seasons
from surveys.services.people import appoint, open_account
from surveys.services.seasons import install_reference, install_season
from surveys.vocabulary import Role

FIXTURES = BASE_DIR / "fixtures"
#: Any fixed number: the same demonstration every time.
SEED = 51_518
#: Nothing is sent about a night after this day, so the season stays as it is however late it is run.
AS_OF = datetime(2026, 11, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Merrow:
    """Everything that the demonstration starts from."""

    season: Season
    world: World
    simulated: Simulated
    people: Mapping[str, Any]
    factors: Mapping[str, Factor]


def read(name: str) -> Any:
    """Return one fixture file as plain values."""
    return json.loads((FIXTURES / name).read_text(encoding="utf-8"))


def prepare(*, households: int, schools: int) -> Merrow:
    """Open the season and its offices if they are not there yet, and simulate its gardens."""
    plan, boundaries, people = read("demo/season.json"), read("demo/merrow.geojson"), read("demo/people.json")
    groups, habitats = read("reference/groups.json"), read("reference/habitats.json")
    season = seasons().filter(code=plan["code"]).first()
    if season is None:
        install_reference(by=None, groups=groups, habitats=habitats, protocol=read("reference/protocol-1.json"))
        season = install_season(by=None, plan=plan, boundaries=boundaries)
    _appoint_offices(people)
    factors = set_up_factors(people)
    world = world_from_mappings(groups, habitats, plan, boundaries)
    simulated = simulate_season(
        world, rng=np.random.default_rng(SEED), households=households, schools=schools, as_of=AS_OF
    )
    return Merrow(season=season, world=world, simulated=simulated, people=people, factors=factors)


def account(email: str, password: str) -> Account:
    """Return the account of a mail address; open it if there is none."""
    found = Account.objects.filter(email=email).first()
    return found or open_account(email=email, password=password, adult=True, confirmed=True)


def _appoint_offices(people: Mapping[str, Any]) -> None:
    password = people["password"]
    operator = account(people["operator"]["email"], password)
    appoint(by=None, account=operator, role=Role.OPERATOR)
    appoint(by=operator, account=account(people["researcher"]["email"], password), role=Role.RESEARCHER)
    appoint(by=operator, account=account(people["lead"]["email"], password), role=Role.COORDINATOR)
    for coordinator in people["coordinators"]:
        for code in coordinator["regions"]:
            region = Region.objects.filter(code=code).first()
            if region is None:
                raise Refusal(f"The demonstration names a region {code!r} that the season does not have.")
            appoint(by=operator, account=account(coordinator["email"], password), role=Role.COORDINATOR, region=region)
