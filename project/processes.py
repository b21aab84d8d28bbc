"""Starts web server, worker and beat as child processes, and ends them together."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType

import httpx

from project.embedded import BASE_DIR
from surveys.release_files.index_series import same_on_all_processors

#: The three programs of one small machine. Compose runs the same words, one in each container.
WEB = (
    "gunicorn", "project.wsgi:application", "--config", "python:project.gunicorn", "--worker-class", "gthread",
    "--threads", "8", "--timeout", "60",
)  # fmt: skip
WORKER = ("celery", "-A", "project", "worker", "--concurrency", "1", "--loglevel", "INFO")
BEAT = ("celery", "-A", "project", "beat", "--loglevel", "INFO")

#: Seconds that a child is given to end in good order.
PATIENCE_S = 20.0


class Crew:
    """Child processes that end when this one does. Their output goes to files in ``logs``."""

    def __init__(self, logs: Path, environment: Mapping[str, str] | None = None) -> None:
        self.logs = logs
        self.logs.mkdir(parents=True, exist_ok=True)
        self.environment = {**os.environ, **(environment or {})}
        self.children: dict[str, subprocess.Popen[bytes]] = {}

    def __enter__(self) -> Crew:
        # "Please end" from outside ends the children too, as Ctrl-C does.
        if threading.current_thread() is threading.main_thread():
            signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(128 + number))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.dismiss()

    def start(
        self, name: str, words: tuple[str, ...], more: Mapping[str, str] | None = None
    ) -> subprocess.Popen[bytes]:
        """Start one program of this Python's environment under ``name``, with ``more`` variables."""
        with (self.logs / f"{name}.log").open("ab") as log:
            child = subprocess.Popen(
                [sys.executable, "-m", *words],
                cwd=BASE_DIR,
                env={**self.environment, **(more or {})},
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
        self.children[name] = child
        return child

    def start_web(self, address: str, *, processes: int = 2) -> None:
        """Start the web server on ``address`` and wait until it answers."""
        child = self.start("web", (*WEB, "--workers", str(processes), "--bind", address))
        wait_until_alive(f"http://{address}/health/live", child)

    def start_worker(self, *, name: str = "worker") -> None:
        """Start a worker that computes like those of all hosts with AVX2, so that they can share a night."""
        self.start(name, (*WORKER, "--hostname", f"{name}@%h"), same_on_all_processors())

    def start_beat(self) -> None:
        """Start the clock."""
        self.start("beat", (*BEAT, "--schedule", str(self.logs / "beat-schedule")))

    def kill(self, name: str) -> None:
        """Kill a program and its children at once (SIGKILL), as a power cut would."""
        child = self.children.pop(name)
        os.killpg(child.pid, signal.SIGKILL)
        child.wait()

    def fallen(self) -> list[str]:
        """Return the names of children that have ended by themselves."""
        return [name for name, child in self.children.items() if child.poll() is not None]

    def dismiss(self) -> None:
        """End all children in good order, and kill those that do not."""
        for child in self.children.values():
            if child.poll() is None:
                child.terminate()
        deadline = time.monotonic() + PATIENCE_S
        for child in self.children.values():
            try:
                child.wait(max(deadline - time.monotonic(), 0.1))
            except subprocess.TimeoutExpired:
                os.killpg(child.pid, signal.SIGKILL)
                child.wait()
        self.children.clear()


def wait_until_alive(address: str, child: subprocess.Popen[bytes], seconds: float = 90.0) -> None:
    """Wait until ``address`` answers 200; raise RuntimeError when the child ends or time runs out."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if child.poll() is not None:
            raise RuntimeError(
                f"The web server ended with status {child.returncode} before it answered. Its log says why."
            )
        try:
            if httpx.get(address, timeout=2.0).status_code == 200:
                return
        except httpx.TransportError:
            pass
        time.sleep(0.1)
    raise RuntimeError(f"The web server did not answer at {address} within {seconds:.0f} seconds. Its log says why.")
