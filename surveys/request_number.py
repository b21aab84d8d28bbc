"""The number of the request that is being answered: in its answer, its log lines and its events."""

from contextvars import ContextVar

#: Empty in workers and commands.
request_number: ContextVar[str] = ContextVar("request_number", default="")
