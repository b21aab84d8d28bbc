"""Is the service alive, and is it ready: JSON for the one who runs it."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime
from typing import Any

from django.core.cache import cache
from django.http import HttpRequest, JsonResponse
from django.utils import timezone

from surveys.permissions import Rule
from surveys.queries import health as queries
from surveys.queries.jobs import last_sign_of_life
from surveys.web.access import page

log = logging.getLogger(__name__)


@page(Rule.ANYONE)
def live(request: HttpRequest) -> JsonResponse:
    """Say that the application answers. Asks nothing of anything else."""
    return _answer({"alive": True}, 200)


@page(Rule.ANYONE)
def ready(request: HttpRequest) -> JsonResponse:
    """Say whether the service can take returns now: 200, or 503 with what is missing."""
    found = [_check(name, look) for name, look in CHECKS.items()]
    fine = all(check["fine"] for check in found)
    return _answer({"ready": fine, "checks": found, **_sign_of_life()}, 200 if fine else 503)


def _answer(body: dict[str, Any], status: int) -> JsonResponse:
    return JsonResponse(body, status=status, headers={"Cache-Control": "no-store"})


def _check(name: str, look: Callable[[], str]) -> dict[str, Any]:
    try:
        problem = look()
    except Exception as fault:  # whatever goes wrong while looking is the finding
        log.warning("readiness: %s failed: %s", name, fault)
        problem = f"This could not be looked at ({type(fault).__name__}). The log has the details."
    return {"name": name, "fine": not problem, "problem": problem}


def _database() -> str:
    off = queries.settings_that_lose_writes()
    return f"Confirmed returns could be lost in a power cut: switch on {', '.join(off)}." if off else ""


def _migrations() -> str:
    missing = queries.migrations_to_apply()
    return f"The tables are older than the code. Run migrate; {len(missing)} steps are missing." if missing else ""


def _cache() -> str:
    written = str(timezone.now().timestamp())
    cache.set("readiness", written, timeout=30)
    # Two asks at once may overwrite each other, so any fresh value will do.
    return "" if cache.get("readiness") else "The cache does not keep what is written to it."


CHECKS: dict[str, Callable[[], str]] = {"database": _database, "migrations": _migrations, "cache": _cache}


def _sign_of_life() -> dict[str, Any]:
    """Return when a worker last finished a job. A silent worker delays work and loses none, so it is told only."""
    try:
        seen: datetime | None = last_sign_of_life()
    except Exception:  # the database check has said so already
        seen = None
    age = (timezone.now() - seen).total_seconds() if seen else None
    return {"worker_last_seen_at": seen, "worker_last_seen_s": round(age) if age is not None else None}
