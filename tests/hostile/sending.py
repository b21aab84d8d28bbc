"""A request as bytes on the wire would give it, handed straight to the WSGI application; and what came back.

The test client of the framework tidies paths and headers, so it cannot send what this is about. A web server decodes
the percent signs of a path and hands every header on as Latin-1 (PEP 3333); so does this.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import unquote_to_bytes


@dataclass(frozen=True, slots=True)
class Wire:
    """One request: what it is called, and its parts."""

    name: str
    method: str
    target: str
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""

    @property
    def path(self) -> str:
        """The path as the application reads it."""
        return unquote_to_bytes(self.target.split("?", 1)[0]).decode("utf-8", "replace")


@dataclass(frozen=True, slots=True)
class Answer:
    """Status, headers (names in small letters) and body."""

    status: int
    headers: list[tuple[str, str]]
    body: bytes

    def header(self, name: str) -> str:
        """Return a header, or nothing."""
        return next((value for key, value in self.headers if key.lower() == name), "")


def environ_of(wire: Wire) -> dict[str, Any]:
    """Return the request as PEP 3333 has it."""
    path, _, query = wire.target.partition("?")
    environ: dict[str, Any] = {
        "REQUEST_METHOD": wire.method,
        "SCRIPT_NAME": "",
        "PATH_INFO": unquote_to_bytes(path).decode("latin-1"),
        "QUERY_STRING": query.encode().decode("latin-1"),
        "SERVER_NAME": "testserver",
        "SERVER_PORT": "80",
        "SERVER_PROTOCOL": "HTTP/1.1",
        "REMOTE_ADDR": "192.0.2.7",
        "CONTENT_LENGTH": str(len(wire.body)),
        "wsgi.version": (1, 0),
        "wsgi.url_scheme": "http",
        "wsgi.input": io.BytesIO(wire.body),
        "wsgi.errors": io.StringIO(),
        "wsgi.multithread": True,
        "wsgi.multiprocess": True,
        "wsgi.run_once": False,
    }
    for name, value in {"Host": "testserver", **wire.headers}.items():
        key = name.upper().replace("-", "_")
        environ[key if key in ("CONTENT_TYPE", "CONTENT_LENGTH") else f"HTTP_{key}"] = value
    return environ


def send(application: Any, wire: Wire) -> Answer:
    """Send a request and read the whole answer."""
    began: list[Any] = []
    chunks = application(environ_of(wire), lambda status, headers, fault=None: began.append((status, headers)))
    try:
        body = b"".join(chunks)
    finally:
        if hasattr(chunks, "close"):
            chunks.close()
    status, headers = began[-1]
    return Answer(int(status.split()[0]), headers, body)
