"""Rate limits, counted atomically in the cache: one counter a minute, per account or address.

Fields as in draft-ietf-httpapi-ratelimit-headers-10. A cache that is away lets requests through:
the limit protects the service, not the data.
"""

from __future__ import annotations

import hashlib
import logging
import time
from typing import Any

from django.conf import settings
from django.core.cache import cache
from rest_framework.request import Request
from rest_framework.throttling import BaseThrottle

log = logging.getLogger(__name__)


def count(name: str, window_s: int) -> tuple[int, int]:
    """Count one more of ``name`` in the current window. Returns the count and the seconds left."""
    now = int(time.time())
    window = now // window_s
    key = f"rate:{hashlib.sha256(name.encode()).hexdigest()[:32]}:{window}"
    try:
        try:
            counted = int(cache.incr(key))
        except ValueError:  # the first of its window; of two that find this at once, both count
            cache.add(key, 0, timeout=window_s * 2)
            counted = int(cache.incr(key))
    except Exception as fault:  # any cache backend, any way of being away
        log.warning("the cache is away (%s): a request goes uncounted", type(fault).__name__)
        counted = 0
    return counted, (window + 1) * window_s - now


class PerAccountOrAddress(BaseThrottle):
    """So many requests a minute for each account, or for each address without one."""

    #: What the limit is called in the answer, and in the counter.
    policy = "api"
    window_s = 60
    seconds_left = 0

    @property
    def quota(self) -> int:
        """How many requests a minute."""
        return int(settings.API_REQUESTS_PER_MINUTE)

    def allow_request(self, request: Request, view: Any) -> bool:
        who = (
            f"account:{request.user.pk}"
            if request.user and request.user.is_authenticated
            else f"address:{self.get_ident(request)}"
        )
        counted, self.seconds_left = count(f"{self.policy}:{who}", self.window_s)
        left = max(self.quota - counted, 0)
        request._request.META["TRAPNIGHT_RATE"] = (self.policy, self.quota, left, self.seconds_left)
        return counted <= self.quota

    def wait(self) -> float:
        return self.seconds_left


class PerReader(PerAccountOrAddress):
    """An allowance of its own for open collections: old map programs read them in pages of ten features.

    GDAL 3.6 asks 25 times for 250 features (measured); a class that opens the same map shares one address.
    """

    policy = "read"

    @property
    def quota(self) -> int:
        """How many requests a minute."""
        return int(settings.READER_REQUESTS_PER_MINUTE)


class SignInThrottle(BaseThrottle):
    """So many tries to sign in an hour, for each address and for each account that is tried. Reading is no try."""

    window_s = 3600
    seconds_left = 0

    def allow_request(self, request: Request, view: Any) -> bool:
        if request.method != "POST":
            return True
        name = str(request.data.get("email", "")).strip().lower() if isinstance(request.data, dict) else ""
        quota = settings.SIGN_INS_PER_HOUR
        by_account, self.seconds_left = count(f"sign-in:account:{name}", self.window_s)
        by_address, _ = count(f"sign-in:address:{self.get_ident(request)}", self.window_s)
        # A school or library shares one address, so an address may try for many accounts.
        return by_account <= quota and by_address <= quota * 20

    def wait(self) -> float:
        return self.seconds_left


def rate_limit_headers(request: Any) -> dict[str, str]:
    """Return the RateLimit fields of an answer, if the request was counted."""
    rate = request.META.get("TRAPNIGHT_RATE")
    if rate is None:
        return {}
    policy, quota, left, seconds = rate
    return {"RateLimit-Policy": f'"{policy}";q={quota};w=60', "RateLimit": f'"{policy}";r={left};t={seconds}'}
