"""Reads that may lag: research is read from a copy of the database where there is one that keeps up.

A read is marked by :func:`may_lag` (or :func:`read_as_of` for the pages of a walk), and by nothing else: what a person
has just written, the desk, sign-in, tokens, jobs and nights never come here. Within such a read the tables of research
(:data:`RESEARCH`) are asked of the replica, by the router for models and by :func:`research_connection` for SQL; every
other table, and every write, stays with the database itself.

*How old an answer may be.* ``READ_LAG_MOST_S`` seconds and no more. The database says how far its log goes
(``pg_current_wal_flush_lsn``), the replica how far it has repeated it (``pg_last_wal_replay_lsn``) and when the last
transaction that it repeated was committed (``pg_last_xact_replay_timestamp``). Has it repeated all, its lag is 0,
also where nobody has written for hours; else it is the time since that commit, both by the clock of the database
itself. So a replica that was cut off grows old, however sure it is of itself. One that lags more, is away, is none
any more (``pg_is_in_recovery``: it was promoted), or is that of another database (``pg_control_system``) is passed
over; so is one that fails in the middle of a read, which is then read anew from the database. Each process asks once
in :data:`LOOK_EVERY_S` seconds, and adds those to the lag.

*Walks.* A walk by key misses none of the rows that were there when it began, and repeats none. Between two databases
that holds only while no page shows an older state than the page before it: a row that came just before the first page
might be missing from the second. So a cursor carries the place in the log up to which its page was read, and the next
page goes to a replica only where that has repeated the log up to there.

Sources: PostgreSQL 18 manual, "Recovery Information Functions" and "Hot Standby"; Django 5.2, "Multiple databases".
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import wraps
from typing import Any, ParamSpec, TypeVar

from django.conf import settings
from django.db import DEFAULT_DB_ALIAS, DatabaseError, InterfaceError, OperationalError, connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import Model

from surveys.queries.outages import TOO_LONG, outage_of

log = logging.getLogger(__name__)

#: The replica's name among Django's databases.
REPLICA = "replica"
#: Models that are read for research. No account, no token and no return is among them: those are read by SQL alone.
RESEARCH = frozenset(
    {
        "changevalue", "group", "groupsseenvalue", "habitat", "indexvalue", "protocol", "region", "release",
        "releasedcell", "run", "season", "seasongroup", "seasonhabitat", "window",
    }
)  # fmt: skip
#: Seconds between two looks at the replica. One that was away is not tried for longer: each try may take two seconds.
LOOK_EVERY_S, AWAY_S = 1.0, 10.0

#: Which database this is: the number that its cluster was made with and all of its copies keep, and its name there.
_WHOSE = "(SELECT system_identifier FROM pg_control_system()) || '/' || current_database()"

#: The mark of a page of which nobody wrote down how late it was: no replica has come so far.
ONLY_THE_DATABASE = "FFFFFFFF/FFFFFFFF"

P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Looked:
    """What one look at the replica found: seconds of its lag, None where it cannot be told; how far it has come.

    ``why`` says why it cannot be read at all, and is empty where it can.
    """

    at: float
    lag_s: float | None = None
    repeated: int = 0
    why: str = ""

    def keeps_up(self, no_earlier_than: int) -> bool:
        """Say whether a read may go there that must show the log up to a place."""
        if self.why or self.lag_s is None or self.repeated < no_earlier_than:
            return False
        return self.lag_s + (time.monotonic() - self.at) <= settings.READ_LAG_MOST_S


_alias: ContextVar[str] = ContextVar("research_is_read_from", default=DEFAULT_DB_ALIAS)


class _Looks:
    """The latest look of this process."""

    latest: Looked | None = None


def there_is_a_replica() -> bool:
    """Say whether this installation has a replica at all. No query."""
    return REPLICA in connections.settings


def research_connection() -> BaseDatabaseWrapper:
    """Return the connection over which research is read here. No query."""
    return connections[_alias.get()]


class Router:
    """Sends models of research to the replica within a read that may lag, and everything else to the database."""

    def db_for_read(self, model: type[Model], **hints: Any) -> str:
        """Return the name of the database that is read."""
        ours = model._meta.app_label == "surveys" and model._meta.model_name in RESEARCH
        return _alias.get() if ours else DEFAULT_DB_ALIAS

    def db_for_write(self, model: type[Model], **hints: Any) -> str:
        """Return the database itself, also for a row that was read from the replica."""
        return DEFAULT_DB_ALIAS

    def allow_relation(self, one: Model, other: Model, **hints: Any) -> bool:
        """Let rows of both be joined: they are the same rows."""
        return True

    def allow_migrate(self, db: str, app_label: str, **hints: Any) -> bool | None:
        """Keep migrations away from the replica."""
        return False if db == REPLICA else None


def may_lag(read: Callable[P, T]) -> Callable[P, T]:
    """Mark a function that only reads: it reads from the replica where that keeps up. It may be carried out twice."""

    @wraps(read)
    def reading(*args: P.args, **kwargs: P.kwargs) -> T:
        return _read(lambda: read(*args, **kwargs), 0)

    return reading


def read_as_of(read: Callable[[], T], no_earlier_than: str = "") -> tuple[T, str]:
    """Read a page of a walk; return it with the mark that the next page is read by.

    ``no_earlier_than`` is the mark of the page before it, empty for the first one. Without a replica marks are empty.
    """
    if not there_is_a_replica():
        return read(), ""

    def reading() -> tuple[T, str]:
        found = read()
        # Asked afterwards: whatever was seen lies before it in the log.
        return found, _place_of(research_connection())

    return _read(reading, _number(no_earlier_than))


def replica_now() -> Looked | None:
    """Look at the replica; None where there is none. Two queries: one of the database, one of the replica."""
    if not there_is_a_replica():
        return None
    _Looks.latest = _look()
    return _Looks.latest


def _read(read: Callable[[], T], no_earlier_than: int) -> T:
    if not _keeps_up(no_earlier_than):
        return read()
    try:
        with _from_replica():
            return read()
    except (OperationalError, InterfaceError) as fault:
        if outage_of(fault) is TOO_LONG:  # it is the query that takes long, wherever it is asked
            raise
        _note_away(fault)
        return read()


@contextmanager
def _from_replica() -> Iterator[None]:
    chosen = _alias.set(REPLICA)
    try:
        yield
    finally:
        _alias.reset(chosen)


def _keeps_up(no_earlier_than: int) -> bool:
    if not there_is_a_replica():
        return False
    found = _Looks.latest
    if found is None or time.monotonic() - found.at >= (AWAY_S if found.why else LOOK_EVERY_S):
        found = replica_now()
    return found is not None and found.keeps_up(no_earlier_than)


def _look() -> Looked:
    now = time.monotonic()
    with connections[DEFAULT_DB_ALIAS].cursor() as cursor:
        cursor.execute(f"SELECT pg_current_wal_flush_lsn()::text, clock_timestamp(), {_WHOSE}")
        written, clock, ours = cursor.fetchone()
    try:
        with connections[REPLICA].cursor() as cursor:
            cursor.execute(
                f"SELECT pg_is_in_recovery(), pg_last_wal_replay_lsn()::text, pg_last_xact_replay_timestamp(), {_WHOSE}"
            )
            recovering, place, committed, theirs = cursor.fetchone()
    except DatabaseError as fault:
        return _away(fault)
    if not recovering:
        return Looked(now, why="It is no replica any more, as it takes writes of its own. Name another one.")
    if theirs != ours:
        return Looked(now, why="It is a copy of another database. Name one of this database.")
    repeated = _number(place or "")
    if repeated >= _number(written):
        return Looked(now, 0.0, repeated)
    lag_s = max((clock - committed).total_seconds(), 0.0) if committed else None
    return Looked(now, lag_s, repeated)


def _note_away(fault: DatabaseError | InterfaceError) -> None:
    _Looks.latest = _away(fault)


def _away(fault: DatabaseError | InterfaceError) -> Looked:
    # A broken line is left, so that the next look opens a new one; errors of one query leave it as it is.
    connections[REPLICA].close_if_unusable_or_obsolete()
    log.warning("the replica was passed over (%s)", type(fault).__name__)
    return Looked(time.monotonic(), why=f"It does not answer ({type(fault).__name__}).")


def _place_of(line: BaseDatabaseWrapper) -> str:
    """Return how far the log goes that a connection's reads have seen."""
    function = "pg_current_wal_flush_lsn" if line.alias == DEFAULT_DB_ALIAS else "pg_last_wal_replay_lsn"
    with line.cursor() as cursor:
        cursor.execute(f"SELECT {function}()::text")
        return str(cursor.fetchone()[0])


def _number(place: str) -> int:
    """Return a place in the log as a number: 16/B374D848 is 0x16B374D848. Nothing is 0."""
    high, _, low = place.partition("/")
    return (int(high, 16) << 32) + int(low, 16) if low else 0
