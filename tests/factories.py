"""Small worlds for tests, made through the services wherever there is one."""

from __future__ import annotations

import itertools
import json
import time
import uuid
from pathlib import Path
from typing import Any

from django.test import Client
from django_otp import DEVICE_ID_SESSION_KEY
from django_otp.oath import hotp
from django_otp.plugins.otp_totp.models import TOTPDevice
from knox.models import get_token_model

from surveys.models import Account, Household, Protocol, Region, Return, Season, Site, Trap
from surveys.permissions import GUARDED, roles_of, scopes_open_to
from surveys.services.known_findings import StoredFinding, keys_of
from surveys.services.people import CONSENT_VERSION, appoint, found_household, give_consent, open_account
from surveys.services.screening import screen_received
from surveys.services.seasons import install_reference, install_season
from surveys.services.sites import add_site, add_trap
from surveys.vocabulary import HouseholdKind, Licence, Outcome, Role, TokenScope
from surveys.web.idle import USED_AT
from tests.frozen import thawed

ROOT = Path(__file__).resolve().parent.parent
PASSWORD = "a lantern over wet moss"
#: A well-formed id that nothing has; the same in each process, as it stands in the names of tests.
NOBODYS = uuid.UUID("0b4c6f0e-3c52-4d0b-9a55-7f1d2f6a8e10")
_numbers = itertools.count(1)

GROUPS = [
    ("woodlice", "Woodlice", 1.0, 80.0, 1000),
    ("millipedes", "Millipedes", 0.3, 30.0, 500),
    ("centipedes", "Centipedes", 0.2, 5.0, 500),
    ("spiders", "Spiders", 1.0, 15.0, 500),
    ("ground_beetles", "Ground beetles", 1.0, 25.0, 500),
    ("springtails", "Springtails", 3.0, 500.0, 5000),
]
HABITATS = [("short_lawn", "Short lawn"), ("hedge_base", "Hedge base"), ("other", "Other")]


def square(west: float, south: float, side: float = 1.0) -> dict[str, Any]:
    """Return a square region as a GeoJSON geometry."""
    east, north = west + side, south + side
    return {
        "type": "Polygon",
        "coordinates": [[[west, south], [east, south], [east, north], [west, north], [west, south]]],
    }


def protocol() -> dict[str, Any]:
    """Return protocol version 1 as it is shipped."""
    found: dict[str, Any] = json.loads((ROOT / "fixtures/reference/protocol-1.json").read_text())
    return found


def make_season(
    *,
    code: str | None = None,
    review_budget: float = 0.05,
    year: int = 2026,
    time_zone: str = "Atlantic/Reykjavik",
    tray_photos: bool = False,
    **changes: Any,
) -> Season:
    """Open a season of a year with two square regions, six groups, three habitats and three windows.

    ``changes`` replace fields of its plan.
    """
    groups = [
        {
            "code": code_, "name": name, "latin": name, "taxon_rank": "order", "tier": "core", "position": n,
            "how_to_tell": "Look closely.", "size": "3 to 18 mm", "planning_typical": typical, "planning_high": high,
            "ceiling": ceiling, "look_alikes": [], "soil_role": "It tidies the soil.",
        }
        for n, (code_, name, typical, high, ceiling) in enumerate(GROUPS, start=1)
    ]  # fmt: skip
    habitats = [{"code": code_, "label": label, "hint": ""} for code_, label in HABITATS]
    if not Protocol.objects.filter(version="1").exists():
        install_reference(by=None, groups=groups, habitats=habitats, protocol=protocol())
    plan = {
        "code": code or f"test-{year}", "title": f"Test count {year}", "organiser": "Test office",
        "contact": "office@test.example", "protocol": "1", "opens_on": f"{year}-01-01", "closes_on": f"{year}-12-31", "time_zone": time_zone,
        "licence": "CC-BY-4.0", "review_budget": review_budget, "tray_photos": tray_photos, "groups": [row[0] for row in GROUPS],
        "habitats": [{"code": row[0], "weight": weight} for row, weight in zip(HABITATS, (0.5, 0.4, 0.1), strict=True)],
        "windows": [
            {"code": "spring", "name": "Spring", "first_day": f"{year}-04-01", "last_day": f"{year}-05-31"},
            {"code": "summer", "name": "Summer", "first_day": f"{year}-06-15", "last_day": f"{year}-08-15"},
            {"code": "autumn", "name": "Autumn", "first_day": f"{year}-09-01", "last_day": f"{year}-10-31"},
        ],
    }  # fmt: skip
    boundaries = {
        "type": "FeatureCollection",
        "features": [
            {"type": "Feature", "properties": {"code": "eastmark", "name": "Eastmark"}, "geometry": square(-18, 51)},
            {"type": "Feature", "properties": {"code": "westmark", "name": "Westmark"}, "geometry": square(-19, 51)},
        ],
    }
    return install_season(by=None, plan=plan | changes, boundaries=boundaries)


