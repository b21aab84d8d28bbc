"""Which faults of the database pass by themselves, and what is said to somebody who meets one.

Codes of states are those of PostgreSQL's manual, appendix A.
"""

from __future__ import annotations

from dataclasses import dataclass

from django.db import DatabaseError, InterfaceError, OperationalError
from django.utils.functional import Promise
from django.utils.translation import gettext_lazy


@dataclass(frozen=True, slots=True)
class Outage:
    """A sentence for whoever sends by program, one for a page, and seconds after which to try again."""

    sentence: str
    on_page: Promise
    wait_s: int


#: Title of the page that tells of an outage.
TITLE = gettext_lazy("This has to wait a little")

AWAY = Outage(
    "The service cannot reach its database at this moment. What you sent may not have been stored; "
    "send the same again in a few seconds, under the same Idempotency-Key if it has one: it is never stored twice.",
    gettext_lazy("We cannot reach our store just now. What you typed may not be saved yet."),
    5,
)
FULL = Outage(
    "The service has no room to store anything at this moment. What you sent was not stored; "
    "keep it and send it again in a few minutes.",
    gettext_lazy("We have no room to save things just now. What you typed is not saved yet."),
    60,
)
READ_ONLY = Outage(
    "The service can be read at this moment, but takes nothing in. What you sent was not stored; "
    "keep it and send it again in a few minutes.",
    gettext_lazy("You can read all pages just now, but we cannot save things. What you typed is not saved yet."),
    60,
)

TOO_LONG = Outage(
    "This took longer than the service allows, so it was stopped. "
    "Nothing of it was stored; try again in a few seconds, or ask for less at once.",
    gettext_lazy("This took us too long, so we stopped it. What you typed is not saved yet."),
    5,
)

CROSSED = Outage(
    "Somebody else was at work on the same thing at this moment, so this was stopped. "
    "Nothing of it was stored; send the same again.",
    TOO_LONG.on_page,
    2,
)

#: What the database ends by its own clock: a query, a wait for a lock, a transaction in which nothing is asked. What
#: it leaves behind is nothing: its transaction is undone as a whole.
_TIMES_OUT = {"57014", "55P03", "25P03"}
#: Two that wait for each other, of whom it ends one.
_DEADLOCK = "40P01"
_DISK_FULL = "53100"
_READ_ONLY_TRANSACTION = "25006"


def outage_of(fault: BaseException | None) -> Outage | None:
    """Return the outage behind an exception; None where the fault is another one."""
    if not isinstance(fault, DatabaseError | InterfaceError):
        return None
    state = getattr(fault.__cause__, "sqlstate", None)
    if state == _READ_ONLY_TRANSACTION:
        return READ_ONLY
    if state == _DISK_FULL:
        return FULL
    if state in _TIMES_OUT:
        return TOO_LONG
    if state == _DEADLOCK:
        return CROSSED
    return AWAY if isinstance(fault, OperationalError | InterfaceError) else None
