"""A PostgreSQL of one's own, with the settings that docker-compose.yml gives, to be destroyed at will."""

from __future__ import annotations

import gzip
import shutil
import tempfile
from pathlib import Path

import psycopg
import yaml
from psycopg.conninfo import make_conninfo

from project.operation.tools import give_to_server, run

ROOT = Path(__file__).resolve().parent.parent.parent


def settings_of_compose() -> list[str]:
    """Return the settings of the database service as words for a server: its ``-c name=value``, without its paths."""
    service = yaml.safe_load((ROOT / "docker-compose.yml").read_text())["services"]["database"]
    words = [word for word in service["command"][1:] if word != "-c"]
    return [word for word in words if not word.startswith("hba_file=")]


class Cluster:
    """A server in a new folder, reached through a socket in it. ``folder`` also holds what goes with it."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="tn-"))
        self.data = self.folder / "data"
        give_to_server(self.folder)
        self.folder.chmod(0o755)  # a server under another user finds its way through
        run(["initdb", "--auth=trust", "--encoding=UTF8", "--username=postgres", "--no-sync", "-D", self.data])
        self.start()
        with psycopg.connect(self.address("postgres"), autocommit=True) as line:
            line.execute("CREATE DATABASE trapnight")

    def start(self, more: str = "") -> None:
        """Start the server, with more options behind those of compose."""
        settings = " ".join(f"-c '{word}'" for word in settings_of_compose())
        place = f"-c listen_addresses='' -c unix_socket_directories={self.folder}"
        run(
            [
                "pg_ctl",
                "start",
                "--wait",
                "-D",
                self.data,
                "-l",
                self.folder / "log",
                "-o",
                f"{place} {settings} {more}",
            ]
        )

    def address(self, name: str = "trapnight") -> str:
        """Return the address of a database of this server."""
        return make_conninfo(host=str(self.folder), user="postgres", dbname=name)

    def url(self) -> str:
        """Return the address of Trapnight's database as ``DATABASE_URL`` has it."""
        return f"postgresql://postgres@/trapnight?host={self.folder}"

    def fill(self) -> None:
        """Put the small database of migration 0009 in. Whoever uses it migrates it to the newest."""
        file = self.folder / "at_0009.sql"
        file.write_bytes(gzip.decompress((ROOT / "tests/upgrade/at_0009.sql.gz").read_bytes()))
        run(["psql", "--quiet", "--no-psqlrc", "--set", "ON_ERROR_STOP=1", "--dbname", self.address(), "--file", file])

    def destroy(self) -> None:
        """Let the server die at once and take its files away, as a lost disk does."""
        if (self.data / "postmaster.pid").exists():
            run(["pg_ctl", "stop", "--mode", "immediate", "-D", self.data])
        shutil.rmtree(self.data, ignore_errors=True)

    def remove(self) -> None:
        """Take everything away."""
        self.destroy()
        shutil.rmtree(self.folder, ignore_errors=True)