def make_account(*, email: str | None = None) -> Account:
    """Open an account."""
    return open_account(
        email=email or f"person{next(_numbers)}@test.example", password=PASSWORD, adult=True, confirmed=True
    )


def make_household(*, keeper: Account | None = None, kind: HouseholdKind = HouseholdKind.HOUSEHOLD) -> Household:
    """Found a household under a fresh alias, whose keeper has agreed to the licence."""
    keeper = keeper or make_account()
    give_consent(by=keeper, version=CONSENT_VERSION, licence=Licence.CC_BY_4)
    return found_household(by=keeper, kind=kind, alias=f"Mossy Lantern {next(_numbers)}")


def make_site(*, household: Household | None = None, region: str = "eastmark") -> Site:
    """Add a site in one of the two regions."""
    household = household or make_household()
    longitude = -17.5 if region == "eastmark" else -18.5
    return add_site(by=household.keeper, household=household, latitude=51.5, longitude=longitude)


def make_trap(*, site: Site | None = None, habitat: str = "short_lawn") -> Trap:
    """Add a trap."""
    site = site or make_site()
    return add_trap(by=site.household.keeper, site=site.public_id, habitat=habitat)


def make_coordinator(*regions: str) -> Account:
    """Appoint a coordinator to the named regions, or to all of them."""
    account = make_account()
    for region in regions or (None,):
        found = Region.objects.get(code=region) if region else None
        appoint(by=None, account=account, role=Role.COORDINATOR, region=found)
    return account


def make_researcher() -> Account:
    """Appoint a researcher."""
    account = make_account()
    appoint(by=None, account=account, role=Role.RESEARCHER)
    return account


def make_operator() -> Account:
    """Appoint an operator."""
    account = make_account()
    appoint(by=None, account=account, role=Role.OPERATOR)
    return account


def return_payload(trap: Trap, **changes: Any) -> dict[str, Any]:
    """Return a return to protocol as it is sent, with every field right; ``changes`` replace or (None) drop fields."""
    payload: dict[str, Any] = {
        "id": str(uuid.uuid4()),
        "trap": str(trap.public_id),
        "set_at": "2026-05-02T17:00:00+00:00",
        "emptied_at": "2026-05-03T17:00:00+00:00",
        "time_precision": "quarter_hour",
        "habitat": trap.habitat.code,
        "mouth_mm": 75, "depth_mm": 100, "material": "plastic", "wall": "clean", "colour": "brown", "nesting": "double",
        "rim": "flush", "rim_gap": "closed", "cover": "present", "cover_kind": "opaque", "cover_gap_mm": 20,
        "cover_width_mm": 140, "guard": "mesh", "guard_hole_mm": 10, "refuge": "moss_or_grass", "liquid": "nothing",
        "water_mm": 0, "drain_holes": "small", "settled_h": 72, "hole_reuse": "same_hole", "disturbance": "undisturbed",
        "pesticide": "no", "looks": "dusk_and_dawn", "traps_open": 4, "spacing_m": 3, "traps_pooled": 1,
        "ground_cover": "half", "vegetation": "under_5cm", "temp_min_c": 9, "temp_max_c": 17, "temp_source": "own",
        "rain": "dry", "wind": "calm", "ground": "damp", "trap_state": "intact", "counted_in": "white_tray",
        "looked_for_all": "yes", "remains_seen": "no", "vertebrate_seen": "no", "release": "within_the_hour",
        "closing": "lidded",
        "catch": [
            {"group": "woodlice", "answer": "number", "count": 3},
            {"group": "millipedes", "answer": "none_seen"},
            {"group": "centipedes", "answer": "none_seen"},
            {"group": "spiders", "answer": "number", "count": 2},
            {"group": "ground_beetles", "answer": "number", "count": 1},
            {"group": "springtails", "answer": "class", "class": "c4to7"},
        ],
    }  # fmt: skip
    payload.update(changes)
    return {name: value for name, value in payload.items() if value is not None}


