"""Doing the same work on many things at once, with a sign of life while it lasts."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from typing import TypeVar

from threadpoolctl import threadpool_limits

#: How often a night says that it is still at work while one thing takes long: well inside its lease of two minutes.
BEAT_S = 20.0

Given = TypeVar("Given")
Found = TypeVar("Found")


def results_in_order(
    work: Callable[[Given], Found],
    given: Sequence[Given],
    still_ours: Callable[[], None] = lambda: None,
    *,
    at_once: int | None = None,
) -> Iterator[Found]:
    """Do work on everything given, as many at a time as there are processors, and yield the results in that order.

    Each runs on one thread, so that no result depends on the number of processors. ``at_once`` bounds how many run at
    a time, to save memory. ``still_ours`` is called every 20 seconds while a result is waited for; where it or the
    caller raises, what has not begun is not begun.
    """
    many = min(os.cpu_count() or 1, at_once or len(given) or 1)
    with threadpool_limits(limits=1), ThreadPoolExecutor(max_workers=many) as workers:
        waiting = [workers.submit(work, one) for one in given]
        try:
            for future in waiting:
                while not wait([future], timeout=BEAT_S).done:
                    still_ours()
                yield future.result()
        finally:
            for future in waiting:
                future.cancel()
