"""What a file is, before anything in it is opened: its beginning, and for an archive its list of contents.

Of an archive only what was looked at goes on: its parts are packed anew, so that whatever else the file holds between,
behind or beyond the sizes that it states is gone.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from pathlib import PurePosixPath

from surveys.sheets.records import CannotRead, Say
from surveys.sheets.words import _
from surveys.vocabulary import SheetKind

#: Bytes of a file as it is sent. Own choice: a filled-in template of 2,000 rows has about 300 kB.
MOST_BYTES = 5 * 1024 * 1024
#: Bytes of all parts of an archive together, unpacked. A sheet part of 55 MB holds the reader for 20 s.
MOST_UNPACKED = 10 * 1024 * 1024
MOST_PARTS = 200
#: A part that shrinks more than this is made to blow up; cells of a real sheet shrink 10 to 40 times.
MOST_SHRUNK = 150
_SMALL = 100 * 1024
_ZIP = b"PK\x03\x04"
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_LOCKED = "EncryptedPackage".encode("utf-16-le")
_NESTED = (".zip", ".xlsx", ".xlsm", ".xls", ".docx", ".7z", ".rar", ".gz", ".jar")
_RELATION = re.compile(rb"<(?:\w+:)?Relationship\b[^>]*>", re.DOTALL)
_HYPERLINK = re.compile(rb"Type\s*=\s*[\"'][^\"']*/hyperlink[\"']")
_EXTERNAL = re.compile(rb"TargetMode\s*=\s*[\"']External[\"']", re.IGNORECASE)
_ENTITIES = re.compile(r"<!\s*(DOCTYPE|ENTITY)", re.IGNORECASE)
_SAVE_AS = _("Open it in your spreadsheet program and save it as .xlsx or .csv.")


def open_container(content: bytes, name: str, say: Say) -> tuple[SheetKind, bytes]:
    """Return what a file is and what of it may be opened.

    Raises :class:`CannotRead` where name and content do not agree, are not ours, or hold what a sheet does not hold.
    """
    if not content:
        raise CannotRead(say(_("The file is empty. Choose the file that you filled in.")))
    if len(content) > MOST_BYTES:
        raise CannotRead(say(_("The file is too big. One file takes 5 MB. Share the rows out over more files.")))
    ending = PurePosixPath(name).suffix.lower()
    if content.startswith(_OLE):
        if _LOCKED in content:
            raise CannotRead(say(_("The file is locked with a password. Save it without one, then send it again.")))
        raise CannotRead(f"{say(_('This is a spreadsheet of the old kind (.xls).'))} {say(_SAVE_AS)}")
    if content.startswith(_ZIP):
        if ending != ".xlsx":
            raise CannotRead(
                f"{say(_('The file is not what the end of its name says.'))} {say(_SAVE_AS)}"
                if ending in (".csv", ".txt", ".tsv")
                else f"{say(_('We read .xlsx and .csv files only.'))} {say(_SAVE_AS)}"
            )
        return SheetKind.XLSX, check_archive(content, say)
    if ending in (".csv", ".txt", ".tsv"):
        return SheetKind.CSV, content
    if ending == ".xlsx":
        raise CannotRead(f"{say(_('The name ends in .xlsx, but this is not a spreadsheet.'))} {say(_SAVE_AS)}")
    raise CannotRead(f"{say(_('We read .xlsx and .csv files only.'))} {say(_SAVE_AS)}")


def check_archive(content: bytes, say: Say) -> bytes:
    """Return an archive packed anew; refuse one that is too much, or holds what a plain spreadsheet does not hold."""
    into = io.BytesIO()
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive, zipfile.ZipFile(into, "w") as checked:
            parts = archive.infolist()
            _check_list(parts, say)
            for part in parts:
                with archive.open(part) as held:
                    # Never more than the size that is stated and was added up; its end also checks the part's sum.
                    text = held.read(part.file_size + 1)
                _check_part(part.filename, text, say)
                checked.writestr(part.filename, text)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, ValueError, RuntimeError):
        raise CannotRead(f"{say(_('The file is damaged: it cannot be unpacked.'))} {say(_SAVE_AS)}") from None
    return into.getvalue()


def _check_list(parts: list[zipfile.ZipInfo], say: Say) -> None:
    """Look at the list of contents only: nothing is unpacked yet."""
    if len(parts) > MOST_PARTS:
        raise CannotRead(
            say(_("The file holds {parts} parts, and a plain sheet holds about 15.")).format(parts=len(parts))
            + f" {say(_SAVE_AS)}"
        )
    if any(part.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED) for part in parts):
        raise zipfile.BadZipFile
    if any(part.flag_bits & 0x1 for part in parts):
        raise CannotRead(say(_("The file is locked with a password. Save it without one, then send it again.")))
    if sum(part.file_size for part in parts) > MOST_UNPACKED or any(
        part.file_size > _SMALL and part.file_size > MOST_SHRUNK * max(part.compress_size, 1) for part in parts
    ):
        raise CannotRead(
            say(_("The file grows too big when it is opened. Copy your rows into a new template, and nothing else."))
        )
    names = [part.filename for part in parts]
    if len(set(names)) < len(names) or any(_leads_away(name) for name in names):
        raise CannotRead(f"{say(_('The file has parts with names that no spreadsheet has.'))} {say(_SAVE_AS)}")
    lower = [name.lower() for name in names]
    if any("vbaproject" in name or "/macrosheets/" in name for name in lower):
        raise CannotRead(say(_("The file holds macros, which we do not take. Save it as .xlsx without macros.")))
    if any(name.endswith(_NESTED) or "/embeddings/" in name for name in lower):
        raise CannotRead(say(_("There is another file inside the file. Take it out, then send the file again.")))
    if any("externallink" in name or name.endswith("connections.xml") for name in lower):
        raise CannotRead(_linked(say))
    if "[content_types].xml" not in lower or "xl/workbook.xml" not in lower:
        raise CannotRead(f"{say(_('The name ends in .xlsx, but this is not a spreadsheet.'))} {say(_SAVE_AS)}")


def _check_part(name: str, text: bytes, say: Say) -> None:
    """Look into one part for what must not be there."""
    if text.startswith(_ZIP):
        raise CannotRead(say(_("There is another file inside the file. Take it out, then send the file again.")))
    if not name.lower().endswith((".xml", ".rels", ".vml")):
        return
    if _declares_entities(text):
        raise CannotRead(
            f"{say(_('The file has a part that defines signs of its own, which no spreadsheet does.'))} {say(_SAVE_AS)}"
        )
    if name == "[Content_Types].xml" and (b"macroEnabled" in text or b"vbaProject" in text):
        raise CannotRead(say(_("The file holds macros, which we do not take. Save it as .xlsx without macros.")))
    if name.endswith(".rels") and any(
        _EXTERNAL.search(one) and not _HYPERLINK.search(one) for one in _RELATION.findall(text)
    ):
        raise CannotRead(_linked(say))


def _declares_entities(text: bytes) -> bool:
    """Say whether a part of the archive has a document type, whatever its encoding; none of a spreadsheet has."""
    # In UTF-16 each sign of the markup has a zero beside it: without zeros all encodings look the same.
    return bool(_ENTITIES.search(text.replace(b"\0", b"").decode("latin-1")))


def _leads_away(name: str) -> bool:
    path = PurePosixPath(name.replace("\\", "/"))
    return "\\" in name or path.is_absolute() or ".." in path.parts or ":" in name or "\0" in name


def _linked(say: Say) -> str:
    return say(_("The file takes values from other files. Put the values themselves in, then send it again."))