def client_of(account: Account) -> Client:
    """Return a browser in which somebody is signed in, as far as the account's roles ask for."""
    client = Client()
    sign_in_fully(client, account)
    return client


def sign_in_fully(client: Client, account: Account) -> None:
    """Sign somebody in, and give the second factor where the account's roles ask for it."""
    client.force_login(account)
    device = factor_of(account)
    if device is not None:
        session = client.session
        session[DEVICE_ID_SESSION_KEY] = device.persistent_id  # as django_otp.login sets it
        session[USED_AT] = int(time.time())
        session.save()


def factor_of(account: Account) -> TOTPDevice | None:
    """Return the second factor of a coordinator or an operator, set up if it is not there yet; None for others."""
    fresh = Account.objects.get(pk=account.pk)
    if not roles_of(fresh) & GUARDED:
        return None
    device: TOTPDevice = TOTPDevice.objects.get_or_create(user=fresh, confirmed=True, defaults={"name": "app"})[0]
    return device


def code_of(account: Account) -> str:
    """Return the code that the app of an account shows now: the first that was not used yet."""
    device = factor_of(account)
    assert device is not None
    step = max(int(time.time()) // device.step, device.last_t + 1)
    return f"{hotp(device.bin_key, step):06d}"


def verified(account: Account) -> Account:
    """Return an account as a page meets it once the second factor is given."""
    account.otp_device = factor_of(account)  # type: ignore[attr-defined]  # as its middleware sets it
    return account


def token_of(account: Account, *scopes: TokenScope) -> str:
    """Return a fresh API token of an account, as it is got with a code where its roles ask for one.

    It is for ``scopes``, or for all that the account may use.
    """
    factor_of(account)
    wanted = scopes or scopes_open_to(Account.objects.get(pk=account.pk))
    return str(get_token_model().objects.create(user=account, scopes=[one.value for one in wanted])[1])


class ApiClient(Client):
    """A test client that carries a token and speaks JSON."""

    def __init__(self, account: Account | None = None) -> None:
        headers = {"Authorization": f"Bearer {token_of(account)}"} if account else {}
        super().__init__(headers=headers, raise_request_exception=False)

    def send(self, path: str, payload: Any, *, key: str | None = None, **headers: str) -> Any:
        """POST ``payload`` as JSON, with an Idempotency-Key."""
        return self.post(
            f"/api/v1/{path}",
            json.dumps(payload),
            content_type="application/json",
            headers={"Idempotency-Key": f'"{key or uuid.uuid4()}"', **headers},
        )

    def read(self, path: str, **headers: str) -> Any:
        """GET a path of the API."""
        return self.get(f"/api/v1/{path}", headers=headers)


def send_return(trap: Trap, *, screened: bool = False, **changes: Any) -> Return:
    """Send a return through the API, have it screened where that is asked for, and return its row."""
    payload = return_payload(trap, **changes)
    assert ApiClient(trap.site.household.keeper).send("returns", payload).status_code == 201
    if screened:
        screen_received(most=50)
    return stored(payload)


def find_in(report: Return, *findings: tuple[str, str]) -> None:
    """Let the checks have found just this in a stored return: pairs of a check and an outcome, in their order."""
    found = [StoredFinding(check, Outcome(outcome), (), "Found in a test.") for check, outcome in findings]
    keys = keys_of(found)
    with thawed():
        Return.objects.filter(pk=report.pk).update(known_findings=[keys[one] for one in found])


def stored(payload: dict[str, Any]) -> Return:
    """Return the row that a payload became."""
    return Return.objects.get(uuid=payload["id"])
