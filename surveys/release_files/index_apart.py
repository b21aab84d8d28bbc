"""Work done in a process of its own, which takes its memory along when it ends."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import TypeVar

from threadpoolctl import threadpool_limits

Given = TypeVar("Given")
Found = TypeVar("Found")


def apart(work: Callable[[Given], Found]) -> Callable[[Given], Found]:
    """Return what does some work in a new process, with the environment of this one, and on one thread.

    The work is a function of a module; what it is given, returns and raises goes from process to process. Raises
    BrokenProcessPool, a RuntimeError, where the process dies.
    """

    def do(given: Given) -> Found:
        with ProcessPoolExecutor(max_workers=1, mp_context=get_context("spawn")) as one:
            return one.submit(_on_one_thread, work, given).result()

    return do


def _on_one_thread(work: Callable[[Given], Found], given: Given) -> Found:
    with threadpool_limits(limits=1):
        return work(given)
