"""How long PostgreSQL works and waits for each kind of program, as options of its connection.

A page that takes longer than five seconds helps nobody and holds one of few threads; a night over a million returns
may sort for minutes. So the limit follows the program: ``project/wsgi.py`` says that it is the web server,
``manage.py`` that it migrates, and all else (workers, commands) has the long one. Within it each statement counts by
itself: a release or an export that takes long copies table by table, and each table has its own 15 minutes.

Sources: PostgreSQL manual, "Client Connection Defaults: Statement Behavior" (the three timeouts; 0 is none) and
"Just-in-Time Compilation: When to JIT?". OWASP API4:2023 asks for such limits.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from django.core.exceptions import ImproperlyConfigured

from project import env


class Program(StrEnum):
    """What a process is here for."""

    WEB = "web"
    WORK = "work"
    MIGRATE = "migrate"


#: The variable in which a process says what it is.
NAME = "TRAPNIGHT_PROGRAM"


@dataclass(frozen=True, slots=True)
class Patience:
    """Seconds for one statement, for one lock, and for a transaction in which nothing is asked; 0 is no limit.

    ``compiles`` lets PostgreSQL compile expensive queries to machine code. The manual: for short queries that costs
    more than it saves. A page over a million returns has an expensive plan and must be quick all the same.
    """

    statement_s: int
    lock_s: int
    idle_s: int
    compiles: bool


PATIENCE = {
    # The lock gives up before the statement, so that the log tells waiting from working.
    Program.WEB: Patience(statement_s=5, lock_s=4, idle_s=30, compiles=False),
    # Celery ends a task after 15 minutes (CELERY_TASK_SOFT_TIME_LIMIT); a dead worker's locks go as soon.
    Program.WORK: Patience(statement_s=15 * 60, lock_s=2 * 60, idle_s=15 * 60, compiles=True),
    # An index over a million rows takes what it takes. But a migration in wait for a table holds up all who come after.
    Program.MIGRATE: Patience(statement_s=0, lock_s=5, idle_s=0, compiles=True),
}


def program() -> Program:
    """Return what this process says it is."""
    given = env.text(NAME, Program.WORK)
    try:
        return Program(given)
    except ValueError:
        raise ImproperlyConfigured(
            f"The environment variable {NAME} is {given!r}, but it must be one of {', '.join(Program)}. "
            "Leave it out: each program sets its own."
        ) from None


def options_of(kind: Program) -> str:
    """Return the ``options`` of a connection (libpq) that hold its patience."""
    held = PATIENCE[kind]
    return (
        f"-c statement_timeout={held.statement_s}s -c lock_timeout={held.lock_s}s"
        f" -c idle_in_transaction_session_timeout={held.idle_s}s -c jit={'on' if held.compiles else 'off'}"
    )
