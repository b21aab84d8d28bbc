"""Is the service alive, and is it ready: JSON for the one who runs it."""

from __future__ import annotations

import logging
import os
import shutil
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.cache import cache
from django.http import HttpRequest, JsonResponse
from django.utils import timezone

from surveys.permissions import Rule
from surveys.queries import health as queries
from surveys.queries.jobs import kinds_under_way, last_sign_of_life
from surveys.queries.replica import replica_now
from surveys.web.access import page

log = logging.getLogger(__name__)

#: Beat asks for a sign of life each minute; after three without one something is wrong. Source: reliability notes, K6.
SILENT_S = 180
#: A release of a million returns takes some hundred megabytes while it is made. Common practice, no source.
LEAST_FREE_BYTES = 1_000_000_000


@page(Rule.ANYONE)
def live(request: HttpRequest) -> JsonResponse:
    """Say that the application answers. Asks nothing of anything else."""
    return _answer({"alive": True}, 200)


@page(Rule.ANYONE)
def ready(request: HttpRequest) -> JsonResponse:
    """Say whether all that the service needs is there: 200, or 503; each check with its name and a sentence."""
    found = [_check(name, look) for name, look in CHECKS.items()]
    fine = all(check["fine"] for check in found)
    return _answer({"ready": fine, "checks": found, **_sign_of_life(), **_replica()}, 200 if fine else 503)


def _answer(body: dict[str, Any], status: int) -> JsonResponse:
    return JsonResponse(body, status=status, headers={"Cache-Control": "no-store"})


def _check(name: str, look: Callable[[], tuple[bool, str]]) -> dict[str, Any]:
    try:
        fine, sentence = look()
    except Exception as fault:  # whatever goes wrong while looking is the finding
        log.warning("readiness: %s failed: %s", name, fault)
        fine, sentence = False, f"This could not be looked at ({type(fault).__name__}). The log has the details."
    return {"name": name, "fine": fine, "sentence": sentence, "problem": "" if fine else sentence}


def _database() -> tuple[bool, str]:
    off = queries.settings_that_lose_writes()
    if off:
        return False, f"Confirmed returns could be lost in a power cut: switch on {', '.join(off)}."
    return True, f"A confirmed return is on the disk: {', '.join(queries.LASTING)} are on."


def _migrations() -> tuple[bool, str]:
    missing = queries.migrations_to_apply()
    if missing:
        return False, f"The tables are older than the code. Run migrate; {len(missing)} steps are missing."
    return True, "The tables are those of this code."


def _cache() -> tuple[bool, str]:
    written = str(timezone.now().timestamp())
    cache.set("readiness", written, timeout=30)
    # Two asks at once may overwrite each other, so any fresh value will do.
    if not cache.get("readiness"):
        return False, "The cache does not keep what is written to it."
    return True, "The cache keeps what is written to it."


def _worker() -> tuple[bool, str]:
    """Say whether a worker has finished a small real job lately, or is at a long one and renews its lease."""
    seen, busy = last_sign_of_life(), kinds_under_way()
    age_s = (timezone.now() - seen).total_seconds() if seen else None
    if age_s is not None and age_s <= SILENT_S:
        return True, f"A worker finished a job {age_s:.0f} seconds ago."
    since = "ever" if age_s is None else f"for {age_s:.0f} seconds"
    if busy:
        return True, f"A worker is at work ({', '.join(busy)}) and has finished no small job {since}."
    return False, f"No worker has finished a job {since}. Look at worker, beat and broker; nothing is lost meanwhile."


def _kept() -> tuple[bool, str]:
    """Say whether releases and exports can be written. A folder that is not there yet is judged by the one above."""
    for name in ("RELEASES_FOLDER", "EXPORTS_FOLDER"):
        folder = Path(getattr(settings, name))
        there = next(one for one in (folder, *folder.parents) if one.is_dir())
        free = shutil.disk_usage(there).free
        if free < LEAST_FREE_BYTES:
            return False, f"Of the disk of {name} {free // 1_000_000:,} MB are free; make room for at least 1,000."
        if not os.access(there, os.W_OK):
            return False, f"Nothing can be written into {name}: give it to the user of web and worker."
    return True, "Releases and exports can be written, and their disk has room."


CHECKS: dict[str, Callable[[], tuple[bool, str]]] = {
    "database": _database, "migrations": _migrations, "cache": _cache, "worker": _worker, "kept files": _kept,
}  # fmt: skip


def _sign_of_life() -> dict[str, Any]:
    """Return when a worker last finished a job."""
    try:
        seen: datetime | None = last_sign_of_life()
    except Exception:  # the database check has said so already
        seen = None
    age = (timezone.now() - seen).total_seconds() if seen else None
    return {"worker_last_seen_at": seen, "worker_last_seen_s": round(age) if age is not None else None}


def _replica() -> dict[str, Any]:
    """Tell of the replica, where there is one. Nobody waits for it: without it research is read from the database."""
    try:
        found = replica_now()
    except Exception:  # the database check has said so already
        return {}
    if found is None:
        return {}
    used = found.keeps_up(0)
    lag = "cannot be told" if found.lag_s is None else f"is {found.lag_s:.1f} seconds"
    reads = "Research is read from it." if used else "Research is read from the database meanwhile."
    sentence = f"{found.why or f'Its lag {lag}; up to {settings.READ_LAG_MOST_S} are allowed.'} {reads}"
    return {"replica": {"read": used, "lag_s": found.lag_s, "sentence": sentence}}
