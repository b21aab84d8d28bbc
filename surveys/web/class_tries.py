"""How often an address may type a wrong class code: counted in the cache, right ones not at all.

A school shares one address, so thirty pupils may mistype; see ``queries.schools.CODE_LENGTH`` for what is left
to a guesser.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from django.http import HttpRequest

from surveys.web.tries import add, address_of, key_of

#: Two mistypes for each pupil of a class of thirty. Own choice.
WRONG_CODES_PER_HOUR = 60

Found = TypeVar("Found")


class TooManyTries(Exception):
    """This address has typed too many wrong codes in this hour."""


def tried(request: HttpRequest, find: Callable[[], Found | None]) -> Found | None:
    """Return what ``find`` finds, and count a try that finds nothing. Raises TooManyTries instead of looking.

    The try is counted before anything is looked up and given back if it was right, so that many at once do
    not slip through together.
    """
    key = key_of(f"class-code:address:{address_of(request)}")
    if add(key) > WRONG_CODES_PER_HOUR:
        raise TooManyTries
    found = find()
    if found is not None:
        add(key, -1)
    return found
