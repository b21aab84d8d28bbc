"""Work done in a process of its own, which takes its memory along when it ends."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context, parent_process
from multiprocessing.process import BaseProcess
from typing import TypeVar

from threadpoolctl import threadpool_limits

Given = TypeVar("Given")
Found = TypeVar("Found")


def apart(work: Callable[[Given], Found]) -> Callable[[Given], Found]:
    """Return what does some work in a new process, with the environment of this one, and on one thread.

    The work is a function of a module; what it is given, returns and raises goes from process to process. The new
    process does not outlive this one. Raises BrokenProcessPool, a RuntimeError, where it dies.
    """

    def do(given: Given) -> Found:
        with ProcessPoolExecutor(max_workers=1, mp_context=get_context("spawn"), initializer=end_with_parent) as one:
            return one.submit(_on_one_thread, work, given).result()

    return do


def end_with_parent() -> None:
    """Let this process end as soon as the one that started it has ended, however it did: nobody waits for it then."""
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent,), daemon=True).start()


def _end_after(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


def _on_one_thread(work: Callable[[Given], Found], given: Given) -> Found:
    with threadpool_limits(limits=1):
        return work(given)
