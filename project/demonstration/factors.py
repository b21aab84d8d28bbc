"""Second factors of the demonstration's people, set up as an app would: so they, and whoever tries it, can sign in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django_otp.oath import totp
from django_otp.plugins.otp_totp.models import TOTPDevice

from surveys.models import Account
from surveys.services.second_factor import confirm_second_factor, make_backup_codes, new_key
from surveys.web.second_factor import in_fours

#: Backup codes that are printed for each person; the others stay for the demonstration's own work.
PRINTED = 3


@dataclass(frozen=True, slots=True)
class Factor:
    """What lets one of the demonstration's people in, beside the password: the key of an app, and backup codes."""

    email: str
    role: str
    key: str
    codes: tuple[str, ...]

    @property
    def own_code(self) -> str:
        """The code that the demonstration itself signs in with."""
        return self.codes[-1]


def set_up_factors(people: Mapping[str, Any]) -> dict[str, Factor]:
    """Set up the second factor of each coordinator and of the operator; a factor that is there keeps its key."""
    offices = [(one["email"], f"coordinator of {', '.join(one['regions'])}") for one in people["coordinators"]]
    offices.append((people["lead"]["email"], "coordinator of all regions"))
    offices.append((people["operator"]["email"], "operator"))
    return {email: _set_up(email, role) for email, role in offices}


def lines_of(factors: Mapping[str, Factor]) -> Iterator[str]:
    """Yield, for each person, what an authenticator app or a pair of hands needs."""
    yield "The desk asks for a code: give the key to an authenticator app, or type a backup code (each works once)"
    for one in factors.values():
        yield f"  {one.email}  ({one.role})"
        yield f"    key {one.key}   backup codes {'  '.join(one.codes[:PRINTED])}"


def _set_up(email: str, role: str) -> Factor:
    account = Account.objects.get(email=email)
    device = TOTPDevice.objects.filter(user=account, confirmed=True).first()
    if device is not None:
        return Factor(email, role, in_fours(device.key), make_backup_codes(by=account))
    key = new_key()
    made = confirm_second_factor(by=account, key=key, code=f"{totp(bytes.fromhex(key)):06d}")
    return Factor(email, role, in_fours(key), made.codes)
