"""Waking a worker: a hint that carries an id at most. Losing one costs a minute and nothing else."""

from __future__ import annotations

import logging

from celery import current_app
from django.core.cache import cache
from kombu.exceptions import OperationalError

log = logging.getLogger(__name__)

#: Set while a waking is on its way, so that a thousand returns wake the worker once.
WOKEN = "screening-is-woken"


def wake(task: str, *arguments: int, countdown: float = 0, expires: float | None = None) -> None:
    """Wake a worker for a task by name. A broker that is away is written down and left to the next sweep.

    After ``expires`` seconds nobody need be woken any more.
    """
    try:
        current_app.send_task(
            f"surveys.tasks.{task}", args=arguments, countdown=countdown, expires=expires, retry=False
        )
    except (OperationalError, OSError) as fault:
        log.warning("the broker is away (%s): %s waits for the next sweep", type(fault).__name__, task)


def wake_screening() -> None:
    """Wake whoever screens what has arrived: once for all that arrives within a second."""
    try:
        first = cache.add(WOKEN, True, timeout=30)
    except Exception:  # the cache is away, whatever its kind: wake once too often rather than not at all
        first = True
    if first:
        wake("screen_received", countdown=1)


def screening_has_woken() -> None:
    """Say that screening begins now: what is committed from here on wakes the next one."""
    try:
        cache.delete(WOKEN)
    except Exception:  # the mark runs out by itself
        log.warning("the cache is away: the mark of a waking runs out by itself")
