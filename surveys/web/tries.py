"""How often somebody may try to sign in or to join: counted in the cache, beside the API's own count.

The keys are those of the API, so that a guesser has one allowance and not two.
"""

from __future__ import annotations

import hashlib
import logging
import time

from django.conf import settings
from django.core.cache import cache
from django.http import HttpRequest

log = logging.getLogger(__name__)

WINDOW_S = 3600
#: A school or a library shares one address, so an address may try for many accounts. Common practice, no source.
ACCOUNTS_AN_ADDRESS_MAY_TRY = 20


def too_many_sign_ins(request: HttpRequest, email: str) -> bool:
    """Count one more try and say whether the account or the address has used up this hour's."""
    quota: int = settings.SIGN_INS_PER_HOUR
    by_account = _count(f"sign-in:account:{email.strip().lower()}")
    by_address = _count(f"sign-in:address:{_address(request)}")
    return by_account > quota or by_address > quota * ACCOUNTS_AN_ADDRESS_MAY_TRY


def too_many_joins(request: HttpRequest) -> bool:
    """Count one more try to open an account and say whether the address has used up this hour's."""
    quota: int = settings.SIGN_INS_PER_HOUR
    return _count(f"join:address:{_address(request)}") > quota * ACCOUNTS_AN_ADDRESS_MAY_TRY


def _address(request: HttpRequest) -> str:
    """Return the visitor's address as the API counts it: behind N proxies, the Nth from the end of the list."""
    proxies = int(str(settings.REST_FRAMEWORK.get("NUM_PROXIES") or 0))
    listed = [part.strip() for part in request.headers.get("X-Forwarded-For", "").split(",") if part.strip()]
    if proxies and listed:
        return listed[-min(proxies, len(listed))]
    return str(request.META.get("REMOTE_ADDR", ""))


def _count(name: str) -> int:
    key = f"rate:{hashlib.sha256(name.encode()).hexdigest()[:32]}:{int(time.time()) // WINDOW_S}"
    try:
        cache.add(key, 0, timeout=WINDOW_S * 2)
        return int(cache.incr(key))
    except Exception as fault:  # a cache that is away must not lock everybody out
        log.warning("the cache is away (%s): a try goes uncounted", type(fault).__name__)
        return 0
