"""Sends what the simulated gardens would send, through the public API, as their households would."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
from tqdm import tqdm

from project.demonstration.world import Merrow, account
from surveys.errors import Refusal
from surveys.methods.simulation import Garden, SimulatedReturn
from surveys.models import Household, Return
from surveys.services.people import CONSENT_VERSION, found_household, give_consent
from surveys.services.tokens import make_token
from surveys.vocabulary import CLASS_BOUNDS, AnswerKind, HouseholdKind, Licence, TokenScope

#: Gardens that send at the same time.
SENDERS = 4
#: Returns that a school sends at once.
SCHOOL_BATCH = 60


def wire(one: SimulatedReturn, trap: str) -> dict[str, Any]:
    """Return a simulated return as the API takes it."""
    return {
        "id": str(one.uuid),
        "trap": trap,
        "set_at": one.set_at.isoformat(),
        "emptied_at": one.emptied_at.isoformat(),
        "habitat": one.habitat,
        **{name: value for name, value in one.fields if value is not None},
        **({"note": one.note} if one.note else {}),
        "catch": wire_answers(one.answers),
    }


def wire_answers(answers: Sequence[Any]) -> list[dict[str, Any]]:
    """Return answers as the API takes them."""
    classes = {bounds: word.value for word, bounds in CLASS_BOUNDS.items()}
    rows: list[dict[str, Any]] = []
    for one in answers:
        row: dict[str, Any] = {"group": one.group, "answer": AnswerKind(one.kind).value}
        if one.kind == AnswerKind.NUMBER:
            row["count"] = one.low
        elif one.kind == AnswerKind.CLASS:
            row["class"] = classes[(one.low, one.high)]
        rows.append(row)
    return rows


def found_households(merrow: Merrow) -> dict[int, tuple[Household, str]]:
    """Open an account, a household and a token for each garden. Returns household and token by garden."""
    firsts, seconds = merrow.people["alias_first"], merrow.people["alias_second"]
    found: dict[int, tuple[Household, str]] = {}
    for garden in tqdm(merrow.simulated.gardens, desc="opening accounts", unit="garden"):
        number = garden.number
        keeper = account(f"garden-{number:03d}@merrow.example", merrow.people["password"])
        give_consent(by=keeper, version=CONSENT_VERSION, licence=Licence(merrow.season.licence))
        kind = HouseholdKind.SCHOOL if garden.school else HouseholdKind.HOUSEHOLD
        alias = f"{firsts[number % len(firsts)]} {seconds[number // len(firsts) * 7 % len(seconds)]} {number + 11}"
        household = keeper.households.first() or found_household(by=keeper, kind=kind, alias=alias)
        found[number] = household, make_token(by=keeper, name="demonstration", scopes=[TokenScope.SEND]).secret
    return found


def send_all(merrow: Merrow, address: str) -> int:
    """Send everything that is not there yet. Returns how many returns were sent."""
    there = set(Return.objects.filter(season=merrow.season).values_list("uuid", flat=True))
    waiting: dict[int, list[SimulatedReturn]] = defaultdict(list)
    for one in merrow.simulated.returns:
        if one.uuid not in there:
            waiting[one.garden].append(one)
    if not waiting:
        return 0
    households = found_households(merrow)
    total = sum(len(rows) for rows in waiting.values())
    with tqdm(total=total, desc="sending returns", unit="return") as bar, ThreadPoolExecutor(SENDERS) as senders:
        jobs = [
            senders.submit(_send_garden, address, garden, households[garden.number], waiting[garden.number], bar)
            for garden in merrow.simulated.gardens
            if waiting[garden.number]
        ]
        for job in jobs:
            job.result()
    return total


def _send_garden(
    address: str, garden: Garden, sender: tuple[Household, str], rows: Sequence[SimulatedReturn], bar: Any
) -> None:
    household, token = sender
    headers = {"Authorization": f"Bearer {token}"}
    with httpx.Client(base_url=f"{address}/api/v1/", headers=headers, timeout=60) as client:
        traps = _traps(client, garden, household)
        ordered = sorted(rows, key=lambda one: (one.emptied_at, str(one.uuid)))
        payloads = [wire(one, traps[one.trap]) for one in ordered]
        if garden.school:
            for start in range(0, len(payloads), SCHOOL_BATCH):
                part = payloads[start : start + SCHOOL_BATCH]
                _post(client, "returns/batch", {"returns": part}, accepted=(200,))
                bar.update(len(part))
        else:
            for payload in payloads:
                _post(client, "returns", payload, accepted=(200, 201))
                bar.update()


def _traps(client: httpx.Client, garden: Garden, household: Household) -> dict[int, str]:
    """Return the garden's traps by number; add the site and its traps when they are new."""
    sites = client.get("sites").raise_for_status().json()["items"]
    if not sites:
        place = {
            "household": str(household.public_id),
            "latitude": garden.latitude,
            "longitude": garden.longitude,
        }
        site = _post(client, "sites", place, accepted=(201,))
        for habitat in garden.habitats:
            _post(client, f"sites/{site['id']}/traps", {"habitat": habitat}, accepted=(201,))
        sites = client.get("sites").raise_for_status().json()["items"]
    return {trap["number"]: trap["id"] for trap in sites[0]["traps"]}


def _post(client: httpx.Client, path: str, payload: Mapping[str, Any], *, accepted: Sequence[int]) -> Any:
    answer = client.post(path, json=payload, headers={"Idempotency-Key": f'"{uuid.uuid4()}"'})
    if answer.status_code not in accepted:
        raise Refusal(f"The API answered {answer.status_code} to {path}: {answer.text[:600]}")
    return answer.json()
