"""How often somebody may try to sign in, to join or to be sent mail: counted in the cache, beside the API's own count.

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
#: Codes and links that one mailbox is sent in an hour, whoever asks. Own choice.
MAILS_TO_ONE_MAILBOX = 6
#: Downloads of everything that is stored about a person, in an hour. Own choice.
DOWNLOADS_AN_HOUR = 5
#: Codes of field sheets that are no trap of the account's, in an hour. Own choice.
WRONG_TRAP_CODES_AN_HOUR = 20
#: Photos that somebody may send in an hour: a class with 30 traps sends each of them twice. Own choice.
PHOTOS_AN_HOUR = 60

#: Codes of a second factor, in an hour; the library makes a guesser wait between two of them too. Own choice.
CODES_AN_HOUR = 30
#: Invitations that somebody may send in an hour. Own choice.
INVITATIONS_AN_HOUR = 40


def too_many_sign_ins(request: HttpRequest, email: str) -> bool:
    """Count one more try and say whether the account or the address has used up this hour's."""
    quota: int = settings.SIGN_INS_PER_HOUR
    by_account = _count(f"sign-in:account:{email.strip().lower()}")
    by_address = _count(f"sign-in:address:{address_of(request)}")
    return by_account > quota or by_address > quota * ACCOUNTS_AN_ADDRESS_MAY_TRY


def too_many_joins(request: HttpRequest) -> bool:
    """Count one more try to open an account and say whether the address has used up this hour's."""
    quota: int = settings.SIGN_INS_PER_HOUR
    return _count(f"join:address:{address_of(request)}") > quota * ACCOUNTS_AN_ADDRESS_MAY_TRY


def too_many_mails(request: HttpRequest, email: str) -> bool:
    """Count one more mail that somebody asks for and say whether the mailbox or the visitor has had this hour's."""
    by_mailbox = _count(f"mail:account:{email.strip().lower()}")
    by_address = _count(f"mail:address:{address_of(request)}")
    return by_mailbox > MAILS_TO_ONE_MAILBOX or by_address > MAILS_TO_ONE_MAILBOX * ACCOUNTS_AN_ADDRESS_MAY_TRY


def too_many_downloads(account: int) -> bool:
    """Count one more download of everything and say whether the account has used up this hour's."""
    return _count(f"download:account:{account}") > DOWNLOADS_AN_HOUR


def too_many_trap_codes(account: int) -> bool:
    """Count one more code that is none of the account's traps and say whether this hour's are used up."""
    return _count(f"trap-code:account:{account}") > WRONG_TRAP_CODES_AN_HOUR


def too_many_codes(account: int) -> bool:
    """Count one more code of a second factor and say whether the account has used up this hour's."""
    return _count(f"code:account:{account}") > CODES_AN_HOUR


def too_many_invitations(account: int) -> bool:
    """Count one more invitation and say whether the account has used up this hour's."""
    return _count(f"invitation:account:{account}") > INVITATIONS_AN_HOUR


def too_many_photos(account: int) -> bool:
    """Count one more photo and say whether the account has used up this hour's."""
    return _count(f"photo:account:{account}") > PHOTOS_AN_HOUR


def address_of(request: HttpRequest) -> str:
    """Return the visitor's address as the API counts it: behind N proxies, the Nth from the end of the list."""
    proxies = int(str(settings.REST_FRAMEWORK.get("NUM_PROXIES") or 0))
    listed = [part.strip() for part in request.headers.get("X-Forwarded-For", "").split(",") if part.strip()]
    if proxies and listed:
        return listed[-min(proxies, len(listed))]
    return str(request.META.get("REMOTE_ADDR", ""))


def key_of(name: str) -> str:
    """Return the key under which something is counted in this hour."""
    return f"rate:{hashlib.sha256(name.encode()).hexdigest()[:32]}:{int(time.time()) // WINDOW_S}"


def _count(name: str) -> int:
    return add(key_of(name))


def add(key: str, step: int = 1) -> int:
    """Add to what is counted under a key, atomically, and return how many there are."""
    try:
        cache.add(key, 0, timeout=WINDOW_S * 2)
        return int(cache.incr(key, step))
    except Exception as fault:  # a cache that is away must not lock everybody out
        log.warning("the cache is away (%s): a try goes uncounted", type(fault).__name__)
        return 0
