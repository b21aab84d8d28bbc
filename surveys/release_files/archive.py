"""One zip of a release, the same to the last byte whenever it is made: fixed times, order, rights and compression."""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from pathlib import Path
from typing import IO
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from surveys.release_files.facts import read_facts
from surveys.release_files.listing import FILES, PARQUET, PIECE_BYTES, ZIP, files_in, kind_of, zip_name

#: The first instant that a zip can hold: the files of a release have no time of their own.
EPOCH = (1980, 1, 1, 0, 0, 0)
UNIX = 3
READABLE_FILE = 0o100644 << 16
LEVEL = 6  # zlib's own default


def write_release_zip(folder: Path) -> None:
    """Write ``trapnight-<number>.zip``: all tables as CSV, all documents and descriptors.

    Parquet files hold the same rows and are left out, and so are the Darwin Core archive and the manifest, which
    names the checksum of this very file.
    """
    number = read_facts(folder).version
    chosen = [
        path for path in files_in(folder) if path in FILES and kind_of(path, number).media_type not in {PARQUET, ZIP}
    ]
    write_zip(folder / zip_name(number), folder, chosen)


def write_zip(path: Path, folder: Path, members: Iterable[str]) -> None:
    """Write files of a folder into a zip, in the order of their names, a piece at a time."""
    with ZipFile(path, "w", ZIP_DEFLATED, compresslevel=LEVEL) as archive:
        for name in sorted(members, key=str.encode):
            _add(archive, folder / name, name)


def open_member(
    archive: ZipFile, name: str, *, size_bytes: int | None = None, rights: int = READABLE_FILE
) -> IO[bytes]:
    """Open a member to write to, with the time and compression that all members have.

    Where its size is known before, only a member above 2 GiB gets the longer header; else each does.
    """
    member = ZipInfo(name, EPOCH)
    member.compress_type = ZIP_DEFLATED
    member.create_system = UNIX
    member.external_attr = rights
    member.file_size = size_bytes or 0
    return archive.open(member, "w", force_zip64=size_bytes is None)


def _add(archive: ZipFile, path: Path, name: str) -> None:
    with path.open("rb") as source, open_member(archive, name, size_bytes=path.stat().st_size) as target:
        shutil.copyfileobj(source, target, PIECE_BYTES)
