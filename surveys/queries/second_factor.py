"""What is known of somebody's second factor, but for its secrets."""

from __future__ import annotations

from django_otp.plugins.otp_static.models import StaticToken
from django_otp.plugins.otp_totp.models import TOTPDevice

from surveys.models import Account


def backup_codes_left(account: Account) -> int:
    """Return how many backup codes were not used yet. One query."""
    return int(StaticToken.objects.filter(device__user_id=account.pk).count())


def app_address(account: Account, key: str) -> str:
    """Return what an authenticator app reads from a square code to take up ``key``. No query."""
    return str(TOTPDevice(user=account, key=key).config_url)
